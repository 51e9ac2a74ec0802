"""Values with two readings: the column shows which is meant, or the finding asks; never a guess.

Units are converted by definition: an inch is 25.4 mm, °C = (°F - 32) / 1.8.
"""

import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reedlab.records import Bench, open_bench


def read(folder: Path, text: str, name: str = "reeds.csv") -> Bench:
    (folder / name).write_text(text, encoding="utf-8")
    return open_bench(folder)


def column(folder: Path, name: str, cells: list[str], delimiter: str = ",") -> pd.DataFrame:
    """Return a column's values and the severities and problems of its cells' findings."""
    rows = "".join(f'{i}{delimiter}"{cell}"\n' for i, cell in enumerate(cells))
    bench = read(folder, f"reed{delimiter}{name}\n{rows}")
    frame = bench.tables["reeds"].dropna(subset="reed")
    (known,) = [c for c in frame if c.startswith(name.split(" (")[0].replace(" ", "_"))]
    found = bench.findings[bench.findings["column"] == known].sort_values("severity")
    found = found.drop_duplicates("row").set_index("row")  # an error before what was read
    return pd.DataFrame(
        {"value": frame[known], "said": found["severity"], "problem": found["problem"]},
        index=frame.index,
    )


@pytest.mark.parametrize(
    ("cells", "days", "said"),
    [
        (["24-03-05", "24-03-06"], [None, None], ["error", "error"]),
        (["24-03-05", "2024-03-06"], [None, "2024-03-06"], ["error", None]),
        (["24-03-05", "25-03-2005"], ["2005-03-24", "2005-03-25"], ["read_as", None]),
        (["24-03-05", "2024-03-06", "6-3-2024"], [None, "2024-03-06", "2024-03-06"],
         ["error", None, None]),
        (["05.03.24", "24/03/05"], ["2024-03-05", "2005-03-24"], [None, None]),
        (["45356"], ["2024-03-05"], ["read_as"]),
    ],
)  # fmt: skip
def test_years_of_two_digits_even_with_day_and_month_in_order(tmp_path, cells, days, said):
    (tmp_path / "bench.toml").write_text('date_order = "day-month"')
    got = column(tmp_path, "tied_on", cells)
    assert got["value"].tolist() == [pd.Timestamp(day) if day else pd.NaT for day in days]
    assert got["said"].astype(object).where(got["said"].notna(), None).tolist() == said


def test_a_column_is_not_read_in_two_orders(tmp_path):
    got = column(tmp_path, "tied_on", ["25/3/2024", "3/26/2024", "2024-03-27"])
    assert got["value"].isna().tolist() == [True, True, False]
    assert got["said"].tolist()[:2] == ["error", "error"]


@pytest.mark.parametrize(
    ("name", "cells", "values", "said"),
    [
        ("sold_for", ["1.250", "2.500"], [np.nan, np.nan], "error"),  # euros, or thousands
        ("sold_for", ["1.250", "2.50"], [1.25, 2.5], "read_as"),
        ("tied_mm", ["72.500", "71.250"], [72.5, 71.25], "read_as"),  # 72500 mm are no reed
        ("soak_min", ["1.250", "2.500"], [np.nan, np.nan], "error"),
    ],
)
def test_points_in_a_file_with_semicolons_are_settled_by_the_column(
    tmp_path, name, cells, values, said
):
    got = column(tmp_path, name, cells, ";")
    np.testing.assert_array_equal(got["value"], values)
    assert got["said"].iloc[0] == said


def test_another_column_with_decimal_points_settles_them_too(tmp_path):
    bench = read(tmp_path, "lot;supplier;price;nominal_gouge_mm\nL1;Ochre;1.250;0.59\n", "lots.csv")
    assert bench.tables["lots"]["price"].tolist() == [1.25]


@pytest.mark.parametrize(
    ("heading", "cell", "value", "said"),
    [
        ("rough (h)", "0.5", 30, "read_as"),
        ("rough (sec)", "90", 1.5, "read_as"),
        ("rough (min.)", "12", 12, None),
        ("rough (lines)", "12", None, "error"),
        ("tied (in)", "2.85", 72.39, "read_as"),
        ("tied mm (cm)", "7.2", None, "error"),
        ("temp (°F)", "68", 20, "read_as"),
        ("sold for (EUR)", "22", 22, None),
        ("sold for (€)", "22", 22, None),
        ("sold for (USD)", "22", None, "error"),
        ("response (1-5)", "4", 4, None),
        ("response (of 10)", "4", None, "error"),
        ("rough (h)", "0:35", 35, "read_as"),  # a clock's own hours and minutes
        ("rough (h)", "35 min", 35, "read_as"),
        ("rough (h)", "0.5 h", 30, "read_as"),
        ("tied (in)", "2.85 in", 72.39, "read_as"),
        ("tied (in)", "72.4 mm", 72.4, "read_as"),
    ],
)
def test_units_in_headings_are_converted_or_refused(tmp_path, heading, cell, value, said):
    bench = read(tmp_path, f"reed,{heading}\n1,{cell}\n")
    stem = heading.split(" (")[0].removesuffix(" mm").replace(" ", "_")
    (name,) = [c for c in bench.tables["reeds"] if c in (stem, f"{stem}_min", f"{stem}_mm",
                                                          f"{stem}_c")]  # fmt: skip
    got = bench.tables["reeds"][name].iloc[0]
    assert got == pytest.approx(value, abs=1e-9) if value else np.isnan(got)
    found = bench.findings[(bench.findings["column"] == name) & (bench.findings["row"] == 1)]
    assert found["severity"].tolist() == ([said] if said else [])


