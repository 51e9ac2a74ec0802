"""The report stands alone: one file a page, nothing fetched, text from records shown as text."""

import string
from html import escape
from html.parser import HTMLParser

import nbformat
import pandas as pd
import pytest

from reedlab.records import Bench
from reedlab.report.pages import running, writing
from reedlab.report.pages.named_tables import named_tables
from reedlab.report.pages.running import Ending, Run, cut_after, with_parameters

PIXEL = (
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJg"
    "gg=="
)
NASTY = '<script>alert(1)</script><img src="https://a.example/x.png" onerror="y()"><b>bold</b>'


def display(**data):
    alt = {"image/png": {"alt": "Dots <b> & lines"}} if "image/png" in data else {}
    return nbformat.v4.new_output("display_data", data=data, metadata=alt)


def code(source, *outputs, tags=()):
    cell = nbformat.v4.new_code_cell(source, outputs=list(outputs), metadata={"tags": list(tags)})
    cell.execution_count = 1
    return cell


def run(name="04-suppliers", reason="", decision=True, ending=Ending.REFUSED):
    cells = [
        nbformat.v4.new_markdown_cell("# Which cane to buy again?\n\nText."),
        code('bench_dir = ""', tags=["parameters"]),
        code("a", display(**{"text/html": "<p class=\"answer\">Buy ochre.</p>"}),
             tags=["answer", "decision"] if decision else ["answer"]),
        code("b", display(**{"image/png": PIXEL, "text/plain": "Dots"}), tags=["picture"]),
        code("c", display(**{"text/html": "<table><tr><td>1</td></tr></table>"}),
             tags=["statistics"]),
        code("d", display(**{"text/html": NASTY})),
        code("e", nbformat.v4.new_output("stream", name="stdout", text="<i>told</i>")),
    ]  # fmt: skip
    ending = ending if reason else Ending.WHOLE
    return Run(name, nbformat.v4.new_notebook(cells=cells), ending, reason)


@pytest.fixture
def bench(tmp_path):
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["<script>ochre</script>"]})
    reeds = pd.DataFrame(
        {"reed": ["1"], "lot": ["L1"], "maker": ["A"], "tied_on": ["2025-01-07"],
         "outcome": ["good"], "note": [NASTY]}
    )  # fmt: skip
    folder = tmp_path / "b <i>& c"
    folder.mkdir()
    made = Bench.from_tables({"lots": lots, "reeds": reeds})
    return Bench(folder, made.settings, made.tables, made.findings)


class Reader(HTMLParser):
    """Collects what a browser would fetch, run or show."""

    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.fetched, self.handlers, self.alts = [], [], [], [], []
        self.text = ""

    def handle_data(self, data):
        self.text += data

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        for name, value in attrs:
            if name in ("src", "srcset", "data", "poster", "background") or (
                tag == "link" and name == "href"
            ):
                self.fetched.append(value)
            if name.startswith("on"):
                self.handlers.append(name)
        if tag == "img":
            self.alts.append(dict(attrs).get("alt"))


def read(page):
    reader = Reader()
    reader.feed(page.decode())
    return reader


def pages(runs, bench):
    """Return all pages of a report, the first one among them."""
    return writing.pages_of(runs, [*map(writing.notebook_body, runs)], bench) | {
        "answers.html": answers_of(runs, bench).encode()
    }


def answers_of(runs, bench):
    return writing.answers_of(runs, bench).decode()


def test_no_page_fetches_or_runs_anything(bench):
    for page in pages([run(), run("01-records", decision=False)], bench).values():
        seen = read(page)
        assert {"script", "link", "iframe", "object", "embed", "form"}.isdisjoint(seen.tags)
        assert all(what.startswith("data:image/png;base64,") for what in seen.fetched if what)
        assert seen.handlers == []
        assert b"default-src 'none'" in page
        assert b"url(" not in page
        assert b"@import" not in page


def test_every_picture_has_its_words(bench):
    built = pages([run()], bench)
    assert read(built["answers.html"]).alts == ["Dots <b> & lines"]
    assert read(built["04-suppliers.html"]).alts[0] == "Dots <b> & lines"


