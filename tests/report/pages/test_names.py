"""Whatever is written in a name is shown as text, on pages and in pictures, and breaks nothing."""

import os
import string
from html.parser import HTMLParser

import nbformat
import pandas as pd
import pytest

from reedlab.paths import shipped
from reedlab.records import open_bench
from reedlab.report.pages import running, writing

TABLES = ("lots", "pieces", "reeds")
ASCII = string.printable[:95].strip()
SCRIPTS = [
    "日本の葦",
    "Καλάμι",
    "Тростник",
    "قصب",
    "קנה",
    "सरकंडा",
    "ต้นอ้อ",
    "갈대",
    "ლერწამი",
    "եղեգ",
]
NAMES = [r"$\frac{1}{$", ASCII[:62], f"-{ASCII[62:]}", " ".join(SCRIPTS[:5]), " ".join(SCRIPTS[5:])]


class Text(HTMLParser):
    """Collects the text of a page."""

    def __init__(self, page):
        super().__init__()
        self.text = ""
        self.feed(page)

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """Write the report of a bench that is full of such names, and lies in a folder of that kind."""
    folder = tmp_path_factory.mktemp("names") / os.fsdecode(b"b\xe9nch $x$ 'a\"b")  # no UTF-8
    try:
        folder.mkdir()
    except OSError:  # where the system refuses such a name
        folder = folder.with_name("b\N{LATIN SMALL LETTER E WITH ACUTE}nch")
        folder.mkdir()
    tables = {t: pd.read_csv(shipped("data") / "demo" / f"{t}.csv", dtype=str) for t in TABLES}
    tables["reeds"] = tables["reeds"].iloc[::3]
    suppliers = dict(zip(tables["lots"]["supplier"].unique(), NAMES, strict=True))
    tables["lots"]["supplier"] = tables["lots"]["supplier"].map(suppliers)
    lots = {
        lot: f"{SCRIPTS[i % 10]} {ASCII[4 * i :][:4]}"
        for i, lot in enumerate(tables["lots"]["lot"])
    }
    makers = dict(zip(tables["reeds"]["maker"].unique(), ("$a_{$", "葦"), strict=True))
    for name, table in tables.items():
        table["lot"] = table["lot"].map(lots)
        if "maker" in table:
            table["maker"] = table["maker"].map(makers)
        table.to_csv(folder / f"{name}.csv", index=False)
    chosen = [path for path in running.notebooks() if path.stem[:2] in ("01", "04")]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(running, "notebooks", lambda: chosen)
        written = writing.write_report(open_bench(folder), lambda *_: None, lambda *_: None)
    return folder / "report", written


def test_no_page_stops(report):
    _, written = report
    assert written.stopped == ()
    assert {*written.ranking["supplier"]} == {*NAMES}


def test_names_are_text_on_every_page_that_shows_them(report):
    folder, _ = report
    pages = {path.name: Text(path.read_text("utf-8")).text for path in folder.rglob("*.html")}
    assert {*pages} == {
        "index.html", "today.html", "answers.html", "why.html", "01-records.html",
        "04-suppliers.html",
    }  # fmt: skip
    for name in NAMES:
        assert name in pages["index.html"], name
        assert name in pages["04-suppliers.html"], name


def test_no_page_holds_a_place_on_the_machine_or_a_line_of_a_log(report):
    """All that a picture may say beside itself is which letters no installed font has."""
    folder, _ = report
    for path in folder.rglob("*.ipynb"):
        for cell in nbformat.read(path, as_version=4).cells:
            for output in cell.get("outputs", []):
                if output.get("name") == "stderr":
                    assert output.text.startswith("No installed font has "), output.text
                    assert output.text.count("\n") == 1
    for path in folder.rglob("*.*"):
        text = path.read_text("utf-8")
        assert str(folder.parents[1]) not in text and "site-packages" not in text
