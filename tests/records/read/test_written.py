"""Cells and rows as people write them: each is read as a person reads it, and listed."""

import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.styles import Font, PatternFill

from reedlab.records import Bench, mark_workbook, open_bench

DAY = pd.Timestamp


def read(folder: Path, text: str, name: str = "reeds.csv") -> Bench:
    (folder / name).write_text(text, encoding="utf-8")
    return open_bench(folder, today="2026-01-31")


def column(folder: Path, name: str, cells: list[str], delimiter: str = ",") -> pd.DataFrame:
    """Return a column's values, and the severity and problem that is said of each."""
    rows = "".join(f'{i}{delimiter}"{cell}"\n' for i, cell in enumerate(cells))
    bench = read(folder, f"reed{delimiter}{name}\n{rows}")
    found = bench.findings.dropna(subset="row").query("column == @name and severity != 'warning'")
    found = found.set_index("row")
    frame = bench.tables["reeds"]
    return pd.DataFrame(
        {"value": frame[name], "said": found["severity"], "problem": found["problem"]},
        index=frame.index,
    )


@pytest.mark.parametrize(
    ("name", "text", "value", "said"),
    [
        ("tied_mm", "72-73", 72.5, "read_as"),
        ("tied_mm", "72,0 – 73,0 mm", 72.5, "read_as"),
        ("tied_mm", "72 to 73", 72.5, "read_as"),
        ("tied_mm", "72 bis 73", 72.5, "read_as"),
        ("tip_thickness_mm", ".09-.11", 0.1, "read_as"),
        ("tied_mm", "72-3", None, "error"),  # 72 to 73, in short
        ("tied_mm", "73-72", None, "error"),
        ("tied_mm", "72-73-74", None, "error"),
        ("tied_mm", "25+10", None, "error"),
        ("tied_mm", "72+", None, "error"),
        ("tied_mm", "ca. 72,5", 72.5, "read_as"),
        ("tied_mm", "~72.5 mm", 72.5, "read_as"),
        ("tied_mm", "ca 72-73", 72.5, "read_as"),
        ("tip_thickness_mm", ".58", 0.58, None),
        ("tip_thickness_mm", "0,58 mm", 0.58, None),
        ("rough_min", "25+10", 35, "read_as"),
        ("rough_min", "25 + 10 min", 35, "read_as"),
        ("rough_min", "0:25+0:10", 35, "read_as"),
        ("rough_min", "30-40", 35, "read_as"),
        ("rough_min", "1-30", None, "error"),  # a range, or an hour and a half
        ("rough_min", "ca. 35", 35, "read_as"),
        ("rough_min", "~35", 35, "read_as"),
        ("rough_min", "about 35 min", 35, "read_as"),
        ("rough_min", "35'", 35, None),
        ("rough_min", "0:35", 35, None),
        ("rough_min", "35 min", 35, None),
        ("sittings", "1+2", 3, "read_as"),
        ("sittings", "2-3", None, "error"),
        ("sold_for", "12+3,50", 15.5, "read_as"),
        ("sold_for", "12-50", None, "error"),  # 12.50, or a range
    ],
)
def test_a_number_is_read_as_a_person_reads_it(tmp_path, name, text, value, said):
    got = column(tmp_path, name, [text]).iloc[0]
    assert np.isnan(got["value"]) if value is None else got["value"] == pytest.approx(value)
    assert (None if pd.isna(got["said"]) else got["said"]) == said


def test_a_range_is_kept_with_its_half_width_in_the_columns_unit(tmp_path):
    bench = read(tmp_path, "reed,tied (in)\n1,2.8-2.9\n")
    assert bench.tables["reeds"]["tied_mm"].iloc[0] == pytest.approx(2.85 * 25.4)
    (said,) = bench.findings.query("column == 'tied_mm' and value == '2.8-2.9'")["problem"]
    assert "half-width 1.27" in said  # 0.05 inches of 25.4 mm


@pytest.mark.parametrize("text", ["72-73", "25+10", "72-3", "10-50"])
@pytest.mark.parametrize("name", ["tied_mm", "rough_min", "sittings", "sold_for"])
def test_no_advice_leaves_out_a_part_of_what_she_wrote(tmp_path, name, text):
    found = read(tmp_path, f"reed,{name}\n1,{text}\n").findings
    assert not found["fix"].str.contains("without").any()