def test_the_index_takes_the_answer_the_picture_and_the_statistics(bench):
    runs = [run("01-records", decision=False), run()]
    index = answers_of(runs, bench)
    top = index.index('id="04-suppliers"')
    parts = ("Which cane to buy again?", "Buy ochre.", "<img", "<table>", "Behind the answers")
    places = [index.index(part, top) for part in parts]
    assert places == sorted(places)
    assert index.count("Buy ochre.") == 2
    assert index.count("<img") == 1
    assert "the code of this step" not in index
    assert "told" not in index


def test_code_is_folded_away_on_a_notebooks_page(bench):
    page = writing.pages_of([run()], [writing.notebook_body(run())], bench)[
        "04-suppliers.html"
    ].decode()
    assert page.count('<details class="code"><summary>the code of this step</summary>') == 5
    assert "&lt;i&gt;told&lt;/i&gt;" in page
    silent, answer = page.index("bench_dir"), page.index("Buy ochre.")
    assert silent > answer, "a step that shows nothing is folded into the next one's code"


def test_further_questions_are_folded_under_their_headings(bench):
    told = run()
    told.notebook.cells[4:4] = [
        nbformat.v4.new_markdown_cell(
            "Ranges hold nine times in ten.\n\n## Is it <b> the `lot`?\n\nWhy."
        ),
    ]
    page = writing.pages_of([told], [writing.notebook_body(told)], bench)[
        "04-suppliers.html"
    ].decode()
    open_part, folded = page.split('<details class="part"><summary><h2')
    assert "Buy ochre." in open_part and "Ranges hold nine times" in open_part
    assert "Is it &lt;b&gt; the" in folded and "<p>Why.</p>" in folded
    assert folded.index("<caption>") < folded.rindex("</details>")


def test_tables_are_named_and_their_cells_know_their_columns(bench):
    rows = "<tr><td>ochre</td><td>71</td></tr>"
    head = '<thead><tr><th>supplier</th><th class="figure">good</th></tr></thead>'
    table = f"<table>{head}<tbody>{rows}</tbody></table>"
    page = writing.sanitised(named_tables(f"<h2>Lots &amp; reeds</h2>{table}{table}"))
    assert "<caption>Lots &amp; reeds</caption>" in page
    assert 'aria-label="Lots &amp; reeds, table 2"' in page
    assert '<th scope="row">ochre</th><td data-label="good">71</td>' in page
    assert page.count('scope="col"') == 4


def test_a_heading_holds_no_link_that_what_follows_would_stand_in():
    cell = nbformat.v4.new_markdown_cell("# Which cane?\n\nThat of one lot.")
    body = writing._html([cell], code=True)
    assert "<h1>Which cane?</h1>" in body and "<p>That of one lot.</p>" in body
    assert "<a" not in body


def test_a_stopped_notebook_gives_its_reason_as_text(bench):
    reason = "no supplier has <b>two lots</b>; note the lot of each reed."
    built = pages([run(reason=reason)], bench)
    for page in (built["answers.html"], built["04-suppliers.html"]):
        assert "no supplier has &lt;b&gt;two lots&lt;/b&gt;; note the lot" in page.decode()


@pytest.mark.parametrize("reason", ["Too few reeds.", "No answer from 9 reeds."])
def test_the_first_page_says_that_there_is_no_answer(bench, reason):
    for decision in (True, False):
        refused = run(reason=reason, decision=decision)
        refused.notebook.cells = refused.notebook.cells[:3]
        refused.notebook.cells[-1].outputs = []  # as a cell that refused is kept
        index = answers_of([refused], bench)
        assert f"No answer from these records: {reason}" in index


@pytest.mark.parametrize("decision", [True, False])
def test_an_answer_stands_though_the_page_behind_it_stops(bench, decision):
    refused = run(reason="Too few lots.", decision=decision)
    index = answers_of([refused], bench)
    assert "Buy ochre." in index and "No answer" not in index
    assert "The page behind this stops early: Too few lots." in index


def test_a_fault_is_not_laid_at_the_records_door(bench):
    faulty = run(reason="KeyError: 'x'", ending=Ending.FAULT)
    for page in pages([faulty], bench).values():
        assert "a fault of reedlab&#39;s own, not of your records: KeyError" in (
            page.decode().replace("&#x27;", "&#39;")
        )
        assert b"No answer" not in page


