"""The forms of the start notebook: each button asks the library and shows what it says."""

from __future__ import annotations

import os
import webbrowser
from collections.abc import Callable, Iterable
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w
import pandas as pd

import reedlab as rl
from reedlab.errors import ReedlabError
from reedlab.records import entries
from reedlab.records.adopt import adopting
from reedlab.records.adopt.lines import Line
from reedlab.records.bench import TODAY
from reedlab.records.read.encodings import decode
from reedlab.records.settings import FILE
from reedlab.records.store import beside, write_text
from reedlab.records.write import pencil_rows
from reedlab.records.write.waiting import note_waiting
from reedlab.report.words import adoption, sentences

SHEETS_HERE = Path.home() / "reedlab"
"""Where an uploaded sheet is put, and its bench beside it."""
_WIDE = w.Layout(width="40rem")
_SAME = "initial"


def desk(bench_dir: str = "") -> w.Widget:
    """Return the forms, with a bench opened if one is given, else with the question for one."""
    return Desk(bench_dir).page


class Desk:
    """The forms and what they are about: one bench, or none yet.

    Parameters
    ----------
    bench_dir : str
        A bench's folder, or ``""``.
    """

    def __init__(self, bench_dir: str = "") -> None:
        self.place = Path()
        self.view = w.VBox()
        self.title = w.HTML("<h1>reedlab</h1>")
        self.tasks = w.Box(layout=w.Layout(flex_flow="row wrap", display="none"))
        self.tasks.children = [
            _button(name, partial(self.show, make)) for name, make in self._made().items()
        ]
        self.page = w.VBox([self.title, self.tasks, self.view]).add_class("reedlab")
        self.show(partial(self.chosen, Path(bench_dir)) if bench_dir else self.choosing)

    def _made(self) -> dict[str, Callable[[], Iterable[w.Widget]]]:
        """Name the buttons, those of every week first."""
        return {
            "Today": self.today, "Type a sheet": self.type, "Phone entries": self.gather,
            "Orders": self.orders, "Report": self.report, "Check": self.check,
            "Pencil sheet": self.sheet, "Phone page": self.phone, "Pupil's page": self.pupil,
            "Starter": self.starter, "Another bench": self.choosing,
        }  # fmt: skip

    def show(self, make: Callable[[], Iterable[w.Widget]]) -> None:
        """Show what a form makes, or one sentence on why it cannot."""
        self.view.children = [_said("Working …")]
        try:
            self.view.children = [*make()]
        except ReedlabError as error:
            self.view.children = [_said(str(error))]
        except OSError as error:
            self.view.children = [
                _said(f"{error.filename or 'A file'}: {error.strerror or error}.")
            ]
        except Exception as error:
            what = f"{type(error).__name__}: {error}"
            self.view.children = [_said(f"A fault of reedlab's own, not of your records ({what}).")]

    @property
    def bench(self) -> Any:
        """The records, read again, since her sheet may have changed."""
        return rl.open_bench(self.place)

    # The bench: opened, or made of a sheet.

    def choosing(self) -> list[w.Widget]:
        """Ask for a bench, or for a sheet to make one of."""
        path = w.Text(description="A sheet, or a folder with records", style=_label(), layout=_WIDE)
        upload = w.FileUpload(accept=".csv,.tsv,.txt,.xlsx,.ods,.xls", description="Choose a sheet")

        def uploaded(_: Any) -> None:
            if upload.value:
                self.show(lambda: self.chosen(_kept(upload.value[0])))

        upload.observe(uploaded, "value")
        go = _button("Open", lambda: self.show(lambda: self.chosen(Path(path.value.strip()))))
        return [
            _said("Choose your own sheet, as it is, or write where your records are."),
            _row(upload, _button("See the demo", lambda: self.show(self.demo))),
            _row(path, go),
        ]

    def demo(self) -> list[w.Widget]:
        """Open a copy of the demo bench."""
        import shutil

        from reedlab.paths import shipped

        folder = SHEETS_HERE / "demo"
        if not folder.exists():
            with beside(folder) as fresh:
                shutil.copytree(shipped("data") / "demo", fresh)
        return self.opened(folder)

    def chosen(self, path: Path) -> list[w.Widget]:
        """Open a bench; of anything else ask what it means, to make a bench of it."""
        if path == Path():
            return [_said("Write the path of a sheet or of a folder with records, or upload one.")]
        is_bench = any((path / name).exists() for name in (FILE, "reeds.csv", "records.xlsx"))
        if is_bench or path.name == "records.xlsx" or not path.exists():
            return self.opened(path)
        return self._asking(adopting.begin(path))

    def _asking(self, draft: adopting.Draft) -> list[w.Widget]:
        """Ask what is open in a sheet, each question a form."""
        asked = [_choice(line) for line in draft.questions[: adopting.MOST_QUESTIONS]]
        said = [_said(line) for line in adoption.opening_lines(draft)]

        def write() -> list[w.Widget]:
            answered = draft
            for line, choice in zip(draft.questions, asked):
                if choice.value is not None:
                    answered = answered.answered(line, choice.value)
            if answered.text == draft.text or len(answered.questions) == 0:
                adopted = answered.write()
                lines = [_said(line.strip()) for line in adoption.closing_lines(answered)]
                return [*lines, *self.opened(adopted.folder)]
            return self._asking(answered)  # an answer may bring the next question

        go = _button("Make my bench of it", lambda: self.show(write))
        note = _said("Your sheet is only read. What you leave open can be answered later.")
        return [*said, *asked, go, note]

    def opened(self, folder: Path) -> list[w.Widget]:
        """Open a bench and say what it holds."""
        bench = rl.open_bench(folder)
        self.place = folder
        self.title.value = f"<h1>{escape(folder.resolve().name)}</h1>"
        self.tasks.layout.display = "flex"
        return [_said(line) for line in sentences.findings_count(bench).splitlines() if line]

    # Every week.

    def today(self) -> list[w.Widget]:
        """Show what there is to do, and ask about blanks that wait."""
        bench = self.bench
        answer = rl.today(bench)
        head = f"{bench.today:%A} {bench.today.day} {bench.today:%B %Y}"
        shown = [_heading(" · ".join(filter(None, (head, answer.room))))]
        if answer.unanswered:
            return [*shown, _said(answer.sentence())]
        shown += [_table(answer.table.drop(columns="reeds")), *map(_said, answer.notes)]
        waiting = answer.table.query("group == 'WAITING'")["reeds"].str.split(", ").explode()
        return [*shown, *self._waiting(list(waiting))]

    def _waiting(self, labels: list[str]) -> list[w.Widget]:
        if not labels:
            return []
        picked = w.SelectMultiple(
            options=labels, rows=min(8, len(labels)), style=_label(),
            description="What became of those that wait?",
        ).add_class("reedlab-asked")  # fmt: skip

        def note(here: bool) -> list[w.Widget]:
            chosen = list(picked.value)
            note_waiting(self.bench, chosen if here else [], [] if here else chosen)
            return [_said(f"Noted: {len(chosen)}."), *self.today()]

        buttons = [
            _button("Thrown away", lambda: self.show(lambda: note(False))),
            _button("Still here", lambda: self.show(lambda: note(True))),
        ]
        return [picked, _row(*buttons)]

    def orders(self) -> list[w.Widget]:
        """Show the plan for the open orders, and ask about one more."""
        reeds = w.BoundedIntText(value=0, min=0, max=1000, description="Reeds", style=_label())
        by = w.DatePicker(description="With the customer by", style=_label())
        strength = w.Dropdown(
            options=[("any", ""), *((s.replace("_", " "), s) for s in pencil_rows.STRENGTHS)],
            description="Strength", style=_label(),
        )  # fmt: skip

        def what_if() -> list[w.Widget]:
            asked = rl.order(
                self.bench, reeds.value or None, f"{by.value}" if by.value else None,
                strength=strength.value,
            )  # fmt: skip
            return [*_plan(asked), *form]

        go = _button("What if?", lambda: self.show(what_if))
        form = [_heading("One more order?"), reeds, by, strength, go]
        return [*_plan(rl.order(self.bench)), *form]

    def type(self) -> list[w.Widget]:
        """Ask which pencil sheet to type, and then for its cells."""
        numbers = [int(path.stem) for path in pencil_rows.sheets_of(self.place)]
        if not numbers:
            return [_said("There is no pencil sheet yet: write one with the button for it.")]
        which = w.Dropdown(options=numbers, value=numbers[-1], description="Sheet", style=_label())
        go = _button("Type it", lambda: self.show(lambda: self._typing(which.value)))
        return [which, go]

    def _typing(self, number: int) -> list[w.Widget]:
        kept = pencil_rows.open_sheet(self.place, number)
        there = {name for name in kept.rows if (kept.rows[name] != "").all()}
        # A cell is sent when it is left, not by letter: letters still waiting would miss a Save.
        cell = partial(w.Text, style=_label(), continuous_update=False)
        batch = {
            name: cell(description=says, layout=_WIDE)
            for name, says in pencil_rows.BATCH.items() if name not in there
        }  # fmt: skip
        keys = [cell(description=reed) for reed in kept.rows["reed"]]
        minutes = {stage: cell(description=f"minutes, {stage}") for stage in pencil_rows.MINUTES}

        def save() -> None:
            try:
                said = pencil_rows.save_typed(
                    self.place, kept, {name: field.value.strip() for name, field in batch.items()},
                    [field.value for field in keys],
                    {stage: field.value.strip() for stage, field in minutes.items()},
                )  # fmt: skip
                said = f"{said} noted; your own sheet is as it was."
            except ReedlabError as error:  # what is typed stays there
                said = str(error)
            note.value = _paragraph(said)

        note = w.HTML()
        cells = w.VBox([*batch.values(), *keys, *minutes.values()]).add_class("reedlab-keys")
        go = _button("Save", save)
        return [_heading(f"Sheet {number}"), _said(pencil_rows.KEYS), cells, go, note]

    def gather(self) -> list[w.Widget]:
        """Take exports of a phone, as files or as pasted text."""
        upload = w.FileUpload(accept=".csv,.txt", multiple=True, description="What the phone sent")
        pasted = w.Textarea(
            description="or paste their text here", rows=6, style=_label(), layout=_WIDE
        ).add_class("reedlab-asked")
        meant = w.Checkbox(
            description="they are meant for this bench, even if they come from another's page",
            indent=False, layout=_WIDE,
        )  # fmt: skip

        def take() -> list[w.Widget]:
            given = [(f.name, decode(bytes(f.content))[0]) for f in upload.value]
            given += [("the pasted text", pasted.value)] if pasted.value.strip() else []
            said = []
            for name, text in given:
                came = entries.gather(self.place, text, name, meant=meant.value)
                differing = f" Not taken: {', '.join(came.differing)}." * bool(came.differing)
                said.append(f"{name}: {came.added} new entries, {came.known} known.{differing}")
            return [_said(line) for line in said or ["Choose a file or paste its text first."]]

        return [upload, pasted, meant, _button("Take them", lambda: self.show(take))]

    def report(self) -> list[w.Widget]:
        """Write the report, step by step."""
        send = w.Checkbox(
            description="to send: without today, orders, customers and makers' names",
            indent=False, layout=_WIDE,
        )  # fmt: skip
        return [send, _button("Write it", lambda: self.show(lambda: self._reporting(send.value)))]

    def _reporting(self, to_send: bool) -> list[w.Widget]:
        from reedlab.report.pages import writing

        bench = self.bench
        os.environ[TODAY] = f"{bench.today}"  # for the notebooks' kernels
        bar, what = w.IntProgress(layout=_WIDE), w.HTML()
        self.view.children = [what, bar, _said("This can take some minutes.")]

        def step(name: str, done: int, total: int) -> None:
            said = _paragraph(f"{name}: {done} of {total} done")
            what.value, bar.max, bar.value = said, total, done

        written = writing.write_report(bench, step, lambda _: None, to_send=to_send)
        missing = written.closing_lines()[:-1]  # the last says where it is, as the button does
        return [*_opening(written.index), *map(_said, missing)]

    # Once, or now and then.

    def check(self) -> list[w.Widget]:
        """Show the findings."""
        bench = self.bench
        return [w.HTML(f"<pre>{escape(sentences.findings_text(bench))}</pre>")]

    def sheet(self) -> list[w.Widget]:
        """Write a pencil sheet or labels, to print from a browser."""
        from reedlab.report.bench_sheets.pencil import labels_page, pencil_page

        lots = self.bench.tables["lots"]["lot"].dropna().astype(str).tolist()
        lot = w.Dropdown(options=[("by hand", ""), *((name, name) for name in lots)],
                         description="Lot", style=_label())  # fmt: skip
        rows = w.BoundedIntText(value=pencil_rows.ROWS, min=1, max=12, description="Blanks",
                                style=_label())  # fmt: skip

        def write() -> list[w.Widget]:
            made = pencil_rows.new_sheet(self.bench, lot.value, rows.value)
            return self._written(f"{made.number}.html", pencil_page(made))

        def labels() -> list[w.Widget]:
            return self._written("labels.html", labels_page(self.bench))

        go = _button("Write a sheet", lambda: self.show(write))
        return [lot, rows, _row(go, _button("Write labels", lambda: self.show(labels)))]

    def _written(self, name: str, page: str) -> list[w.Widget]:
        return _opening(write_text(page, self.place / pencil_rows.FOLDER / name, replace=True))

    def phone(self) -> list[w.Widget]:
        """Write the page for the phone."""
        from reedlab.report.bench_sheets.phone import write_phone

        return _opening(write_phone(self.bench))

    def pupil(self) -> list[w.Widget]:
        """Write a page to hand to a pupil."""
        from reedlab.report.bench_sheets.pupil_page import write_pupil_page

        makers = sorted(self.bench.reeds["maker"].dropna().astype(str).unique())
        who = w.Dropdown(options=makers, description="Whose reeds?", style=_label())

        def write() -> list[w.Widget]:
            answer = rl.pupil(self.bench, who.value)
            said = [answer.sentence(), *answer.has_become_better()]
            return [*map(_said, said), *_opening(write_pupil_page(answer, self.place))]

        return [who, _button("Write the page", lambda: self.show(write))]

    def starter(self) -> list[w.Widget]:
        """Write a file to double-click."""
        from reedlab.lab.starter import write_starter

        path = write_starter(self.place)
        return [_said(f"Double-click {path} to come here again. You may move it to your desktop.")]