@pytest.mark.parametrize(
    ("cells", "months"),
    [
        (["April 2024"], ["2024-04"]),
        (["04/2024", "4.2024", "2024-04", "2024/4"], ["2024-04"] * 4),
        (["Apr. 2024", "2024 April", "März 2024", "mai 2024"],
         ["2024-04", "2024-04", "2024-03", "2024-05"]),
        (["Feb 24"], ["2024-02"]),
        (["Feb '24", "Feb-24"], ["2024-02", "2024-02"]),
        (["Nov 23", "Feb 24", "Mar 24"], ["2023-11", "2024-02", "2024-03"]),
        (["Feb 12", "Mar 19"], [None, None]),  # days of two weeks, or months of two years
        (["Feb 24", "Feb 25"], [None, None]),
        (["Feb 24", "Mar 5"], [None, None]),
        (["Feb 24", "2023-05-06"], [None, "day"]),
        (["May 12"], [None]),  # rather a day than a month of 2012
        (["Feb 24", "2024-05-06"], ["2024-02", "day"]),
        (["13/2024", "2024-00", "0/2024"], [None] * 3),
        (["04/24", "April", "24-Feb"], [None] * 3),
    ],
)  # fmt: skip
def test_a_month_is_a_month_or_asked(tmp_path, cells, months):
    bench = read(tmp_path, "reed,tied_on\n" + "".join(f"{i},{c}\n" for i, c in enumerate(cells)))
    reeds = bench.tables["reeds"]
    for month, value, only in zip(months, reeds["tied_on"], reeds["month_only"]):
        if month == "day":
            assert pd.isna(only)
        elif month:
            assert (value, only) == (DAY(month), "tied_on")
        else:
            assert pd.isna(value) and pd.isna(only)
    said = bench.findings.query("column == 'tied_on' and row.notna()")["severity"].tolist()
    assert said.count("read_as") == sum(m not in (None, "day") for m in months)
    assert said.count("error") == months.count(None)


def test_another_column_says_of_which_year_a_month_is(tmp_path):
    for year, known in (("2024", True), ("2026", False)):
        text = f"reed,tied_on,judged_on\n1,Feb 24,{year}-05-06\n"
        assert read(tmp_path, text).tables["reeds"]["tied_on"].notna().tolist() == [known]


def test_where_a_day_is_needed_a_month_is_asked_about(tmp_path):
    (tmp_path / "sittings.csv").write_text("date,maker,reeds,minutes\nApril 2024,KL,1;,20\n")
    bench = read(tmp_path, "reed,rough_on\n1,2024-04-01\n")
    assert bench.tables["sittings"]["date"].isna().all()
    assert "error" in bench.findings.query("table == 'sittings' and column == 'date'").values


def test_a_month_counts_for_season_and_order_and_never_for_days(tmp_path):
    """Each reed takes 20 days; the four known by month would seem to take another time."""
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,Ochre\n")
    rows = [f"{i},L1,KL,2024-03-{i:02},good,2024-03-{i + 20:02}" for i in range(1, 12)]
    by_month = [f"{i},L1,KL,March 2024,good,2024-03-{i:02}" for i in range(20, 24)]
    head = "reed,lot,maker,tied_on,outcome,judged_on\n"
    exact = read(tmp_path, head + "\n".join(rows)).cutoff
    bench = read(tmp_path, head + "\n".join(rows + by_month))
    assert bench.cutoff == exact == DAY("2024-03-31") - pd.Timedelta(days=20)
    known = bench.reeds.set_index("reed")
    assert known.loc["20", ["season", "supplier"]].tolist() == ["spring", "Ochre"]
    assert not known.loc["20", "settled"]  # it may have been tied on the 31st
    assert known.loc["1", "settled"]
    orders = bench.findings[bench.findings["problem"].str.startswith("is before")]
    assert orders.empty  # judged on the 20th, tied some day of that month


DITTOS = '''reed,lot,maker,tied_on,style,outcome,rough_min
1,L1,KL,2024-03-05,long,good,30
2,do.,"""",ditto,idem,good,31
3,dito,Do.,"""",-"-,reject,32
4,L2,"""",2024-03-07,,"""",""""
5,"""","""","""","""",good,33
'''