def test_the_terminal_says_a_reason_once(tmp_path):
    stopped = (
        run("02-success", "Too few."), run("03-scrape-time", "Too few."), run("06-x", "No piece."),
    )  # fmt: skip
    lines = writing.Report(tmp_path, None, "No lot.", stopped, ()).closing_lines()
    assert lines[:3] == ["Not complete: the supplier table: No lot.",
                         "Not complete: 02-success and 03-scrape-time: Too few.",
                         "Not complete: 06-x: No piece."]  # fmt: skip
    lines = writing.Report(tmp_path, None, "Too few.", stopped, ()).closing_lines()
    assert sum("Too few." in line for line in lines) == 1


def test_what_displays_nothing_leaves_no_heading_behind(bench):
    silent = run()
    for cell in (*silent.tagged("picture"), *silent.tagged("statistics")):
        cell.outputs = []
    assert "figures behind it" not in answers_of([silent], bench)


def test_names_of_folders_are_shown_as_text(bench):
    page = answers_of([run()], bench)
    assert "b &lt;i&gt;&amp; c" in page
    assert "<i>& c" not in page


HOSTILE = [
    "<script>x()</script>",
    "<ScRiPt >x()</sCrIpT\n>",
    "<a href='javascript:x()'>a</a>",
    "<a href=' data:text/html;base64,AAAA'>a</a>",
    "<a href='data:image/png;base64,AAAA'>a</a>",
    "<a href='JaVaScRiPt&colon;x()'>a</a>",
    "<a href='java\tscript:x()'>a</a>",
    "<a href='\x01javascript:x()'>a</a>",
    "<a href='//a.example'>a</a>",
    "<a href='file:///a'>a</a>",
    "<img src='data:image/svg+xml,<svg onload=x()>'>",
    "<img src='data:text/html,<script>x()</script>'>",
    "<img src='data:image/png;base64,AAAA,x' onload=x()>",
    "<img src='//a.example/x.png'>",
    "<img srcset='https://a.example/x.png 2x'>",
    "<picture><source srcset='https://a.example/x.png'></picture>",
    "<video poster='https://a.example/x.png'><source src='https://a.example/x'></video>",
    "<table background='https://a.example/x.png'><tr><td>a",
    "<svg onload=x()></svg>",
    "<svg><script>x()</script></svg>",
    "<svg><a xlink:href='javascript:x()'><text>a</text></a></svg>",
    "<svg><style><img src=x onerror=y()></style></svg>",
    "<svg><image href='https://a.example/x.png'/></svg>",
    "<svg><foreignObject><iframe src='//a.example'></iframe></foreignObject></svg>",
    '<svg></p><style><a id="</style><img src=x onerror=y()>">',
    "<math><mtext><table><mglyph><style><img src=x onerror=y()>",
    "<math><annotation-xml encoding='text/html'><script>x()</script></annotation-xml></math>",
    "<math href='javascript:x()'>a</math>",
    "<form><math><mtext></form><form><mglyph><style></math><img src onerror=y()>",
    "<p style='background:url(//a.example)'>a</p>",
    "<style>@import '//a.example'</style>",
    "<link rel=stylesheet href='//a.example'>",
    "<base href='//a.example'>",
    "<iframe src='//a.example'></iframe>",
    "<iframe srcdoc='<script>x()</script>'></iframe>",
    "<object data='//a.example'></object><embed src='//a.example'>",
    "<form action='//a.example'><button formaction='javascript:x()'>a</button></form>",
    "<details ontoggle=x() open>a</details>",
    "<b/onclick=x()>a</b>",
    "<meta http-equiv=refresh content='0;url=//a.example'>",
    "<noscript><p title='</noscript><img src=x onerror=y()>'>",
    "<textarea></textarea><img src=x onerror=y()>",
    "<template><script>x()</script></template>",
    "<!--><img src=x onerror=y()>-->",
    "<![CDATA[<img src=x onerror=y()>]]>",
]


@pytest.mark.parametrize("html", HOSTILE)
def test_the_sanitiser_leaves_nothing_that_acts(html):
    clean = writing.sanitised(html)
    seen = Reader()
    seen.feed(clean)
    assert {*seen.tags} <= writing.TAGS
    assert seen.fetched == []
    assert seen.handlers == []
    assert not {"href", "style", "formaction"} & {*seen.attributes}
    assert writing.sanitised(clean) == clean, "what is read once more is read alike"


