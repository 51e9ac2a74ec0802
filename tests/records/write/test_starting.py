"""Starting: an empty bench, and a workbook that LibreOffice opens and fills in."""

import importlib.util
import os
import re
import shutil
from pathlib import Path

import openpyxl
import pytest

from reedlab.errors import WriteError
from reedlab.records import TABLES, Settings, new_bench, open_bench
from reedlab.records.settings import read_settings
from reedlab.records.write.starting import in_order

CALC = Path(__file__).parents[2] / "reference" / "calc.py"
# In CI LibreOffice must be there, so that these tests never pass by being left out.
needs_office = pytest.mark.skipif(
    shutil.which("soffice") is None and not os.environ.get("CI"), reason="LibreOffice is not here"
)


def calc():
    spec = importlib.util.spec_from_file_location("calc", CALC)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("workbook", [False, True])
def test_a_new_bench_is_empty_and_without_findings(tmp_path, workbook):
    bench = open_bench(new_bench(tmp_path / "bench", workbook=workbook))
    assert bench.findings.empty, bench.findings.to_string()
    assert bench.skipped["reason"].tolist() == ["example"] * len(TABLES) * workbook
    assert bench.settings == Settings()
    assert all(frame.empty for frame in bench.tables.values())


def test_the_settings_that_are_remarks_can_all_be_taken_up(tmp_path):
    path = new_bench(tmp_path / "bench") / "bench.toml"
    text = path.read_text(encoding="utf-8")
    taken = re.sub(r'^# (?=\w+ = |"[^"]+" = |\[[\w.\[]+\])', "", text, flags=re.MULTILINE)
    assert taken.count("\n#") < text.count("\n#") - 15
    path.write_text(taken, encoding="utf-8")
    settings, found = read_settings(path.parent)
    assert found.frame().empty, found.frame().to_string()
    assert settings.date_order == "day-month"
    assert settings.usual[0].values["staple_mm"] == 47
    assert settings.likely("reeds", "tied_mm") == {"long": (71, 74), "short": (73, 76)}
    assert settings.words["outcome"] == {"gut": "good"}


def test_what_must_be_there_comes_first(tmp_path):
    folder = new_bench(tmp_path / "bench")
    headings = (folder / "reeds.csv").read_text(encoding="utf-8-sig").strip().split(",")
    assert headings[:4] == ["reed", "lot", "tied_on", "outcome"]
    assert set(headings) == set(TABLES["reeds"].columns)