def test_a_makers_own_heading_may_have_words_in_brackets(tmp_path):
    (tmp_path / "bench.toml").write_text(
        '[columns.reeds]\n"Preis (brutto)" = "sold_for"\n"Zeit (h)" = "rough_min"\n'
    )
    bench = read(tmp_path, "reed,Preis (brutto),Zeit (h)\n1,22,0.5\n")
    assert bench.tables["reeds"][["sold_for", "rough_min"]].values.tolist() == [[22, 30]]


@pytest.mark.parametrize(
    ("name", "cells", "values"),
    [
        ("sold_for", ["12 50"], [None]),
        ("sold_for", ["12'50"], [None]),
        ("sold_for", ["1 250", "1'250"], [1250, 1250]),
        ("rough_min", ["1 05"], [None]),
        ("rough_min", ["12'50"], [None]),
        ("rough_min", ["1.30", "35"], [None, 35]),
        ("rough_min", ["1,30", "35"], [None, 35]),
        ("rough_min", ["1.30", "12.75"], [1.3, 12.75]),
        ("rough_min", ["1.30 min", "1:30"], [1.3, 90]),
        ("sold_for", ["1e308"], [None]),
    ],
)
def test_numbers_of_two_parts_are_asked_about(tmp_path, name, cells, values):
    got = column(tmp_path, name, cells)
    assert got["value"].isna().tolist() == [value is None for value in values]
    np.testing.assert_allclose(got["value"].dropna(), [v for v in values if v is not None])
    assert got["said"].eq("error").tolist() == [value is None for value in values]


@pytest.mark.parametrize("text", ["1.234", "1.250"])
def test_what_is_asked_for_can_be_read_between_semicolons(tmp_path, text):
    fix = read(tmp_path, f"reed;sold_for\n1;{text}\n").findings.query("column == 'sold_for'")["fix"]
    part, whole = fix.iloc[0].removeprefix("write ").split(",")[0].split(" or ")
    for clear, value in ((part, float(text)), (whole, 1000 * float(text))):
        got = column(tmp_path, "sold_for", [clear], ";")
        assert got["value"].tolist() == [value]


def test_files_that_are_nearly_records_are_named(tmp_path):
    for name in ("reeds-2025.csv", "Copy of lots.csv", "records-2024.xlsx", "notes.csv"):
        (tmp_path / name).write_text("reed\n2\n")
    found = read(tmp_path, "reed\n1\n").findings
    assert sorted(found.loc[found["problem"].str.endswith("is not read"), "table"]) == [
        "Copy of lots.csv",
        "records-2024.xlsx",
        "reeds-2025.csv",
    ]


def workbook(folder: Path, rows: list[list[object]], merge: str = "", epoch=None) -> Bench:
    book = openpyxl.Workbook()
    book.active.title = "reeds"
    for row in rows:
        book.active.append(row)
    if merge:
        book.active.merge_cells(merge)
    if epoch:
        book.epoch = epoch
    book.save(folder / "records.xlsx")
    return open_bench(folder)


def test_a_days_number_counts_from_the_workbooks_own_first_day(tmp_path):
    """45356 days after 1899-12-30 are 43894 days after 1904-01-01: 2024-03-05 (ECMA-376, 18.17)."""
    old = openpyxl.utils.datetime.MAC_EPOCH
    for number, epoch in ((45356, None), (43894, old)):
        bench = workbook(tmp_path, [["reed", "tied_on"], ["1", number]], epoch=epoch)
        assert bench.tables["reeds"]["tied_on"].tolist() == [pd.Timestamp("2024-03-05")]
        assert "read_as" in bench.findings.query("column == 'tied_on'")["severity"].tolist()