def test_what_stands_in_a_script_or_a_style_is_not_left_as_text():
    html = "<script>one</script>a<style>two</style><svg><style>three</style></svg>"
    assert writing.sanitised(html) == "a"


@pytest.mark.parametrize(
    "character", [*string.printable[:95], "é", "中", "ع", "\N{OX}", "]]>", "-->"]
)
def test_text_stays_text(character):
    text = f"{character}a{character * 2} {character}/script"
    for html in (f"<p>{escape(text)}</p>", f"<td>{escape(text, quote=False)}</td>"):
        seen = Reader()
        seen.feed(writing.sanitised(html))
        assert seen.text == text and {*seen.tags} <= {"p"}


@pytest.mark.parametrize("character", string.printable[:95])
def test_a_pictures_words_stay_words(character):
    words = f"{character}a{character} onload=x()"
    seen = Reader()
    seen.feed(writing.sanitised(f'<img alt="{escape(words)}">'))
    assert seen.alts == [words] and seen.handlers == []


def test_links_and_figures_survive_the_sanitiser():
    kept = f'<a href="04-suppliers.html">x</a><img alt="y" src="data:image/png;base64,{PIXEL}">'
    assert writing.sanitised(kept) == kept
    drawn = kept.replace("image/png", "image/svg+xml")
    assert writing.sanitised(drawn) == drawn
    table = '<table class="a"><tbody><tr><td colspan="2" class="figure">1</td></tr></tbody></table>'
    assert writing.sanitised(table) == table


def test_parameters_are_set_in_a_copy_without_outputs():
    before = run().notebook
    after = with_parameters(before, "../../Ünïcode 'quoted' \"bench\"")
    named = {}
    exec(after.cells[1].source, named)
    assert named["bench_dir"] == "../../Ünïcode 'quoted' \"bench\""
    assert before.cells[1].source == 'bench_dir = ""'
    assert all(cell.outputs == [] for cell in after.cells if cell.cell_type == "code")


def test_a_notebook_is_cut_at_the_cell_that_refused():
    notebook = run().notebook
    error = nbformat.v4.new_output("error", ename="ModelError", evalue="no", traceback=["/home/x"])
    notebook.cells[3].outputs.append(error)
    cut = cut_after(notebook, 3)
    assert len(cut.cells) == 4
    assert [output.output_type for output in cut.cells[3].outputs] == ["display_data"]


@pytest.mark.parametrize("deaths", [0, 2, 3])
def test_a_kernel_that_dies_at_its_start_is_started_again_twice(tmp_path, monkeypatch, deaths):
    """As when another program took one of its ports: zmq's "Address already in use"."""
    left = [RuntimeError("Kernel died before replying to kernel_info")] * deaths

    async def execute(self, **options):
        if left:
            raise left.pop()
        self.nb.cells[-1].execution_count = 7

    monkeypatch.setattr("nbclient.NotebookClient.async_execute", execute)
    path = tmp_path / "04-suppliers.ipynb"
    path.write_text(nbformat.writes(run().notebook), encoding="utf-8")
    ended = running.run(path)
    if deaths < 3:
        assert ended.notebook.cells[-1].execution_count == 7
    else:
        assert ended.ending is Ending.LOST
        assert ended.title == "Which cane to buy again?"


@pytest.mark.parametrize(
    ("reeds", "cores", "free", "at_once"),
    [  # a kernel needs 450 MB, and 45 kB a reed
        (20_000, 2, 2 * 1.35e9, 2),
        (20_000, 2, 1.9 * 1.35e9, 1),
        (50_000, 8, 10.8e9, 4),
        (700, 2, 0.0, 1),
        (700, 64, 1e12, 11),  # no more than there are notebooks
    ],
)
def test_as_many_kernels_as_cores_or_as_memory_holds(reeds, cores, free, at_once):
    found, why = writing._at_once(reeds, cores, free)
    assert found == at_once <= cores
    short = at_once < min(cores, len(running.notebooks()))
    assert why == (f" ({at_once} at a time: memory is short)" if short else "")


def test_the_notebooks_begun_first_are_shipped():
    assert {*writing.LONGEST} < {path.stem for path in running.notebooks()}
