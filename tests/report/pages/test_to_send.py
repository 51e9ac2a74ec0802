"""A report to send holds no customer, order, note or maker's name, and the same reeds."""

import re

import nbformat
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.orders.blanks_in_progress import stock
from reedlab.records.write.sending import copy_to_send
from reedlab.report.pages import running, writing

SHOWS = """
import reedlab as rl
from IPython.display import display
bench = rl.open_bench(bench_dir)
for table in bench.tables.values():
    display(table)
display(bench.reeds, bench.findings, bench.settings)
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Every page, with a notebook that shows all it can find."""
    folder = tmp_path_factory.mktemp("sent")
    notebook = folder / "01-all.ipynb"
    cells = [nbformat.v4.new_markdown_cell("# What is there?"),
             nbformat.v4.new_code_cell('bench_dir = ""', metadata={"tags": ["parameters"]}),
             nbformat.v4.new_code_cell(SHOWS, metadata={"tags": ["answer"]})]  # fmt: skip
    nbformat.write(nbformat.v4.new_notebook(cells=cells), notebook)
    bench = folder / "bench"
    bench.mkdir()
    (bench / "lots.csv").write_text("lot,supplier,note\nL1,ochre,ask Zacharias\nL2,slate,\n")
    (bench / "reeds.csv").write_text(
        "reed,lot,maker,judge,helped,tied_on,outcome,order,customer,sold_on,returned_on,"
        "return_reason,note\n"
        "1,L1,XQ,JV,,2025-01-07,good,Ord9,C77,2025-02-01,2025-02-09,Yolanda found it flat,\n"
        "2,L2,PUPIL,XQ,both,2025-01-08,reject,,,,,,for Wilhelmina\n"
        "3,L2,XQ,XQ,,2025-01-08,good,Ord8,,,,,\n"
        "4,L2,XQ,,,2025-01-08,nonsense,,,,,,\n"
    )
    (bench / "orders.csv").write_text(
        "order,reeds,by,customer,sent_on\nOrd9,3,2025-12-01,C77,\nOrd8,1,2025-02-01,C78,2025-01-30\n"
    )
    (bench / "bench.toml").write_text(
        'maker = "XQ"\n[[usual]]\nfrom = 2024-01-01\nmaker = "XQ"\nstaple_mm = 46\n'
        '[words.judge]\n"Jovanka" = "JV"\n'
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(running, "notebooks", lambda: [notebook])
        opened = rl.open_bench(bench, "2025-03-01")
        written = writing.write_report(opened, lambda *_: None, lambda *_: None, to_send=True)
    assert not written.stopped, written.stopped
    assert written.index == bench / "report-to-send" / "index.html"
    assert not (bench / "report").exists()
    return {p.name: p.read_text("utf-8") for p in written.index.parent.rglob("*") if p.is_file()}


def test_no_page_names_a_person_an_order_or_today(pages):
    assert {"index.html", "answers.html", "01-all.html"} <= {*pages}
    assert "today.html" not in pages and not [name for name in pages if name.endswith(".ipynb")]
    private = ("XQ", "JV", "Jovanka", "PUPIL", "C77", "C78", "Ord9", "Ord8", "Zacharias",
               "Yolanda", "Wilhelmina", "today.html", "reedlab-", "/tmp")  # fmt: skip
    for name, page in pages.items():
        words = re.sub(r"data:image/png;base64,[\w+/=\s]+", "", page)
        assert [one for one in private if one in words] == [], name
    assert "maker 2" in pages["01-all.html"] and "ochre" in pages["01-all.html"]


def test_the_copy_answers_alike(tmp_path):
    bench = rl.demo_bench()
    copy = copy_to_send(bench, tmp_path / "copy")
    assert copy.flow().equals(bench.flow())
    assert len(stock(copy)) == len(stock(bench)) > 0
    alike = ["reed", "lot", "tied_on", "outcome", "success", "season", "staple_mm", "rough_min"]
    pd.testing.assert_frame_equal(copy.reeds[alike], bench.reeds[alike])
    assert copy.findings.equals(bench.findings)
    assert copy.settings.heated == bench.settings.heated
    named = bench.reeds["maker"].astype(str).map({"KL": "maker 1", "RS": "maker 2"})
    assert copy.reeds["maker"].astype(str).equals(named)