def test_a_ditto_mark_means_the_cell_above_where_rows_have_it_in_common(tmp_path):
    reeds = read(tmp_path, DITTOS).tables["reeds"]
    assert reeds["lot"].tolist() == ["L1", "L1", "L1", "L2", "L2"]
    assert reeds["maker"].tolist() == ["KL"] * 5
    assert reeds["tied_on"].dt.day.tolist() == [5, 5, 5, 7, 7]
    assert reeds["style"].tolist()[:3] == ["long"] * 3


def test_of_what_each_reed_has_itself_a_ditto_mark_is_asked(tmp_path):
    bench = read(tmp_path, DITTOS)
    row = bench.tables["reeds"].loc[5]
    assert row[["outcome", "rough_min"]].isna().all()
    errors = bench.findings.query("severity == 'error' and value == '\"'")
    asked = sorted(errors[["row", "column"]].values.tolist())
    # Above the last mark the cell is empty.
    assert asked == [[5, "outcome"], [5, "rough_min"], [6, "style"]]
    assert len(bench.findings.query("severity == 'read_as'")) == 12
    assert bench.reeds["status"].isna().tolist() == [False, False, False, True, False]


def test_a_ditto_mark_below_a_title_or_an_empty_row_is_asked(tmp_path):
    text = "reed,lot,maker,tied_on\n1,L1,KL,2024-03-05\n\n2,do.,KL,2024-03-06\n"
    bench = read(tmp_path, text + "Spring\n3,L1,do.,2024-03-07\n")
    assert bench.tables["reeds"][["lot", "maker"]].isna().sum().tolist() == [1, 1]


@pytest.mark.parametrize(
    "line",
    [
        '2,",KL,2024-03-06,good', '2,",",2024-03-06,good', '2,",","', '2,L1,KL,",good',
        '2,L1,KL,2024-03-06,"',
    ],
)  # fmt: skip
def test_a_lone_quotation_mark_is_an_error_with_its_line_and_never_a_ditto(tmp_path, line):
    """RFC 4180: two marks in one line may close each other over the cells between them."""
    rows = ["reed,lot,maker,tied_on,outcome", "1,L1,AB,2024-03-05,good", line,
            "3,L1,AB,2024-03-07,good"]  # fmt: skip
    bench = read(tmp_path, "\n".join(rows) + "\n")
    reeds = bench.tables["reeds"]
    assert reeds["reed"].tolist() == ["1", "2", "3"]
    cells = [cell.strip() for cell in line.split(",")]
    for name, cell in zip(rows[0].split(","), cells):
        value = reeds.at[3, name]
        assert pd.isna(value) if '"' in cell else str(value).startswith(cell)
    (said,) = bench.findings[bench.findings["problem"].str.contains("line 3 has a")]["severity"]
    assert said == "error"


ROWS = """My reeds
reed,lot,maker,tied_on,outcome,rough_min,note
March,,,,,,
1,L1,KL,2024-03-05,good,30,
2,L1,KL,2024-03-06,good,40,

,,,,,,
reed,lot,maker,tied_on,outcome,rough_min,note
3,L1,KL,2024-03-07,reject,20,
4,,,,,,
,,,,,,only this
Total,,,,3 good,90,
Ø,,,,,30,
Summe März,,,,,90,
,,,,,90,
"""


def test_rows_that_are_no_reeds_are_skipped_counted_and_named(tmp_path):
    bench = read(tmp_path, ROWS)
    assert bench.tables["reeds"]["reed"].tolist() == ["1", "2", "3"]
    assert bench.skipped.query("table == 'reeds'")[["row", "reason"]].values.tolist() == [
        [3, "title"], [6, "empty"], [7, "empty"], [8, "repeated heading"], [10, "label alone"],
        [11, "note alone"], [12, "total"], [13, "average"], [14, "total"], [15, "total"],
    ]  # fmt: skip
    named = bench.findings.query("severity == 'read_as' and column == ''")["row"].tolist()
    assert named == [3, 8, 10, 12, 13, 14, 15]


