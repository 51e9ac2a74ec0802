"""The pencil sheet and the labels as they are printed."""

import pandas as pd

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


def test_a_sheet_fills_one_page_on_either_paper(browser):
    """The narrowest sheet of paper is Letter across less its margins: 279.4 - 18 mm."""
    most = pd.concat([ROWS, ROWS[:2]], ignore_index=True)
    with browser.new_context(viewport={"width": int(261.4 / 25.4 * 96), "height": 700}) as context:
        page = context.new_page()
        page.emulate_media(media="print")
        for rows in (ROWS, most):
            page.set_content(pencil_page(PencilSheet(14, rows)))
            assert page.evaluate("document.documentElement.scrollWidth") <= int(261.4 / 25.4 * 96)
            for paper in ("A4", "Letter"):
                printed = page.pdf(format=paper, landscape=True)
                assert printed.count(b"/Type /Page\n") == 1, (paper, len(rows))


def test_labels_name_no_supplier():
    bench = rl.demo_bench()
    page = labels_page(bench)
    assert page.count('class="label"') > 0
    assert not any(name in page for name in bench.tables["lots"]["supplier"].unique())
