"""Write the report: the maker's first page, today, all answers, and each notebook as a page.

Every page is one self-contained file: no script, no request to any network (a content policy in the
page itself forbids them), pictures inside, code folded away. Whatever a notebook displays goes
through one sanitiser, so that text from a maker's records stays text.

The first page is written from the answers themselves (`reedlab.report.words.first_page`). A
notebook says by the tags of its cells what the page of all answers takes from it: ``answer`` (the
sentence that answers its question), ``picture`` and ``statistics``. A notebook whose answer cell is
also tagged ``decision`` has a section of its own at the top of that page, in the order of the file
names; the others follow with their sentence. So a new notebook joins the report by being in the
folder.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, partial
from html import escape
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Any

from reedlab.decide.evidence import listed
from reedlab.errors import WriteError
from reedlab.mixed.posterior.kept import shared_in
from reedlab.records import store
from reedlab.records.write.sending import copy_to_send
from reedlab.report.pages import publishing, running
from reedlab.report.pages.fork_server import ForkServer
from reedlab.report.pages.named_tables import named_tables
from reedlab.report.pages.running import Run
from reedlab.report.words import advice, first_page, printed_tables, sentences, short_lines, truth

if TYPE_CHECKING:
    import pandas as pd

    from reedlab.decide.answer import Answer
    from reedlab.decide.conditions.season_effects import Seasons
    from reedlab.decide.losses_by_stage import Losses
    from reedlab.decide.makers import Makers
    from reedlab.decide.price import Price
    from reedlab.decide.stopping.after_roughing import GivingUp
    from reedlab.decide.stopping.before_tying import PassingOver
    from reedlab.decide.suppliers.comparison import Suppliers
    from reedlab.decide.today import Today
    from reedlab.records import Bench
    from reedlab.simulate import Truth

SHELL = Path(__file__).resolve().parent / "shell"
ANSWERS, TODAY, WHY, TRUTH = "answers.html", "today.html", "why.html", "truth.html"
LONGEST = ("05-cane", "04-suppliers", "09-not-measured", "02-success")
"""Notebooks that take longest: they are begun first, so that none is waited for at the end, and
before them one that uses nothing of what the first page's answers work out meanwhile."""
_HERS = sentences.OF_THE_WORK, sentences.OF_THE_RECORDS  # the cautions of her pages
KERNEL_MB, KERNEL_KB_A_REED = 450, 45
"""Memory that a kernel may need, of itself and for each reed; see DEVELOPERS.md."""
PARTS = ("answer", "picture", "statistics")  # cell tags the index takes something from
# fmt: off
TAGS = frozenset({
    "a", "abbr", "b", "blockquote", "br", "caption", "code", "dd", "del", "details", "div", "dl",
    "dt", "em", "h1", "h2", "h3", "h4", "hr", "i", "img", "li", "ol", "p", "pre", "s", "small",
    "span", "strong", "sub", "summary", "sup", "table", "tbody", "td", "tfoot", "th", "thead",
    "tr", "ul",
})
# fmt: on
ATTRIBUTES = {
    "*": {"class", "id"},
    "a": {"href"},
    "details": {"open"},
    "img": {"src", "alt", "width"},
    "div": {"aria-label", "role", "tabindex"},
    **{cell: {"colspan", "data-label", "rowspan", "scope"} for cell in ("td", "th")},
}
LINK = re.compile(r"https?://.+|#.+|[\w-]+\.html(#.+)?")  # asked only when a reader follows one
# A picture inside an <img> is still: a browser runs and fetches nothing that is in it.
PICTURE = re.compile(r"data:image/(png|svg\+xml);base64,[\w+/=\s]+")


@dataclass(frozen=True)
class Report:
    """A report that has been written."""

    index: Path  # the page to open
    # the supplier table, as `reedlab.rank_suppliers` gives it; None when it cannot be had
    ranking: pd.DataFrame | None
    sentence: str  # what to buy, or why the records cannot say
    stopped: tuple[Run, ...]  # the notebooks that could not run to their end on this bench
    # files of an earlier report that the user had changed, under the names they now have
    set_aside: tuple[Path, ...]

    def closing_lines(self) -> list[str]:
        """Say the end of a report in lines for a terminal: what stopped, and where it is."""
        why = {self.sentence: ["the supplier table"]} if self.ranking is None else {}
        for run in self.stopped:
            why.setdefault(run.why, []).append(run.name)
        lines = [f"Not complete: {listed(names)}: {reason}" for reason, names in why.items()]
        lines += [f"A page that you had changed is kept as {path}." for path in self.set_aside]
        return [*lines, f"Report: {self.index}"]