@pytest.mark.parametrize("between", ["", "\nCane bought"])
def test_lots_below_the_reeds_are_no_reeds(tmp_path, between):
    text = (
        "reed,lot,tied_on,outcome,rough_min\n1,L1,2024-03-05,good,30\n2,L1,2024-03-06,reject,31\n"
    )
    lots = "Lot,Seller,Bought,Price,Pieces\nL1,Ochre,2024-01-03,80,40\nL2,Blue,2024-01-04,81,40\n"
    bench = read(tmp_path, f"{text}{between}\n{lots}")
    assert bench.tables["reeds"]["reed"].tolist()[:2] == ["1", "2"]
    assert not {"L1", "L2"} & {*bench.reeds["reed"]}
    said = bench.findings[bench.findings["problem"].str.startswith("begins a second table")]
    assert said["severity"].tolist() == ["error"]
    assert said["value"].tolist() == ["Lot, Seller, Bought, Price, Pieces"]


def test_lots_beside_the_reeds_are_not_read_into_their_rows(tmp_path):
    head = "reed,lot,tied_on,outcome,,lot,supplier,price\n"
    rows = "1,L1,2024-03-05,good,,L1,Ochre,80\n2,L1,2024-03-06,good,,L2,Blue,90\n"
    bench = read(tmp_path, head + rows)
    assert bench.tables["reeds"]["lot"].tolist() == ["L1", "L1"]
    assert bench.reeds["supplier"].isna().all()  # L2 is of Blue, and L1 would be of neither
    said = bench.findings[bench.findings["problem"].str.contains("another table beside")]
    assert said["severity"].tolist() == ["error"]
    assert "'supplier'" in said["problem"].iloc[0]


def test_notes_beside_the_reeds_are_no_table_though_two_headings_are_left_alone(tmp_path):
    (tmp_path / "bench.toml").write_text('[columns.reeds]\nPrice = ""\nTodo = ""\n')
    head = "reed,lot,tied_on,outcome,Price,,Todo\n"
    bench = read(tmp_path, head + "1,L1,2024-03-05,good,3,,sharpen\n")
    assert not bench.findings["problem"].str.contains("another table").any()


def test_a_table_above_the_headings_is_named_and_titles_are_not(tmp_path):
    reeds = "reed,lot,tied_on,outcome\n1,L1,2024-03-05,good\n"
    bench = read(tmp_path, f"My cane\nLot,Seller,Pieces\nL1,Ochre,40\n\n{reeds}")
    said = bench.findings[bench.findings["problem"].str.startswith("rows 2 to 3 come before")]
    assert said["severity"].tolist() == ["warning"]
    titled = read(tmp_path, f"My reeds,,2024\nworkshop,KL,of 2024\n\n{reeds}")
    assert not titled.findings["problem"].str.contains("before the headings").any()


def test_a_reed_after_an_empty_row_is_one_though_its_day_is_a_word(tmp_path):
    text = (
        "reed,lot,tied_on,outcome,rough_min\n1,L1,2024-03-05,good,30\n2,L1,2024-03-06,reject,31\n"
    )
    bench = read(
        tmp_path, text + "\nthree,do.,ditto,good,\n\n4,L1,today,good,long\n5,L1,2024-03-07,,\n"
    )
    assert bench.tables["reeds"]["reed"].tolist() == ["1", "2", "three", "4", "5"]


@pytest.mark.parametrize("label", ["Total", "Mean", "Mittel", "Sum 4", "example 2"])
def test_a_reed_may_be_called_what_it_likes_if_it_has_a_lot_and_a_day(tmp_path, label):
    bench = read(tmp_path, f"reed,lot,maker,tied_on\n{label},L1,KL,2024-03-05\n")
    assert bench.tables["reeds"]["reed"].tolist() == [label]


def test_a_lot_may_be_called_total_if_it_has_a_supplier(tmp_path):
    bench = read(tmp_path, "lot,supplier,price\nTotal 1,Ochre,20\nTotal,,20\n", "lots.csv")
    assert bench.tables["lots"]["lot"].tolist() == ["Total 1"]
    assert bench.skipped["reason"].tolist() == ["total"]


