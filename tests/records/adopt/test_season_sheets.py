"""A worksheet a season, whose headings differ a little: each sheet's own headings count."""

import openpyxl
import pytest

import reedlab as rl
from reedlab.records import mark_workbook
from reedlab.records.adopt import adopting

TODAY = "2024-12-01"
SEASONS = {
    "Autumn": [
        ["No", "Tied", "Cane from", "Lot", "Gouge centre (mm)", "Result"],
        ["1", "2023-09-04", "Amber", "A1", "0.60", "good"],
        ["2", "2023-09-05", "Jade", "J1", "0.58", "reject"],
    ],
    "Winter": [
        ["Reeds of the winter"],
        ["No.", "Lot", "Tied on", "Supplier", "Result", "Gouge centre mm"],
        ["3", "A1", "2023-12-04", "Amber", "good", "0.59"],
        ["4", "J1", "2023-12-05", "Jade", "reject", "0.61"],
    ],
    "Spring": [
        ["no", "Date tied", "cane from", "lot", "Verdict", "Sold for"],
        ["5", "2024-03-04", "Amber", "A2", None, "30"],
        ["6", "2024-03-05", "Jade", "J2", "reject", None],
    ],
}


@pytest.fixture
def seasons(tmp_path):
    """Write worksheets into a workbook, and return its path."""

    def written(sheets):
        book = openpyxl.Workbook()
        book.remove(book.active)
        for title, rows in sheets.items():
            sheet = book.create_sheet(title)
            for row in rows:
                sheet.append(row)
        book.save(tmp_path / "reeds by season.xlsx")
        return tmp_path / "reeds by season.xlsx"

    return written


def opened(path):
    """Adopt a workbook, and open the bench."""
    return rl.open_bench(rl.adopt(path, today=TODAY).folder, today=TODAY)


def errors(bench):
    """Return the rows, columns and problems of all errors."""
    wrong = bench.findings[bench.findings["severity"] == "error"]
    return [*wrong[["row", "column", "problem"]].itertuples(index=False, name=None)]


def test_a_column_is_taken_once_a_sheet(seasons):
    draft = adopting.begin(seasons(SEASONS), today=TODAY)
    means = {line.path[-1]: line.value for line in draft.lines if line.path[0] == "columns"}
    assert means == {
        "No": "reed", "Tied": "tied_on", "Cane from": "supplier", "Lot": "lot",
        "Gouge centre (mm)": "gouge_centre_mm", "Result": "outcome",
        "Tied on": "tied_on", "Supplier": "supplier", "Gouge centre mm": "gouge_centre_mm",
        "Date tied": "tied_on", "Verdict": "outcome", "Sold for": "sold_for",
    }  # fmt: skip
    assert draft.questions == []


def test_each_sheet_is_read_by_its_own_headings(seasons):
    bench = opened(seasons(SEASONS))
    reeds = bench.reeds.set_index("reed").sort_index()
    assert [*reeds.index] == ["1", "2", "3", "4", "5", "6"]
    assert [f"{day:%Y-%m-%d}" for day in reeds["tied_on"]] == [
        "2023-09-04", "2023-09-05", "2023-12-04", "2023-12-05", "2024-03-04", "2024-03-05",
    ]  # fmt: skip
    assert [*reeds["supplier"]] == ["Amber", "Jade"] * 3
    assert [*reeds["outcome"]] == ["good", "reject"] * 3  # that of 5 is its price
    assert [*reeds["gouge_centre_mm"].dropna()] == [0.60, 0.58, 0.59, 0.61]
    assert errors(bench) == []


def test_a_finding_names_the_row_and_the_sheet(seasons):
    rows = [*SEASONS["Winter"], ["7", "J1", "soon", "Jade", "reject", "0.61"]]
    bench = opened(seasons(SEASONS | {"Winter": rows}))
    assert [error[:2] for error in errors(bench)] == [(1005, "tied_on")]
    told = bench.findings["problem"]
    place = "reeds by season.xlsx, sheet Winter"
    assert f"the rows of {place} are numbered from 1001: 1002 is its row 2" in [*told]


def test_two_headings_of_one_sheet_for_one_column_stay_an_error(seasons):
    rows = [[*SEASONS["Winter"][1], "Fastened"], *([*r, r[2]] for r in SEASONS["Winter"][2:])]
    path = seasons(SEASONS | {"Winter": rows})
    folder = adopting.begin(path, today=TODAY).write().folder
    toml = folder / "bench.toml"
    text = toml.read_text("utf-8").replace('"Fastened" = "?"', '"Fastened" = "tied_on"')
    toml.write_text(text, "utf-8")
    bench = rl.open_bench(folder, today=TODAY)
    twice = "is the heading of two columns; only the first is read"
    assert errors(bench) == [(1001, "tied_on", twice)]
    assert bench.tables["reeds"]["tied_on"].notna().all()


def test_another_unit_in_one_sheet_is_named_and_never_read_as_the_first(seasons):
    heads = [h.replace("Gouge centre mm", "Gouge centre (in)") for h in SEASONS["Winter"][1]]
    rows = [heads, *SEASONS["Winter"][2:]]
    bench = opened(seasons(SEASONS | {"Winter": rows}))
    ((row, column, problem),) = errors(bench)
    assert (row, column) == (1001, "gouge_centre_mm")
    assert "has another unit than 'Gouge centre (mm)'" in problem and "sheet Winter" in problem
    assert [*bench.reeds["gouge_centre_mm"].dropna()] == [0.60, 0.58]


def test_a_sheet_without_known_headings_among_others_is_named(seasons):
    path = seasons(SEASONS)
    folder = adopting.begin(path, today=TODAY).write().folder
    seasons(SEASONS | {"Autumn": [["a", "b"], ["1", "2"]]})
    bench = rl.open_bench(folder, today=TODAY)
    place = "reeds by season.xlsx, sheet Autumn"
    assert [problem for _, _, problem in errors(bench)] == [f"{place} has no known headings"]
    assert len(bench.reeds) == 4


def test_the_marked_copy_has_her_own_words(seasons, tmp_path):
    bench = opened(seasons(SEASONS))
    copy = openpyxl.load_workbook(mark_workbook(bench, tmp_path / "marked.xlsx"))["reeds"]
    heads = [cell.value for cell in copy[1]]
    assert heads[:6] == SEASONS["Autumn"][0]
    assert copy.cell(2002, heads.index("Result") + 1).value is None
    assert copy.cell(2002, heads.index("Sold for") + 1).value == 30