def write_report(
    bench: Bench,
    step: Callable[[str, int, int], None],
    answered: Callable[[list[str]], None],
    *,
    to_send: bool = False,
) -> Report:
    """Fit the models, run every notebook on a bench and write its report beside the records.

    The report is in ``DIR/report``. `step` is called with what is being done, the steps done and
    the steps in all; `answered` with the supplier table and what to buy, in lines, as soon as they
    are known and long before the pages are, but not where the records cannot say. A report
    `to_send`, for others to read, is of `copy_to_send`, without what is to do today, and in
    ``DIR/report-to-send``. Raises WriteError when the folder cannot be written, or another run is
    writing there.
    """
    from reedlab.decide.suppliers.comparison import suppliers

    records = _path(bench)
    home = records if records.is_dir() else records.parent
    folder = home / ("report-to-send" if to_send else "report")
    # Where the records are, seen from the folder of a run's pages.
    named = "../.." if records == home else f"../../{records.name}"
    total = len(running.notebooks()) + 1
    at_once, why = _at_once(len(bench.tables["reeds"]), *_cores_and_memory())
    step(f"Working out the answers{why}", 0, total)
    with store.alone_in(folder), publishing.scratch(folder) as scratch:
        left = publishing.clear(folder)
        if to_send:
            bench = copy_to_send(bench, scratch / (home.resolve().name or "bench"))
            records = _path(bench)
        with shared_in(scratch / "posteriors"), ForkServer(records, scratch) as server:
            said = suppliers(bench)
            if not said.unanswered:
                answered(_in_lines(said))
            with _side_by_side(scratch, server, bench=records, named=named) as (jobs, work):
                for _ in range(at_once - 1):  # this process is the other one, until it has answered
                    work()
                asked = _ask(bench, to_send, said)
                _ = len(said.table) > 1 and said.though  # for the first page, while a kernel works
                work()
                bodies = {}
                for done, job in enumerate(as_completed(jobs), start=1):
                    step(f"Page {job.result().name}{why}", done, total)
                    bodies[job] = notebook_body(job.result())
        runs = [job.result() for job in jobs]
        shown = [bodies[job] for job in jobs]
        pages = pages_of(runs, shown, bench, to_send) | {ANSWERS: answers_of(runs, bench, to_send)}
        pages |= {WHY: why_of(bench, asked, to_send)}
        if (made_of := asked.truth) is not None:
            pages |= {TRUTH: truth_of(bench, asked, made_of)}
        if not to_send:
            pages |= {f"{run.name}.ipynb": run.as_file() for run in runs}
            pages |= {TODAY: today_of(bench, asked.day)}
        first = partial(first_of, bench, asked, to_send=to_send)
        changed = publishing.publish(pages, first, folder)
    step("Pages written", total, total)
    stopped, kept = tuple(run for run in runs if run.stopped), (*left, *changed)
    index = folder / publishing.INDEX
    ranking = None if said.unanswered else said.table
    return Report(index, ranking, said.sentence(), stopped, kept)


def _cores_and_memory() -> tuple[int, float]:
    """Return how many cores this process may use, and the bytes of memory that are free."""
    import joblib
    import psutil

    return joblib.cpu_count(), psutil.virtual_memory().available


def _at_once(reeds: int, cores: int, free: float) -> tuple[int, str]:
    """Return how many kernels may work at once: one a core, fewer where memory is short."""
    most = min(cores, len(running.notebooks()))
    room = max(1, int(free / (1e6 * KERNEL_MB + 1e3 * KERNEL_KB_A_REED * reeds)))
    return (most, "") if room >= most else (room, f" ({room} at a time: memory is short)")


def _in_lines(said: Suppliers) -> list[str]:
    return [printed_tables.plain(said), sentences.OF_THE_RECORDS, "",
            " ".join(filter(None, (first_page.best_buy(said), said.newer))), ""]  # fmt: skip