def test_a_sum_whose_label_is_in_a_column_that_is_not_read_is_no_batch(tmp_path):
    text = "Serie;lot;tied_on;tied;good;reject\nS1;L1;2024-03-05;10;6;4\nSumme;;;10;6;4\n"
    bench = read(tmp_path, text + ";;2024-03-06;2;1;1\n")
    assert len(bench.reeds) == 12  # ten of S1, and two that have a day
    assert bench.skipped[["row", "reason"]].values.tolist() == [[3, "total"]]
    assert bench.findings.query("row == 3 and column == ''")["value"].tolist() == ["Summe"]


def test_a_second_table_in_another_order_is_not_read_under_the_first_headings(tmp_path):
    text = "reed,rough_min,finish_min,tied_on\n1,20,30,2024-03-05\n"
    bench = read(tmp_path, text + "reed,finish_min,rough_min,tied_on\n2,31,21,2024-03-06\n"
                 "reed,rough_min,finish_min,tied_on\n3,22,32,2024-03-07\n")  # fmt: skip
    assert bench.tables["reeds"]["rough_min"].tolist() == [20, 22]
    assert bench.skipped["reason"].tolist() == ["other headings"] * 2 + ["repeated heading"]
    assert bench.findings.query("row == 3")["severity"].tolist() == ["error"]


BATCHES = """lot,maker,tied_on,tied,good,playable,reject,rough_min,style
L1,KL,2024-03-05,10,6,2,2,,long
L1,KL,2024-03-06,10,6,2,,,long
L1,KL,2024-03-07,4,,,,40,short
"""


def test_a_row_that_is_a_batch_becomes_its_reeds(tmp_path):
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,Ochre\n")
    bench = read(tmp_path, BATCHES)
    reeds = bench.reeds
    assert reeds["status"].value_counts().to_dict() == {"success": 6, "failure": 4, "pending": 4}
    assert reeds["outcome"].value_counts().to_dict() == {
        "good": 6, "playable": 2, "reject": 2, "given_up": 0, "broken": 0,
    }  # fmt: skip
    assert reeds["reed"].is_unique
    assert reeds["style"].value_counts().to_dict() == {"long": 10, "short": 4}
    assert reeds["rough_min"].isna().all()  # of four reeds or of each, who knows
    assert bench.tables["reeds"].index.value_counts().to_dict() == {2: 10, 4: 4}
    said = bench.findings.set_index(["row", "column"])["severity"]
    assert said[2, "tied_count"] == said[4, "tied_count"] == "read_as"
    assert said[4, "rough_min"] == "warning"


def test_a_batch_that_does_not_add_up_is_asked_and_not_read(tmp_path):
    bench = read(tmp_path, BATCHES)
    (error,) = bench.findings.query("row == 3")["problem"]
    assert error == "is 10 tied, but the counts of the row add up to 8"
    assert bench.skipped.values.tolist() == [["reeds", 3, "batch"]]


@pytest.mark.parametrize(
    "row",
    [
        "10,6,2,1.5,",
        "-2,,,,",
        "10,12,-2,,",
        "3,,,,good",
        "0,0,,,",
        "900,,,,",
        "x,6,,,",
        "4,1+1,1,,",
    ],
)
def test_counts_that_make_no_sense_make_no_reeds(tmp_path, row):
    bench = read(tmp_path, f"lot,tied,good,playable,reject,outcome\nL1,{row}\n")
    assert bench.tables["reeds"].empty
    assert "error" in bench.findings.query("row == 2")["severity"].tolist()


def test_a_batch_of_batches_opens_again_as_typed_frames(tmp_path):
    bench = read(tmp_path, BATCHES)
    again = Bench.from_tables(bench.tables, bench.settings)
    assert len(again.reeds) == len(bench.reeds) == 14


@pytest.mark.parametrize("heading", ["tied", "Made", "tied count"])
def test_counts_have_the_headings_that_people_give_them(tmp_path, heading):
    text = f"lot,tied on,{heading},Good,given up,pending\nL1,2024-03-05,10,6,1,3\n"
    reeds = read(tmp_path, text).reeds
    assert reeds["outcome"].value_counts().head(2).to_dict() == {"good": 6, "given_up": 1}
    assert reeds["status"].eq("pending").sum() == 3


def test_beside_no_count_tied_is_a_length(tmp_path):
    assert read(tmp_path, "reed,tied\n1,72.5\n").tables["reeds"]["tied_mm"].tolist() == [72.5]


