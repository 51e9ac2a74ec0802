"""The pencil sheet and the labels as they are printed."""

import shutil
import subprocess

import pandas as pd
import pytest

import reedlab as rl
from reedlab.records.write.pencil_rows import PencilSheet
from reedlab.report.bench_sheets.pencil import labels_page, pencil_page

ROWS = pd.DataFrame(
    {
        "place": [str(i) for i in range(11, 21)], "reed": [str(i) for i in range(451, 461)],
        "lot": "L<21>", "tied_on": "", "maker": "KL", "style": "",
    }
)  # fmt: skip


def test_a_sheet_has_a_row_a_reed_and_its_cautions_once():
    page = pencil_page(PencilSheet(14, ROWS))
    assert page.count('<th scope="row">') == 10
    assert "Sheet 14" in page and "L&lt;21&gt;" in page and "<21>" not in page
    assert page.count("Guard the finger") == 1 and page.count("Do not breathe the dust") == 1
    assert "http" not in page
    days = ("tied on", "roughed on", "finished on", "verdicts on")  # as typing it back asks
    assert [page.count(day) for day in days] == [1] * 4


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_sheet_fills_one_page(tmp_path, paper):
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed")
    page, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(pencil_page(PencilSheet(14, ROWS)).replace("size: A4", f"size: {paper}"))
    subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--print-to-pdf={printed}", page.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    assert printed.read_bytes().count(b"/Type /Page\n") == 1


def test_labels_name_no_supplier():
    bench = rl.demo_bench()
    page = labels_page(bench)
    assert page.count('class="label"') > 0
    assert not any(name in page for name in bench.tables["lots"]["supplier"].unique())
