"""Reading: files that LibreOffice wrote in many ways hold one bench and read as one."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import RecordError
from reedlab.records import Bench, open_bench

# Written by LibreOffice 7.4.7 at the hands of tests/reference/spreadsheets.py.
WRITTEN = Path(__file__).parents[2] / "reference" / "spreadsheets"
SAME = [
    "comma_utf8",
    "comma_utf8_bom",
    "all_quoted",
    "semicolon_windows1252",
    "tab_utf16",
    "titled_with_blanks",
    "workbook",
    "mixed",
]
DAY = pd.Timestamp


@pytest.fixture(scope="module", params=SAME)
def bench(request) -> Bench:
    return open_bench(WRITTEN / request.param)


def test_lots_read_alike_however_the_spreadsheet_saved_them(bench):
    lots = bench.tables["lots"]
    assert lots["lot"].tolist() == ["L1", "L2"]
    assert lots["bought_on"].tolist() == [DAY(2024, 3, 5), DAY(2024, 4, 30)]
    assert lots["price"].tolist() == [1234.5, 98.75]
    assert lots["quantity"].tolist() == [120, 40]
    assert lots["quantity_unit"].tolist() == ["piece", "piece"]
    assert lots["note"].iloc[0] == "für Übungsrohre, günstig"


def test_reeds_read_alike_however_the_spreadsheet_saved_them(bench):
    reeds = bench.tables["reeds"]
    assert reeds["reed"].tolist() == ["007", "008", "009"]
    assert reeds["tied_on"].tolist() == [DAY(2024, 5, 6), DAY(2024, 5, 7), DAY(2024, 12, 30)]
    assert reeds["judged_on"].tolist()[:2] == [DAY(2024, 5, 20), DAY(2024, 5, 13)]
    assert reeds["outcome"].tolist()[:2] == ["good", "reject"]
    assert pd.isna(reeds["outcome"].iloc[2])
    assert reeds["tied_mm"].tolist() == [72.5, 72.25, 72.5]
    np.testing.assert_allclose(reeds["rough_min"], [35, 65, 40], atol=1e-9)
    assert reeds["note"].iloc[0] == 'one\nand "two"'
    assert reeds["note"].iloc[2] == "=waits"


def test_pieces_read_alike_however_the_spreadsheet_saved_them(bench):
    pieces = bench.tables["pieces"]
    assert pieces["gouge_centre_mm"].tolist() == [0.58, 0.6]
    assert pieces["mass_g"].tolist() == [0.215, 0.2]
    assert pieces["wet"].tolist() == [True, False]
    np.testing.assert_allclose(pieces["rh_pct"], [45, 62], rtol=1e-12)
    assert pieces["temp_c"].tolist() == [20.5, 21]


def test_nothing_in_them_is_called_an_error(bench):
    assert bench.findings.query("severity == 'error'").empty, bench.findings.to_string()


def test_rows_are_numbered_as_the_spreadsheet_does():
    assert open_bench(WRITTEN / "comma_utf8").tables["reeds"].index.tolist() == [2, 3, 4]
    assert open_bench(WRITTEN / "titled_with_blanks").tables["reeds"].index.tolist() == [5, 6, 7]
    assert open_bench(WRITTEN / "workbook").tables["reeds"].index.tolist() == [4, 5, 6]


def test_a_sheet_that_is_no_table_is_left_alone_and_named():
    findings = open_bench(WRITTEN / "workbook").findings
    named = findings[findings["value"] == "customers"]
    assert named[["table", "severity"]].values.tolist() == [["records.xlsx", "warning"]]


def test_dates_with_two_readings_are_not_guessed():
    bench = open_bench(WRITTEN / "two_readings")
    assert bench.tables["reeds"]["tied_on"].isna().tolist() == [True, True, False]
    assert bench.tables["reeds"]["judged_on"].tolist()[:2] == [DAY(2024, 5, 20), DAY(2024, 5, 13)]
    errors = bench.findings.query("severity == 'error'")
    assert errors[["table", "row", "column"]].values.tolist() == [
        ["reeds", 2, "tied_on"],
        ["reeds", 3, "tied_on"],
        ["lots", 2, "bought_on"],
    ]
    assert errors["problem"].iloc[-1] == "could be 2024-03-05 or 2024-05-03"
    assert "date_order" in errors["fix"].iloc[0]


def read(folder: Path, text: str | bytes, name: str = "reeds.csv") -> Bench:
    data = text.encode() if isinstance(text, str) else text
    (folder / name).write_bytes(data)
    return open_bench(folder)


def of_the_file(bench: Bench) -> list[list[str]]:
    """Return the findings about a whole file, rather than its columns or rows."""
    found = bench.findings[bench.findings["row"].isna() & (bench.findings["column"] == "")]
    return found[["value", "severity"]].values.tolist()


def cell(folder: Path, column: str, text: str, **more: str) -> object:
    """Return what one cell of a reed reads as."""
    return read(folder, f'reed,{column}\n1,"{text}"\n').tables["reeds"][column].iloc[0]


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("35", 35),
        ("0:35", 35),
        ("35 min", 35),
        ("35min", 35),
        ("1:05", 65),
        ("0:35:30", 35.5),
        ("1 h 5", 65),
        ("1h", 60),
        ("2,5", 2.5),
        ("12.5", 12.5),
    ],
)
def test_minutes_in_the_ways_people_write_them(tmp_path, text, minutes):
    assert cell(tmp_path, "rough_min", text) == minutes


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("72.5", 72.5),
        ("72,5", 72.5),
        ("72.5 mm", 72.5),
        ("72.5mm", 72.5),
        (" 72.5 ", 72.5),
        ("'72.5", None),
        ("2.83 in", None),
        ("abc", None),
        ("#DIV/0!", None),
        ("1e400", None),
    ],
)
def test_numbers_in_the_ways_people_write_them(tmp_path, text, number):
    value = cell(tmp_path, "tied_mm", text)
    assert value == number if number else np.isnan(value)


@pytest.mark.parametrize(
    ("prices", "expected"),
    [
        (["1,234", "0,5"], [1234 / 1000, 0.5]),  # the other cell shows a decimal comma
        (["1,234", "12.50"], [1234.0, 12.5]),  # the other cell shows a decimal point
        (["1,234", "7"], [np.nan, 7.0]),  # nothing tells
        (["1.234.567", "0,5"], [1234567.0, 0.5]),
        (["1.234,50 €", "0,5"], [1234.5, 0.5]),
        (["EUR 12", "€ 7.50", "$ 7.50", "9 usd"], [12.0, 7.5, np.nan, np.nan]),  # never as euros
        (["25,-", "0,5", "12.-", "8,-- €"], [25.0, 0.5, 12.0, 8.0]),
        (["1 234,50", "1'234.50"], [1234.5, 1234.5]),
        (["1.234", "0,5"], [np.nan, 0.5]),
    ],
)
def test_a_comma_is_taken_for_what_the_table_shows_it_to_be(tmp_path, prices, expected):
    rows = "".join(f'L{i},Ochre,"{price}"\n' for i, price in enumerate(prices))
    bench = read(tmp_path, f"lot,supplier,price\n{rows}", "lots.csv")
    np.testing.assert_array_equal(bench.tables["lots"]["price"], expected)
    unread = bench.findings.query("column == 'price' and severity == 'error'")
    assert len(unread) == np.isnan(expected).sum()


def test_a_unit_that_is_not_known_is_not_just_to_be_left_out(tmp_path):
    for column, text, unit in (("rough_min", "90 beats", "min"), ("tied_mm", "7 lines", "mm")):
        found = read(tmp_path, f'reed,{column}\n1,"{text}"\n').findings
        (fix,) = found.loc[found["column"] == column, "fix"]
        assert fix == f"write the number alone, in {unit}, without {text.split()[1]}"


@pytest.mark.parametrize(("rest", "clear"), [("0,5", "1,5 or 1500"), ("7", "1.5 or 1500")])
def test_what_is_asked_for_can_be_read(tmp_path, rest, clear):
    """A number with two readings is to be written in a way that has one."""
    mark = "." if "," in rest else ","
    for text in (f"1{mark}500", *clear.split(" or ")):
        rows = f'lot,supplier,price\nL1,Ochre,"{text}"\nL2,Ochre,"{rest}"\n'
        found = read(tmp_path, rows, "lots.csv").findings.query("column == 'price'")
        assert found["fix"].str.startswith(f"write {clear}").tolist() == [True] * (mark in text)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-03-05", "2024-03-05"),
        ("2024/3/5", "2024-03-05"),
        ("2024-03-05T14:30", "2024-03-05"),
        ("2024-03-05 14:30:00", "2024-03-05"),
        ("25.3.2024", "2024-03-25"),
        ("25/3/24", "2024-03-25"),
        ("3/25/2024", "2024-03-25"),
        ("4.4.2024", "2024-04-04"),
        ("5 March 2024", "2024-03-05"),
        ("Mar 5, 2024", "2024-03-05"),
        ("24-03-05", None),  # 5 March 2024 or 24 March 2005
        ("24 03 05", None),
        ("24-13-05", None),
        ("99-03-05", "1999-03-05"),
        # Names of months as CLDR has them.
        ("5. März 2024", "2024-03-05"),
        ("5 mars 2024", "2024-03-05"),
        ("5 marraskuu 2024", "2024-11-05"),
        ("5. Dez. 2024", "2024-12-05"),
        ("5 décembre 2024", "2024-12-05"),
        ("5 Marble 2024", None),
        ("5 Junk 2024", None),
        ("5 listopad 2024", None),  # November in Polish and Czech, October in Croatian
        ("45356", "2024-03-05"),  # a spreadsheet's own count of days, shown as a number
        ("5.3.2024", None),
        ("2024-13-05", None),
        ("31.2.2024", None),
        ("soon", None),
        ("0024-03-05", None),
    ],
)
def test_dates_in_the_ways_people_write_them(tmp_path, text, day):
    value = cell(tmp_path, "tied_on", text)
    assert value == pd.Timestamp(day) if day else pd.isna(value)


@pytest.mark.parametrize(("order", "month"), [("day-month", 4), ("month-day", 3)])
def test_the_maker_says_which_comes_first(tmp_path, order, month):
    (tmp_path / "bench.toml").write_text(f'date_order = "{order}"')
    assert cell(tmp_path, "tied_on", "03/04/2025").month == month


@pytest.mark.parametrize("blank", ["-", "?", "n/a", "–", "  "])
def test_what_says_that_nothing_is_there_is_blank_and_no_fault(tmp_path, blank):
    bench = read(tmp_path, f"reed,lot,maker,tied_on,outcome\n1,L1,KL,2024-03-05,{blank}\n")
    assert bench.reeds["status"].tolist() == ["pending"]
    assert "outcome" not in bench.findings["column"].tolist()


def test_an_outcome_that_cannot_be_read_is_not_taken_for_pending(tmp_path):
    bench = read(tmp_path, "reed,lot,maker,tied_on,outcome\n1,L1,KL,2024-03-05,godo\n")
    assert bench.reeds["status"].isna().all()
    assert bench.findings.query("column == 'outcome'")["fix"].iloc[0].startswith("write good")


@pytest.mark.parametrize("heading", ["Tied (mm)", "TIED MM", "tied_mm *", "Tied", "tied [mm]"])
def test_headings_in_other_case_or_with_the_unit_in_brackets(tmp_path, heading):
    bench = read(tmp_path, f"reed,{heading}\n1,72.5\n")
    assert bench.tables["reeds"]["tied_mm"].tolist() == [72.5]


def test_columns_that_are_not_read_are_named(tmp_path):
    bench = read(tmp_path, "reed,lot,maker,tied_on,outcme,colour\n1,L1,KL,2024-03-05,good,x\n")
    found = bench.findings[bench.findings["row"].isna()].set_index("column")
    assert found.loc["outcome", "severity"].tolist() == [
        "error",
        "warning",
    ]  # missing; nearly there
    assert found.loc[""][["value", "severity"]].tolist() == ["'colour'", "warning"]


def test_lines_in_another_encoding_are_read_and_told(tmp_path):
    data = "reed,maker\n1,Jürg\n".encode() + "2,Jürg\n".encode("cp1252")
    bench = read(tmp_path, data)
    assert bench.tables["reeds"]["maker"].tolist() == ["Jürg", "Jürg"]
    assert of_the_file(bench) == [["reeds.csv", "warning"]]


@pytest.mark.parametrize("marked", [{2}, {2, 6}, {1, 2}, {9}, {2, 4, 6}])
@pytest.mark.parametrize("note", ['"split, dry', '"split', 'split"', '2" long', '"'])
@pytest.mark.parametrize("columns", ["reed,note,maker", "reed,maker,note", "reed,note"])
def test_quotation_marks_that_never_close_cost_no_row(tmp_path, columns, note, marked):
    """RFC 4180 gives a quoted cell a mark at either end, each beside a delimiter or line end."""
    names = columns.split(",")
    rows = [
        {"reed": str(i), "maker": "AB", "note": note if i in marked else '"fine, dry"'}
        for i in range(1, 10)
    ]
    text = "\n".join([columns, *(",".join(row[name] for name in names) for row in rows)])
    bench = read(tmp_path, text + "\n")
    assert bench.tables["reeds"]["reed"].tolist() == [str(i) for i in range(1, 10)]
    assert bench.tables["reeds"]["note"].iloc[7] == "fine, dry"
    errors = bench.findings[bench.findings["problem"].str.contains("quotation mark")]
    lines = [f"reeds.csv, line {i + 1} " for i in sorted(marked)] if note[0] == '"' else []
    assert [said for said, line in zip(errors["problem"], lines, strict=True) if line in said] == (
        errors["problem"].tolist()
    )


def test_a_note_of_several_lines_is_one_cell_and_listed(tmp_path):
    bench = read(tmp_path, 'reed,maker,note\n1,AB,"one\r\n""two"", and\nthree"\n2,AB,fine\n')
    assert bench.tables["reeds"]["note"].tolist() == ['one\n"two", and\nthree', "fine"]
    (said,) = bench.findings.query("severity == 'read_as'")["problem"]
    assert "lines 2 to 4 are read as one row" in said


def test_the_same_table_twice_is_an_error_and_none_is_lost_sight_of(tmp_path):
    (tmp_path / "reeds.txt").write_text("reed\n2\n")
    bench = read(tmp_path, "reed\n1\n")
    assert bench.tables["reeds"]["reed"].tolist() == ["1"]
    assert of_the_file(bench) == [["reeds.txt", "error"]]


def test_a_file_that_is_nearly_a_table_is_named(tmp_path):
    (tmp_path / "pieces.csv").write_text("piece,lot\nP1,L1\n")
    bench = read(tmp_path, "reed\n1\n", "reed.csv")
    named = bench.findings[bench.findings["table"] == "reed.csv"]
    assert named["fix"].iloc[0].startswith("rename it reeds")


def test_nothing_to_read_is_the_one_error_that_is_raised(tmp_path):
    with pytest.raises(RecordError, match="does not exist"):
        open_bench(tmp_path / "nowhere")
    with pytest.raises(RecordError, match="no table that can be read"):
        open_bench(tmp_path)
    (tmp_path / "records.xlsx").write_bytes(b"not a workbook")
    with pytest.raises(RecordError, match=r"cannot be read .* save it again as \.xlsx"):
        open_bench(tmp_path)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("my records.xlsx", r"run `reedlab adopt '.*my records.xlsx'`, or rename it records.xlsx"),
        ("records.ods", r"a sheet of your own and no bench yet: run `reedlab adopt .*records.ods`"),
        ("reed.csv", "rename it reeds"),
        ("diary.pdf", "put lots.csv and reeds.csv there"),
    ],
)
def test_what_lies_there_instead_is_named(tmp_path, name, says):
    (tmp_path / name).write_bytes(b"x")
    with pytest.raises(RecordError, match=says):
        open_bench(tmp_path)


def test_a_folder_of_own_workbooks_and_a_lock_file_is_adopted(tmp_path):
    for name in ("autumn.ods", "winter.ods", "~$records.xlsx"):
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(RecordError, match=rf"of your own .* `reedlab adopt {tmp_path}`\.$"):
        open_bench(tmp_path)


@pytest.mark.parametrize("name", ["Quaderno ance.xlsx", "my reeds.csv"])
def test_a_sheet_of_the_makers_own_is_adopted(tmp_path, name):
    import openpyxl

    path = tmp_path / name
    path.write_text("Nr,Tied\n1,2024-03-05\n", "utf-8")
    if path.suffix == ".xlsx":
        book = openpyxl.Workbook()
        book.active.title = "Ance"
        book.active.append(["Nr", "Tied"])
        book.save(path)
    with pytest.raises(RecordError) as refusal:
        open_bench(path)
    assert "is a sheet of your own and no bench yet" in str(refusal.value)
    assert f"`reedlab adopt '{path}'`" in str(refusal.value)


@pytest.mark.parametrize("name", ["reeds.csv", "bench.toml"])
def test_one_file_of_a_bench_is_no_bench(tmp_path, name):
    read(tmp_path, "reed\n1\n")
    (tmp_path / "bench.toml").write_text("wage_per_hour = 20\n")
    with pytest.raises(RecordError, match="one file of a bench: give its folder"):
        open_bench(tmp_path / name)


def test_numbers_that_a_table_holds_as_text_and_text_that_is_a_number():
    lots = pd.DataFrame({"lot": [1, 2.0], "supplier": ["Ochre", "Umber"], "price": ["12", "7,5"]})
    bench = Bench.from_tables({"lots": lots})
    assert bench.tables["lots"]["lot"].tolist() == ["1", "2"]
    assert bench.tables["lots"]["price"].tolist() == [12, 7.5]


def test_typed_frames_pass_through_unchanged():
    read = open_bench(WRITTEN / "comma_utf8")
    again = Bench.from_tables(read.tables, read.settings)
    for name, frame in read.tables.items():
        pd.testing.assert_frame_equal(frame, again.tables[name])


def test_a_formula_that_was_never_calculated_is_not_taken_for_blank(tmp_path):
    """openpyxl writes formulas without the values that a spreadsheet would keep beside them."""
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "reeds"
    for row in (["reed", "rough_min"], ["1", "=20+15"], ["2", 35]):
        book.active.append(row)
    book.save(tmp_path / "records.xlsx")
    said = open_bench(tmp_path).findings.query("table == 'records.xlsx'")
    assert said["row"].tolist() == [2]
    assert said["value"].tolist() == ["reeds!B2"]
    assert said["severity"].tolist() == ["error"]


def test_rows_longer_than_the_headings_lose_nothing(tmp_path):
    """pandas drops the cells beyond its columns with no more than a warning."""
    bench = read(tmp_path, "reed,maker\n1,KL,a,b\n2,MR,c,d\n")
    assert bench.tables["reeds"]["reed"].tolist() == ["1", "2"]
    assert bench.tables["reeds"]["maker"].tolist() == ["KL", "MR"]


def test_rows_of_nothing_but_blanks_are_no_rows(tmp_path):
    bench = read(tmp_path, "reed,maker\n1,KL\n , \n\n,-\n2,KL\n")
    assert bench.tables["reeds"].index.tolist() == [2, 6]