def test_the_reeds_of_a_batch_count_in_every_check(tmp_path):
    (tmp_path / "lots.csv").write_text(
        "lot,supplier,quantity,quantity_unit\nL1,Ochre,15,piece\n", encoding="utf-8"
    )
    text = "lot,maker,tied_on,judged_on,good,reject\n"
    bench = read(tmp_path, text + "L1,KL,2024-03-05,2024-03-25,8,4\nL1,KL,2024-04-05,,3,1\n")
    found = bench.findings[bench.findings["severity"] == "warning"]
    said = found[["table", "row", "column"]].astype(object).values.tolist()
    assert said == [["lots", 2, "quantity"], ["reeds", 3, "judged_on"]]  # 16 of 15 pieces
    assert bench.cutoff == DAY("2024-04-05") - pd.Timedelta(days=20)
    assert bench.losses["pieces_tied"].tolist() == [16]


def test_one_reed_tied_is_a_row_like_any_other(tmp_path):
    bench = read(tmp_path, "reed,lot,tied,good,outcome,tied_mm\n1,L1,1,,good,72.5\n2,L1,1,1,,72\n")
    reeds = bench.tables["reeds"]
    assert reeds["reed"].tolist() == ["1", "2"]
    assert reeds["outcome"].tolist() == ["good", "good"]
    assert reeds["tied_mm"].tolist() == [72.5, 72]


# Written by LibreOffice 7.4.7 at the hands of tests/reference/spreadsheets.py.
WRITTEN = Path(__file__).parents[2] / "reference" / "spreadsheets"


@pytest.mark.parametrize("kept", ["kept_workbook", "kept_comma", "kept_german"])
def test_sheets_that_libreoffice_wrote_read_alike_in_english_and_german(kept):
    bench = open_bench(WRITTEN / kept, today="2026-01-31")
    reeds = bench.tables["reeds"]
    assert reeds["reed"].tolist() == ["1", "2", "3", "4", "5"]
    assert reeds["lot"].tolist() == ["L1", "L1", "L1", "L2", "L2"]
    assert reeds["maker"].tolist() == ["KL"] * 5
    days = ["2024-03-05"] * 3 + ["2024-04-01", "2024-05-01"]
    assert reeds["tied_on"].tolist() == [DAY(day) for day in days]
    assert reeds["month_only"].notna().tolist() == [False] * 3 + [True] * 2
    assert reeds["outcome"].astype(object).tolist()[:4] == ["good", "good", "reject", "good"]
    assert reeds["tied_mm"].tolist() == [72.5, 72.5, 72, 72.5, 72.5]
    assert reeds["rough_min"].tolist() == [35, 30, 35, 35, 35]
    assert reeds["sold_for"].dropna().tolist() == [28, 28, 25.5]
    assert bench.skipped.query("reason != 'empty'")[["row", "reason"]].values.tolist() == [
        [4, "title"], [9, "repeated heading"], [12, "total"], [13, "average"],
    ]  # fmt: skip
    read_as = bench.findings.query("severity == 'read_as' and column != ''")
    assert len(read_as) == 6 + 2 + 1 + 2 + 2  # ditto marks, sums, a range, about, months


def test_batches_that_libreoffice_wrote_become_reeds():
    bench = open_bench(WRITTEN / "batches", today="2026-01-31")
    by_lot = bench.reeds.groupby("lot", observed=True)["outcome"].value_counts().to_dict()
    assert {key: n for key, n in by_lot.items() if n} == {
        ("L1", "good"): 6, ("L1", "playable"): 2, ("L1", "reject"): 2,
        ("L2", "good"): 3, ("L2", "playable"): 1, ("L2", "reject"): 4,
    }  # fmt: skip
    assert bench.skipped["reason"].tolist() == ["total"]


def workbook(folder: Path, rows: list[list[object]], change=lambda sheet: None) -> Bench:
    book = openpyxl.Workbook()
    book.active.title = "reeds"
    for row in rows:
        book.active.append(row)
    change(book.active)
    book.save(folder / "records.xlsx")
    return open_bench(folder, today="2026-01-31")