@contextmanager
def _side_by_side(
    scratch: Path, server: ForkServer, **of_a_run: Any
) -> Iterator[tuple[list[Future[Run]], Callable[[], object]]]:
    """Lend the notebooks' runs to come, and what sets one more kernel to work on them.

    When the block is left early, the kernels end.
    """
    # Imported here, where Ctrl-C ends an import: in a thread it would have to be waited for.
    import jupyter_client.manager  # noqa: F401

    running.load_jupyter()

    stop = Event()
    jobs: dict[Path, Future[Run]] = {path: Future() for path in running.notebooks()}
    begun = {name: place for place, name in enumerate(LONGEST)}
    left = iter(sorted(jobs.items(), key=lambda job: begun.get(job[0].stem, len(begun))))

    def work() -> None:
        with running.Kernel(scratch, stop, server) as kernel:
            for path, job in left:  # each next one is taken by one kernel
                try:
                    job.set_result(kernel.run(path, **of_a_run))
                except BaseException as error:  # goes to whoever asks for the result
                    job.set_exception(error)
                if stop.is_set():
                    return

    with ThreadPoolExecutor(len(jobs) or 1) as pool:
        try:
            yield [*jobs.values()], partial(pool.submit, work)
        finally:
            stop.set()
            server.end()


def _path(bench: Bench) -> Path:
    if bench.path is None:
        raise WriteError(
            "This bench has no folder, so there is no place for a report: save it first."
        )
    return bench.path


@dataclass(frozen=True)
class Asked:
    """The answers that the first page is written from."""

    suppliers: Suppliers
    price: Price
    day: Today
    lost: Losses
    season: Seasons
    sorting: PassingOver
    stopping: GivingUp
    pupils: Makers
    truth: Truth | None  # of the demo alone

    def by_question(self) -> dict[str, Answer]:
        """Return the answers that give advice, by their headings on the first page."""
        return {
            "Cane to buy": self.suppliers,
            "What to ask for a reed": self.price,
            "Where they go": self.lost,
            "Sorting": self.sorting,
            "Season": self.season,
            "Giving up": self.stopping,
            "Pupils": self.pupils,
        }


def _ask(bench: Bench, to_send: bool = False, said: Suppliers | None = None) -> Asked:
    """Ask all that the first page needs; `said` is the suppliers' answer where it is known."""
    from reedlab.decide.conditions.season_effects import seasons
    from reedlab.decide.losses_by_stage import losses
    from reedlab.decide.makers import makers
    from reedlab.decide.price import price, priced
    from reedlab.decide.stopping.after_roughing import giving_up
    from reedlab.decide.stopping.before_tying import passing_over
    from reedlab.decide.suppliers.comparison import suppliers
    from reedlab.decide.today import Today, today
    from reedlab.simulate import demo

    said = said or suppliers(bench)
    basis = said.basis
    asks = priced(bench, basis.evidence, basis.models) if basis is not None else price(bench)
    day = Today(unanswered="What is to do today stays at home.") if to_send else today(bench)
    return Asked(
        said,
        asks,
        day,
        losses(bench),
        seasons(bench),
        passing_over(bench),
        giving_up(bench),
        makers(bench),
        demo.truth_of(bench),
    )


def pages_of(
    runs: list[Run], bodies: list[str], bench: Bench, to_send: bool = False
) -> dict[str, bytes]:
    """Return the page of each notebook, given its `notebook_body`, by its file name.

    Its links go to the first page one folder up and to each other.
    """
    return {
        f"{run.name}.html": _page(
            run.title,
            body,
            bench,
            _links(runs, "../", "", to_send),
            f"{run.name}.html",
        )
        for run, body in zip(runs, bodies, strict=True)
    }


def first_of(bench: Bench, asked: Asked, folder: str, to_send: bool = False) -> bytes:
    """Return the maker's first page; the other pages are in the folder named."""
    day, lost, season, sorting = asked.day, asked.lost, asked.season, asked.sorting
    others = asked.stopping, asked.pupils
    front = first_page.first_page(
        bench, asked.suppliers, asked.price, day, lost, sorting, season, *others
    )
    lines, rest = short_lines.short_lines(day, season, sorting, *others)
    body = _template("first").render(
        bench=_name(bench),
        day=_date(bench.today),
        front=front,
        picture=first_page.bars(front.rows, front.currency, front.decimals),
        lines=lines,
        rest=rest,
        made_up=asked.truth is not None,
        ranges=first_page.RANGES,
        folder=folder,
    )
    links = _links([], "", f"{folder}/", to_send)
    return _page("Your bench", body, bench, links, publishing.INDEX, _HERS)


def today_of(bench: Bench, day: Today) -> bytes:
    """Return the page of what there is to do today."""
    body = _template("today").render(
        day=_date(bench.today),
        room=f"{day.room[:1].upper()}{day.room[1:]}",
        lines=list(day.table.itertuples()),
        notes=day.notes,
        nothing=day.unanswered,
    )
    return _page("Today", body, bench, _links([], "../", ""), TODAY, _HERS[:1])