def test_a_merged_cell_counts_for_each_of_its_rows(tmp_path):
    rows = [["reed", "lot"], ["1", "L1"], ["2", None], ["3", None], ["4", "L2"]]
    bench = workbook(tmp_path, rows, "B2:B4")
    assert bench.tables["reeds"]["lot"].tolist() == ["L1", "L1", "L1", "L2"]
    said = bench.findings.query("severity == 'read_as'")
    assert said["value"].tolist() == ["reeds!B2:B4"]


def test_a_cell_merged_over_columns_is_named(tmp_path):
    rows = [["reed", "lot", "piece", "maker"], ["1", "L1", None, "AB"]]
    bench = workbook(tmp_path, rows, "B2:C2")
    assert bench.tables["reeds"][["lot", "piece"]].isna().values.tolist() == [[False, True]]
    assert "reeds!B2:C2" in bench.findings.query("severity == 'warning'")["value"].tolist()


# How people write: one person writes one way in a column, and nobody writes it otherwise.

DAYS = st.dates(dt.date(2001, 1, 1), dt.date(2031, 12, 28))
WAYS = [
    "%Y-%m-%d", "%y-%m-%d", "%d-%m-%y", "%m-%d-%y", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y",
    "%Y/%m/%d", "%d %B %Y", "%b %d, %Y", "%d-%m-%Y", "%Y-%m-%dT%H:%M", "%d %m %y",
]  # fmt: skip


def order_of(way: str) -> str:
    if way.startswith("%y"):
        return "year-month"
    return "month-day" if way.startswith(("%m", "%b")) else "day-month"


@settings(max_examples=20, deadline=None, database=None, derandomize=True)
@given(
    days=st.lists(DAYS, min_size=1, max_size=6),
    ways=st.lists(st.sampled_from(WAYS), min_size=1, max_size=2),
    known=st.booleans(),
)
def test_a_day_is_never_read_as_another(days, ways, known):
    """The day is read, or left out with an error; two ways in a column have the same order."""
    ways = [way for way in ways if order_of(way) == order_of(ways[0])]
    with tempfile.TemporaryDirectory() as room:
        if known:
            order = order_of(ways[0]).replace("year-month", "day-month")
            Path(room, "bench.toml").write_text(f'date_order = "{order}"')
        cells = [day.strftime(ways[i % len(ways)]) for i, day in enumerate(days)]
        got = column(Path(room), "tied_on", cells)
    late = pd.Series(days).gt(dt.date.today()).to_numpy()
    for day, value, said in zip(days, got["value"], got["said"]):
        assert value == pd.Timestamp(day) or (pd.isna(value) and said == "error"), cells
    if known and not any("%y" in way for way in ways):
        assert (got["value"].notna() | late).all(), cells


SPACES = ["", ".", ",", " ", "'", "\u202f"]


@settings(max_examples=20, deadline=None, database=None, derandomize=True)
@given(
    numbers=st.lists(st.integers(1, 9_999_999), min_size=1, max_size=5),
    places=st.integers(0, 3),
    comma=st.booleans(),
    between=st.sampled_from(SPACES),
    unit=st.sampled_from(["", " €", "EUR "]),
)
def test_a_number_is_never_read_as_another(numbers, places, comma, between, unit):
    """Whoever has decimal commas has files with semicolons; thousands have the other sign."""
    sign = "," if comma else "."
    if between == sign:
        between = ""
    values = [number / 10**places for number in numbers]
    cells = []
    for value in values:
        text = f"{value:,.{places}f}".replace(",", "_").replace(".", sign).replace("_", between)
        cells.append(unit + text if unit.startswith("E") else text + unit)
    with tempfile.TemporaryDirectory() as room:
        got = column(Path(room), "sold_for", cells, ";" if comma else ",")
    for value, read_as, said in zip(values, got["value"], got["said"]):
        assert read_as == pytest.approx(value, rel=1e-12) or (
            np.isnan(read_as) and said == "error"
        ), cells
    if places in (1, 2):
        assert got["value"].notna().all(), cells


MINUTES = ["{m}", "{h}:{r:02}", "{h} h {r}", "{h}.{r:02}", "{h},{r:02}", "{h} {r:02}", "{m} min",
           "{h}h{r:02}", "{m}'"]  # fmt: skip


@settings(max_examples=20, deadline=None, database=None, derandomize=True)
@given(
    minutes=st.lists(st.integers(1, 600), min_size=1, max_size=5),
    way=st.sampled_from(MINUTES),
)
def test_minutes_are_never_read_as_others(minutes, way):
    cells = [way.format(m=m, h=m // 60, r=m % 60) for m in minutes]
    with tempfile.TemporaryDirectory() as room:
        got = column(Path(room), "rough_min", cells)
    for minute, value, said in zip(minutes, got["value"], got["said"]):
        assert value == minute or (np.isnan(value) and said == "error"), cells