def test_times_kept_as_fractions_of_a_day_are_minutes(tmp_path):
    """35 min are 35/1440 of a day; a spreadsheet keeps fifteen digits of it."""
    cells = [35 / 1440, 0.025, dt.time(0, 40), 12]
    bench = workbook(tmp_path, [["reed", "rough_min"], *([i, v] for i, v in enumerate(cells))])
    np.testing.assert_allclose(bench.tables["reeds"]["rough_min"], [35, 36, 40, 12], atol=1e-9)
    said = bench.findings.query("column == 'rough_min' and severity == 'read_as'")["row"].tolist()
    assert said == [2, 3]


def test_a_month_that_a_spreadsheet_made_a_day_is_a_month(tmp_path):
    """Typed as Apr 24 it is kept as 1 April, and shown as a month (ECMA-376, 18.8.30)."""

    def as_months(sheet):
        for row in (2, 3):
            sheet.cell(row, 2).number_format = "mmm\\-yy" if row == 2 else "[$-407]mmmm yyyy"

    days = [dt.datetime(2024, 4, 1), dt.datetime(2024, 4, 17), dt.datetime(2024, 5, 1)]
    rows = [["reed", "tied_on"], *([i, day] for i, day in enumerate(days))]
    reeds = workbook(tmp_path, rows, as_months).tables["reeds"]
    assert reeds["tied_on"].tolist() == [DAY(day) for day in days]
    assert reeds["month_only"].notna().tolist() == [True, False, False]


def test_a_ditto_mark_in_a_workbook_is_one(tmp_path):
    rows = [["reed", "lot", "maker"], [1, "L1", "KL"], [2, '"', ' " '], [3, "〃", "”"]]
    reeds = workbook(tmp_path, rows).tables["reeds"]
    assert reeds[["lot", "maker"]].values.tolist() == [["L1", "KL"]] * 3


@pytest.mark.parametrize(
    ("cell", "struck", "said"),
    [("B3", False, 1), ("B3", True, 1), ("B1", False, 0), (None, False, 0)],
)
def test_colours_that_may_mean_something_are_named_once(tmp_path, cell, struck, said):
    def colour(sheet):
        if cell and struck:
            sheet[cell].font = Font(strike=True)
        elif cell:
            sheet[cell].fill = PatternFill("solid", start_color="FF0000")

    rows = [["reed", "lot"], [1, "L1"], [2, "L1"], [3, "L1"]]
    found = workbook(tmp_path, rows, colour).findings
    assert found["problem"].str.contains("coloured").sum() == said


def test_a_column_of_one_colour_means_nothing(tmp_path):
    def colour(sheet):
        for row in range(2, 5):
            sheet.cell(row, 2).fill = PatternFill("solid", start_color="FF0000")

    rows = [["reed", "lot", "maker"], [1, "L1"], [2, "L1", "KL"], [3, "L1"], [4]]
    found = workbook(tmp_path, rows, colour).findings
    assert not found["problem"].str.contains("coloured").any()


def test_what_is_interpreted_is_seen_in_the_marked_copy(tmp_path):
    (tmp_path / "bench").mkdir()
    bench = read(
        tmp_path / "bench", DITTOS + "6,L1,KL,April 2024,long,good,25+10\nSumme,,,,,,181\n"
    )
    sheet = openpyxl.load_workbook(mark_workbook(bench, tmp_path / "marked.xlsx"))["reeds"]
    for place, text in (("B3", "cell above"), ("D7", "month"), ("G7", "35"), ("A8", "totals")):
        assert text in sheet[place].comment.text
    assert sheet["G7"].value == "25+10"
    assert sheet["G7"].fill.start_color.rgb == sheet["B3"].fill.start_color.rgb


# How people write: what a person means, and the ways in which she writes it.

MEASURES = ["{:.2f}", "{:g}", "{:g} mm", "ca. {:g}", "~{:g}", "about {:g} mm"]