def why_of(bench: Bench, asked: Asked, to_send: bool = False) -> bytes:
    """Return the page that says why the advice of the first page is what it is."""
    settings = bench.settings
    lines = advice.weighed(asked.by_question(), settings.wage_per_hour)
    parts = {
        "On the first page": [line for line in lines if not line.left_out],
        "Left out": [line for line in lines if line.left_out],
    }
    wage = f"{settings.wage_per_hour:g} {settings.currency}"
    body = _template("why").render(parts=parts.items(), wage=wage)
    return _page("Why this advice", body, bench, _links([], "../", "", to_send), WHY, _HERS)


def truth_of(bench: Bench, asked: Asked, made_of: Truth) -> bytes:
    """Return the page that lays the report on a made-up bench beside the truth that made it."""
    said, sorting = asked.suppliers, asked.sorting
    ranges = truth.ranges(said, asked.season, sorting, made_of)
    ranges["said"] = [
        f"{row.said:.0f} ({row.low:.0f} to {row.high:.0f})".replace("-", "−")
        for row in ranges.itertuples()
    ]
    ranges["true"] = [f"{value:.0f}".replace("-", "−") for value in ranges["true"]]
    body = _template("truth").render(
        ranges=ranges.to_dict("records"),
        claims=truth.claims(said, sorting, made_of).to_dict("records"),
    )
    return _page("What is true", named_tables(body), bench, _links([], "../", ""), TRUTH)


def answers_of(runs: list[Run], bench: Bench, to_send: bool = False) -> bytes:
    """Return the page with every answer of the notebooks, its picture and its figures."""
    answers = [_answer(run) for run in runs]
    body = _template("answers").render(
        held=sentences.findings_count(bench),
        answers=[answer for answer in answers if answer["decision"]],
        others=[answer for answer in answers if not answer["decision"]],
    )
    links = _links(runs, "../", "", to_send)
    return _page("What these records say", body, bench, links, ANSWERS)


def _date(day: dt.date) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}"


def _links(runs: list[Run], up: str, down: str, to_send: bool = False) -> list[dict[str, str]]:
    """Return what the menu of a page links to, from where the page is."""
    first = {"file": f"{up}{publishing.INDEX}", "title": "First page"}
    more = [{"file": f"{down}{TODAY}", "title": "Today"},
            {"file": f"{down}{ANSWERS}", "title": "For a researcher"}]  # fmt: skip
    more = more[to_send:]  # what is to do today stays at home
    return [first, *more, *({"file": f"{down}{run.name}.html", "title": run.short} for run in runs)]


def _page(
    title: str,
    body: str,
    bench: Bench,
    links: list[dict[str, str]],
    current: str,
    cautions: tuple[str, ...] = sentences.CAUTIONS,
) -> bytes:
    page = _template("page").render(
        title=title,
        body=body,
        bench=_name(bench),
        pages=links,
        current=current,
        cautions=cautions,
        style=(SHELL / "style.css").read_text("utf-8"),
        printed=_in_css(f"{_name(bench)} · {_date(bench.today)}"),
    )
    return str(page).encode(errors="replace")


def _in_css(text: str) -> str:
    """Write a text as the inside of a CSS string, every unusual letter by its number."""
    usual = {" ", "·"}
    return "".join(c if c.isalnum() or c in usual else f"\\{ord(c):06x}" for c in text)


def _name(bench: Bench) -> str:
    """Return the name of the bench's folder as text, though it may be bytes that are none."""
    return os.fsencode(_path(bench).resolve().name).decode(errors="replace")


def _answer(run: Run) -> dict[str, Any]:
    """Return what the index shows of a notebook: its title, answer, picture and statistics."""
    return {
        "name": run.name,
        "title": run.title,
        "decision": bool(run.tagged("decision")),
        "stopped": _stopped(run),
        **{part: _html(run.tagged(part), code=False) for part in PARTS},
    }


def _stopped(run: Run) -> str | None:
    """Say on the index why a notebook stopped: before its answer, or after it."""
    if not run.stopped:
        return None
    if run.broken or any(cell.get("outputs") for cell in run.tagged("answer")):
        return f"The page behind this stops early: {run.why}"
    return f"No answer from these records: {run.why}"