def test_nothing_that_is_there_is_written_over(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(WriteError, match="exists already"):
        new_bench(tmp_path)
    with pytest.raises(WriteError, match="exists already"):
        new_bench(tmp_path / "mine.txt")
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    (tmp_path / "empty").mkdir()
    assert (new_bench(tmp_path / "empty") / "bench.toml").exists()


@needs_office
def test_libreoffice_opens_the_workbook_and_fills_it_in(tmp_path):
    made = new_bench(tmp_path / "bench", workbook=True) / "records.xlsx"
    columns = {name: [c.name for c in in_order(table)] for name, table in TABLES.items()}

    def cell(table: str, column: str, row: int = 2) -> tuple[int, int]:
        return row, columns[table].index(column)

    office = calc()
    filled = tmp_path / "filled" / "records.xlsx"
    filled.parent.mkdir()
    answers = office.drive(
        [
            ("open", made.as_uri()),
            ("sheets",),
            ("sheet", "reeds"),
            ("say", *cell("reeds", "lot", 0)),
            ("say", *cell("reeds", "tied_mm", 0)),
            ("say", *cell("reeds", "outcome", 0)),
            ("offers", *cell("reeds", "outcome")),
            ("offers", *cell("reeds", "outcome", 4000)),
            ("offers", *cell("reeds", "reed")),
            ("hidden", *cell("reeds", "outcome")),
            ("hidden", *cell("reeds", "tied_mm")),
            ("hidden", *cell("reeds", "finish_min")),
            ("offers", *cell("reeds", "lot")),
            ("offers", *cell("reeds", "maker")),
            ("sheet", "lists"),
            *[("say", row, 2) for row in range(6)],
            ("sheet", "lots"),
            ("text", *cell("lots", "lot"), "L1"),
            ("text", *cell("lots", "supplier"), "Ochre"),
            ("sheet", "reeds"),
            ("text", *cell("reeds", "reed"), "007"),
            ("text", *cell("reeds", "lot"), "L1"),
            ("text", *cell("reeds", "maker"), "KL"),
            ("number", *cell("reeds", "tied_on"), 45356),
            ("text", *cell("reeds", "outcome"), "good"),
            ("number", *cell("reeds", "tied_mm"), 72.5),
            ("say", *cell("reeds", "tied_on")),
            ("save", filled.as_uri(), office.XLSX, ""),
            ("close",),
        ]
    )
    n = len(TABLES) + 2  # the start and the lists are sheets too
    shown = {name: visible for name, visible in (line.split() for line in answers[:n])}
    assert shown == {"start": "True", **dict.fromkeys(TABLES, "True"), "lists": "False"}
    lot, tied, heading, outcome, further, reed, *hidden, lots, makers = answers[n : n + 11]
    assert (lot, tied, heading) == ("lot *", "tied (mm)", "outcome")
    assert outcome == further
    assert outcome.split()[1].startswith("$lists.") or "lists" in outcome
    assert outcome.split()[0] == "6"  # com.sun.star.sheet.ValidationType.LIST
    assert reed.split()[0] == "0"  # ValidationType.ANY
    assert hidden == ["False", "True", "False"]
    assert "lots" in lots and "start" in makers
    assert answers[n + 11 : n + 17] == [
        "reeds outcome",
        "given_up",
        "broken",
        "reject",
        "playable",
        "good",
    ]
    assert answers[n + 17] == "2024-03-05"

    bench = open_bench(filled.parent)
    assert bench.findings.query("severity == 'error'").empty, bench.findings.to_string()
    row = bench.reeds.iloc[0]
    assert (row["reed"], row["supplier"], row["outcome"], row["tied_mm"]) == (
        "007", "Ochre", "good", 72.5,
    )  # fmt: skip
    assert f"{row['tied_on']:%Y-%m-%d}" == "2024-03-05"


def test_the_workbook_shows_an_example_and_stars_what_a_row_begins_with(tmp_path):
    book = openpyxl.load_workbook(new_bench(tmp_path / "bench", workbook=True) / "records.xlsx")
    assert book.sheetnames[0] == "start"
    heads = {cell.value: cell for cell in book["reeds"][1]}
    starred = [text for text in heads if text.endswith("*")]
    assert starred == ["reed *", "lot *", "tied on *"]
    assert "leave it empty until" in heads["outcome"].comment.text
    offered = {str(d.sqref).split(":")[0] for d in book["lots"].data_validations.dataValidation}
    assert "A3" not in offered  # a new lot is no other word
    for table in TABLES:
        sheet = book[table]
        example = [cell for cell in sheet[2] if cell.value is not None]
        assert example[0].value == "example"
        assert len(example) >= len([c for c in TABLES[table].needed if c != "outcome"])
        folded = [d for d in sheet.column_dimensions.values() if d.hidden]
        hidden = {at for d in folded for at in range(d.min, d.max + 1)}
        assert not hidden & {cell.column for cell in example}


def test_what_is_written_below_or_over_the_example_is_read(tmp_path):
    path = new_bench(tmp_path / "bench", workbook=True) / "records.xlsx"
    book = openpyxl.load_workbook(path)
    for at, value in enumerate(["L1", "Ochre"], start=1):
        book["lots"].cell(2, at, value)  # over it
    places = {cell.value: cell.column for cell in book["reeds"][1]}
    for head, value in (
        ("reed *", "7"),
        ("lot *", "L1"),
        ("maker", "KL"),
        ("tied on *", "2025-02-03"),
    ):
        book["reeds"].cell(3, places[head], value)  # below it
    (tmp_path / "hers").mkdir()
    book.save(tmp_path / "hers" / "records.xlsx")
    bench = open_bench(tmp_path / "hers")
    assert bench.reeds[["reed", "supplier", "status"]].values.tolist() == [
        ["7", "Ochre", "pending"]
    ]
    assert bench.findings.query("severity == 'error'").empty, bench.findings.to_string()