@settings(max_examples=15, deadline=None, database=None, derandomize=True)
@given(
    hundredths=st.lists(st.integers(5001, 9999), min_size=1, max_size=5),
    wide=st.integers(1, 4000),
    way=st.sampled_from(
        [*MEASURES, "{:g}-{:g}", "{:.2f} – {:.2f} mm", "{:g} to {:g}", "{:g}+{:g}"]
    ),
    comma=st.booleans(),
)
def test_a_measure_is_never_read_as_another(hundredths, wide, way, comma):
    values = [n / 100 for n in hundredths]
    ends = [(v, v + wide / 100) for v in values]
    cells = [way.format(*pair) for pair in ends]
    cells = [cell.replace(".", ",").replace("ca,", "ca.") if comma else cell for cell in cells]
    meant = [sum(pair) / 2 if way.count("{") == 2 else pair[0] for pair in ends]
    with tempfile.TemporaryDirectory() as room:
        got = column(Path(room), "tied_mm", cells, ";" if comma else ",")
    for value, means, said in zip(got["value"], meant, got["said"]):
        assert value == pytest.approx(means, rel=1e-9) or (np.isnan(value) and said == "error"), (
            cells
        )
        assert "+" not in way or np.isnan(value)
    if way in MEASURES:
        assert got["value"].notna().all(), cells


MONTHS = ["%B %Y", "%b %Y", "%m/%Y", "%Y-%m", "%b %y", "%b '%y", "%B %y", "%m.%Y", "%d %b"]


@settings(max_examples=15, deadline=None, database=None, derandomize=True)
@given(
    days=st.lists(st.dates(dt.date(2009, 1, 1), dt.date(2025, 12, 28)), min_size=1, max_size=5),
    way=st.sampled_from(MONTHS),
    beside=st.sampled_from([None, "%Y-%m-%d", "%d %B %Y"]),
)
def test_a_month_is_never_read_as_a_day_or_another_month(days, way, beside):
    cells = [day.strftime(way) for day in days]
    if beside:
        cells.append(days[0].strftime(beside))
    with tempfile.TemporaryDirectory() as room:
        rows = "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))
        reeds = read(Path(room), f"reed,tied_on\n{rows}").tables["reeds"]
    for day, value, only in zip(days, reeds["tied_on"], reeds["month_only"]):
        assert pd.isna(value) or (value, only) == (DAY(day.replace(day=1)), "tied_on"), cells
        assert way != "%d %b" or pd.isna(value)
    if "%Y" in way:
        assert reeds["tied_on"].notna().all()


@settings(max_examples=15, deadline=None, database=None, derandomize=True)
@given(
    days=st.lists(st.dates(dt.date(2009, 1, 1), dt.date(2025, 12, 28)), min_size=2, max_size=6),
    way=st.sampled_from(["%b %d", "%B %d"]),
)
def test_days_without_a_year_are_never_read_as_months_of_other_years(days, way):
    """As she writes days down week by week: two or more, one after another, in one year."""
    days = sorted({day.replace(year=2024) for day in days})
    with tempfile.TemporaryDirectory() as room:
        rows = "".join(f"{i},{day.strftime(way)}\n" for i, day in enumerate(days))
        reeds = read(Path(room), f"reed,tied_on\n{rows}").tables["reeds"]
    told_apart = len({day.day for day in days}) >= len({day.month for day in days}) > 0
    if told_apart and len(days) > 1:
        assert reeds["tied_on"].isna().all()


@pytest.mark.parametrize(
    ("heads", "row"),
    [
        ("quantity,quantity_unit", "0.25,kg"),
        ("quantity", "0.25 kg"),
        ("quantity,quantity_unit", "0.25 kg,kg"),
        ("Quantity (kg)", "0.25"),
        ("quantity", "250 g"),
    ],
)
def test_cane_by_weight_is_in_grams(tmp_path, heads, row):
    text = f"lot,supplier,price_per_kg,{heads}\nL1,Blue,120,{row}\n"
    bench = read(tmp_path, text, "lots.csv")
    lots = bench.tables["lots"]
    assert lots[["quantity", "quantity_unit", "price"]].values.tolist() == [[250, "g", 30]]
    assert "quantity_unit" not in {*bench.findings["column"]}


def test_a_weight_with_two_units_or_none_makes_no_price(tmp_path):
    text = "lot,supplier,price_per_kg,quantity,quantity_unit\nL1,Blue,120,0.5 kg,piece\n"
    bench = read(tmp_path, f"{text}L2,Red,120,,\n", "lots.csv")
    found = bench.findings.set_index(["row", "column"])["severity"]
    assert found[2, "quantity"] == "error"
    assert found[3, "price_per_kg"] == "warning"
    assert bench.tables["lots"]["price"].isna().all()