def notebook_body(run: Run) -> str:
    """Return a notebook as HTML for a page: outputs open, code folded away, all of it sanitised.

    The answer is open, and each further question is folded under its heading. A step that shows
    nothing is folded into the next one's code. Where the notebook stopped early, it ends with the
    reason.
    """
    (_, first), *parts = _parts(list(_telling(run.notebook.cells)))
    end = f'<p class="answer cannot">This page stops here: {escape(run.why)}</p>'
    return "".join(
        [
            _html(first, code=True),
            *(_folded(title, cells) for title, cells in parts),
            end if run.stopped else "",
        ]
    )


def _folded(title: str, cells: list[Any]) -> str:
    heading = f'<h2 id="{escape(re.sub(r"[^a-z]+", "-", title.lower()).strip("-"))}">'
    return (
        f'<details class="part"><summary>{heading}{escape(title)}</h2></summary>\n'
        f"{_html(cells, code=True, above=title)}\n</details>\n"
    )


def _parts(cells: list[Any]) -> list[tuple[str, list[Any]]]:
    """Split a notebook at its second-level headings; the first part has none."""
    from nbformat import NotebookNode

    parts: list[tuple[str, list[Any]]] = [("", [])]
    for cell in cells:
        if cell.cell_type != "markdown":
            parts[-1][1].append(cell)
            continue
        before, *others = re.split(r"^## ", cell.source, flags=re.MULTILINE)
        texts = [
            ("", before),
            *((title, text) for title, _, text in (o.partition("\n") for o in others)),
        ]
        for place, (title, text) in enumerate(texts):
            if title:
                parts.append((title, []))
            if text.strip():
                own = {"source": text, "id": f"{cell.get('id', '')}-{place}"}
                parts[-1][1].append(NotebookNode(cell, **own))
    return parts


def _telling(cells: list[Any]) -> Iterator[Any]:
    """Leave out the steps that show nothing; the next one that does begins with their code."""
    from nbformat import NotebookNode

    silent: list[str] = []
    for cell in cells:
        if cell.cell_type == "code" and not cell.outputs:
            silent.append(cell.source)
        elif cell.cell_type == "code" and silent:
            yield NotebookNode(cell, source="\n\n".join([*silent, cell.source]))
            silent = []
        else:
            yield cell


def _html(cells: list[Any], code: bool, above: str = "Table") -> str:
    from nbconvert.exporters import TemplateExporter
    from nbformat.v4 import new_notebook

    if not cells or not (code or any(cell.get("outputs") for cell in cells)):
        return ""
    # Not HTMLExporter's own, which reads its HTML again to add what the sanitiser takes off.
    shown, _ = TemplateExporter.from_notebook_node(_exporter(code), new_notebook(cells=cells))
    return sanitised(named_tables(shown, above) if "<table" in shown else shown)


@cache
def _exporter(code: bool) -> Any:
    from nbconvert import HTMLExporter
    from nbconvert.filters import Highlight2HTML

    return HTMLExporter(
        template_name=SHELL.name,
        extra_template_basedirs=[str(SHELL.parent)],
        exclude_input=not code,
        exclude_anchor_links=True,
        default_preprocessors=[],
        filters={"highlight_code": Highlight2HTML(pygments_lexer="python")},
    )


def sanitised(html: str) -> str:
    """Keep of a page's body only what a page needs: no script, no style, nothing fetched.

    What is left has the tags of `TAGS`, pictures inside the page, and links to other pages, to
    places in a page and to the web.

    Examples
    --------
    >>> sanitised('<b onclick="x()">a</b><img src="https://a.b/c.png"><script>d()</script>')
    '<b>a</b><img>'
    """
    import nh3

    return nh3.clean(
        html,
        tags=set(TAGS),
        attributes=ATTRIBUTES,
        attribute_filter=_addresses,
        url_schemes={"https", "http", "data"},
        link_rel=None,
    )


def _addresses(tag: str, name: str, value: str) -> str | None:
    """Keep an address only where it is a link or a picture inside the page."""
    shape = {("img", "src"): PICTURE, ("a", "href"): LINK}.get((tag, name))
    return value if shape is None or shape.fullmatch(value) else None


@cache
def _template(name: str) -> Any:
    from jinja2 import Environment, FileSystemLoader
    from markupsafe import Markup

    shell = Environment(loader=FileSystemLoader(SHELL), autoescape=True, trim_blocks=True)
    shell.filters["html"] = Markup  # for what has been through the sanitiser
    return shell.get_template(f"{name}.html.j2")