def _kept(upload: Any) -> Path:
    """Keep an uploaded sheet; one of that name with other content stays as it is."""
    name, content = Path(upload.name).name, bytes(upload.content)
    path, number = SHEETS_HERE / name, 2
    while path.exists() and path.read_bytes() != content:
        path, number = SHEETS_HERE / f"{Path(name).stem}-{number}{Path(name).suffix}", number + 1
    if not path.exists():
        with beside(path) as fresh:
            fresh.write_bytes(content)
    return path


def _choice(line: Line) -> w.Dropdown:
    options = [("later", None), *((choice.text, choice.value) for choice in line.choices)]
    asked = w.Dropdown(description=line.question, options=options, style=_label(), layout=_WIDE)
    return asked.add_class("reedlab-asked")


def _plan(answer: Any) -> list[w.Widget]:
    return [_said(answer.sentence()), *map(_said, (*answer.lines(), *answer.notes))]


def _opening(path: Path) -> list[w.Widget]:
    """Say where a page is, with a button that opens it in the browser."""
    said = w.HTML(_paragraph(f"Written: {path}"))

    def open_it() -> None:
        if not webbrowser.open(path.resolve().as_uri()):
            said.value = _paragraph(f"Open this file in your browser: {path}")

    return [said, _button("Open the page", open_it)]


def _button(name: str, act: Callable[[], object]) -> w.Button:
    button = w.Button(description=name)
    button.on_click(lambda _: act())
    return button


def _row(*parts: w.Widget) -> w.Box:
    """Put parts beside each other, below each other on a narrow screen."""
    return w.Box(parts, layout=w.Layout(flex_flow="row wrap"))


def _label() -> dict[str, str]:
    return {"description_width": _SAME}


def _heading(text: str) -> w.HTML:
    return w.HTML(f"<h2>{escape(text)}</h2>")


def _paragraph(text: str) -> str:
    return f"<p>{escape(text)}</p>"


def _said(text: str) -> w.HTML:
    return w.HTML(_paragraph(text))


def _table(frame: pd.DataFrame) -> w.HTML:
    return w.HTML(frame.to_html(index=False, header=False, border=0, escape=True))
