"""The command line: ``reedlab today``, ``order``, ``report``, ``adopt``, ``check`` and the others.

Each command opens a bench, calls one function of the library, and prints the result and the next
step. Heavy libraries are imported inside the commands that need them, so that ``reedlab --help`` is
fast.

Exit codes: 0 when all is well, 1 when the records hold errors, 2 when a command could not do its
work; then one sentence on the error stream says why.
"""

from __future__ import annotations

import atexit
import datetime as dt
import gc
import os
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from reedlab.errors import PosteriorWarning, RecordError, ReedlabError, WriteError
from reedlab.paths import command as _command

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reedlab.records.adopt.adopting import Draft
    from reedlab.records.adopt.lines import Choice
    from reedlab.report.pages.writing import Report


GROUPS = {
    "Every week": ("today", "sheet", "type", "gather", "order", "check", "report", "pupil"),
    "Once": ("demo", "adopt", "new", "phone", "lab"),
    "For a researcher": ("trial", "notebooks"),
}
"""The commands as ``--help`` lists them."""


_UsageError: Any = typer.BadParameter.__base__  # typer gives it no public name


@contextmanager
def _wrong_words() -> Iterator[None]:
    """Make one sentence of a command that is typed wrongly; help that was asked for passes."""
    try:
        yield
    except _UsageError as error:
        said = error.format_message()
        command = error.ctx.command_path if error.ctx else "reedlab"
        if "\n" in said:  # the help of a command without words
            raise
        param = getattr(error, "param", None)
        if param is None:
            said = said[:1].lower() + said[1:].rstrip(".").replace(". Did", "; did")
        else:
            name = param.opts[0] if param.opts[0].startswith("-") else param.metavar
            needed = f"`{command}` needs {name}: {param.help[:1].lower()}{param.help[1:]}"
            said = f"{name}: {error.message}" if error.message else needed
        end = "" if said.endswith((".", "?")) else f"; see `{command} --help`."
        raise ReedlabError(said + end) from None


class _Commands(TyperGroup):
    """The commands; a wrong word or Ctrl-C ends any of them with a sentence, as a refusal does."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        with _wrong_words():
            return super().parse_args(ctx, args)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        for title, names in GROUPS.items():
            known = [(name, self.commands[name]) for name in names if name in self.commands]
            if known:
                with formatter.section(title):
                    formatter.write_dl([(name, c.get_short_help_str(200)) for name, c in known])

    def invoke(self, ctx: Any) -> Any:
        try:
            with _wrong_words():
                return super().invoke(ctx)
        except KeyboardInterrupt:
            if _is_terminal():
                _say("")  # below the ^C, and the question that it left
            raise ReedlabError(
                "stopped before its end; no file is half written, so run it again when you like."
            ) from None


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="What your records of reeds say: what to do today, which cane to buy, what to ask.",
    epilog="New here? Run `reedlab demo` and open the page that it names in a browser.",
)


def _version(asked: bool) -> None:
    if asked:
        import reedlab

        _say(reedlab.__version__)
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Print the version of reedlab.", is_eager=True, callback=_version
        ),
    ] = False,
) -> None:
    """Take the options that stand before any command."""


def _whole(text: str) -> int:
    """Read a whole number; another word gets a sentence that she understands."""
    try:
        return int(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a whole number: write it as 14.") from None


BenchDir = Annotated[Path, typer.Argument(metavar="DIR", help="The folder with the records.")]
Today = Annotated[
    str | None,
    typer.Option(
        metavar="DAY",
        help="The day that counts as today, such as 2026-03-05.",
        show_default=False,
    ),
]


@app.command()
def demo(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder for the demo bench.")
    ] = Path("reedlab-demo"),
    today: Today = None,
) -> None:
    """See everything on a demo bench.

    Writes the bench into a new folder and its report beside it, in a minute or two.
    The last day of its records counts as today.

    Example: reedlab demo try-it
    """
    from reedlab.records.bench import TODAY
    from reedlab.simulate.demo import LAST_DAY

    if _lay_demo(directory):
        _say(f"The demo bench is in {directory}: five suppliers and two makers, all invented.")
    else:
        _say(f"{directory} is not empty: using the bench that is already there.")
    day = today or os.environ.get(TODAY) or LAST_DAY
    _report(directory, day)
    _say(f"What there is to do: {_command('today', directory)[:-1]} --today {day}`.")
    _next(
        "open the report in a browser. Then start your own records with `reedlab new my-bench`, "
        "and write their report with `reedlab report my-bench`."
    )


@app.command()
def new(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder to write: new or empty.")
    ],
    workbook: Annotated[
        bool,
        typer.Option("--workbook", help="Write one spreadsheet workbook instead of CSV files."),
    ] = False,
) -> None:
    """Start an empty bench to fill in.

    Writes the tables with their headings, and a bench.toml that explains every setting.

    Example: reedlab new my-bench
    """
    from reedlab.records import new_bench

    new_bench(directory, workbook=workbook)
    _say(f"An empty bench is in {directory}.")
    _next(
        "fill in lots (lot and supplier are enough) and reeds (reed, lot, tied_on, and the "
        f"outcome when you know it), then run {_command('check', directory)}."
    )


@app.command()
def adopt(
    sheet: Annotated[
        Path,
        typer.Argument(
            metavar="SHEET",
            help="Your CSV file or workbook, a folder of them, or a bench made of one before.",
        ),
    ],
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="The folder to write, if not beside the sheet.",
            show_default=False,
        ),
    ] = None,
    today: Today = None,
) -> None:
    """Make a bench of a sheet that you keep already.

    Guesses what its headings and words mean, asks at most seven questions, and writes a bench.toml
    into a new folder. The sheet itself is only read. Run it again when the sheet has new words.

    Example: reedlab adopt "My reeds.xlsx" --to my-bench
    """
    from reedlab.records.adopt import adopting
    from reedlab.report.words import adoption

    draft = adopting.begin(sheet, to, today)
    for line in adoption.opening_lines(draft):
        _say(line)
    terminal = _is_terminal()
    if terminal:
        draft = _ask_about(draft, adopting.MOST_QUESTIONS)
    if draft.before and draft.text == draft.before:
        _say(f"Nothing is new: {draft.folder} stays as it is.")
    elif draft.before:
        _say(f"\nThis changes in the bench.toml of {draft.folder}:\n{draft.difference()}")
        if terminal and not typer.confirm("Write it?", default=True):
            _say(f"Nothing is written: {draft.folder} stays as it was.")
            return
    adopted = draft.write()
    for line in adoption.closing_lines(draft):
        _say(line)
    _next(
        f"run {_command('check', adopted.folder)}, and {_command('report', adopted.folder)} when "
        "you like. When your sheet has new words, run "
        f"{_command('adopt', adopted.folder)} again."
    )


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _ask_about(draft: Draft, most: int) -> Draft:
    """Ask what is open, at most so many questions; Enter leaves one for later, Ctrl-D all."""
    from reedlab.report.words import adoption

    later = set()
    for number in range(most):
        line = next((line for line in draft.questions if line.path not in later), None)
        if line is None:
            break
        _say(adoption.question_text(line, number + 1))
        answer = _answer(line.choices)
        if answer is None:
            break
        if answer == "":
            later.add(line.path)
        else:
            draft = draft.answered(line, line.choices[int(answer) - 1].value)
    return draft


def _answer(choices: Sequence[Choice]) -> str | None:
    """Read a choice, by its number or its word; "" is for later, None for the end of input."""
    words = {choice.value: str(at) for at, choice in enumerate(choices, start=1) if choice.value}
    numbers = {str(at) for at in range(1, len(choices) + 1)}
    while True:
        try:
            typed = input("  Number, or Enter for later: ").strip().casefold()
        except EOFError:
            _say("")
            return None
        typed = words.get(typed.replace(" ", "_"), typed)
        if typed in ("", *numbers):
            return typed
        _say(f"  Type a number from 1 to {len(choices)}, or nothing.")


def _asks(directory: Path, today: str | None) -> bool:
    """Say whether `reedlab adopt` would ask anything about a bench."""
    from reedlab.records.adopt import adopting
    from reedlab.records.settings import FILE, OPEN

    file = directory / FILE
    if not file.is_file() or f'= "{OPEN}"' not in file.read_text("utf-8", errors="replace"):
        return False
    try:
        return bool(adopting.begin(directory, today=today).questions)
    except ReedlabError:
        return False


@app.command()
def check(
    directory: BenchDir,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print what was found as JSON, for another program.")
    ] = False,
    mark: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.xlsx",
            help="Also write a copy as a workbook, each finding a coloured cell with a comment.",
            show_default=False,
        ),
    ] = None,
    today: Today = None,
) -> None:
    """Check the records, and say how to fix what is wrong.

    Prints errors, then warnings, table by table. Exits with 1 if there are errors. Your records
    stay as they are.

    Example: reedlab check my-bench
    """
    from reedlab.records import open_bench
    from reedlab.report.words import sentences

    bench = open_bench(directory, today)
    if mark is not None:
        from reedlab.records import mark_workbook

        mark_workbook(bench, mark)
    errors = int((bench.findings["severity"] == "error").sum())
    if as_json:
        typer.echo(sentences.findings_json(bench.findings))
    else:
        _say(sentences.findings_text(bench))
        if mark is not None:
            _say(f"\nMarked copy: {mark} (values only; formulas and drawings are not copied).")
        again = f"run {_command('check', directory)} again."
        if errors and _asks(directory, today):
            _next(f"answer what is open with {_command('adopt', directory)}, then {again}")
        elif errors:
            _next(f"fix the errors in your spreadsheet, then {again}")
        elif bench.tables["reeds"].empty:
            _next(f"fill in lots and reeds, then {again}")
        else:
            _next(f"write the report: {_command('report', directory)}.")
    if errors:
        raise typer.Exit(1)


@app.command()
def report(
    directory: BenchDir,
    to_send: Annotated[
        bool,
        typer.Option(
            "--to-send",
            help="Write DIR/report-to-send for others to read: without today, orders, customers, "
            "notes and makers' names.",
        ),
    ] = False,
    today: Today = None,
) -> None:
    """Write the report: a first page that says what to do, and the pages behind it.

    Writes DIR/report/index.html, to open in a browser. Ctrl-C stops it and leaves the report from
    before.

    Example: reedlab report my-bench
    """
    written = _report(directory, today, to_send)
    if written.stopped:
        _next("open the report: it says what to record for the pages that are missing.")
    elif to_send:
        _next("read the report in a browser before you send its folder: suppliers are named.")
    else:
        _next(
            "open the report in a browser. It needs no network. To give it to others, run "
            f"{_command('report --to-send', directory)}."
        )


@app.command("today")
def what_today(
    directory: BenchDir,
    still_here: Annotated[
        str | None,
        typer.Option(metavar="REEDS", help="Note that these blanks still wait, such as 412,440."),
    ] = None,
    thrown_away: Annotated[
        str | None,
        typer.Option(metavar="REEDS", help="Note that these were thrown away, such as 412."),
    ] = None,
    today: Today = None,
) -> None:
    """List what there is to do today: blanks by their next step, orders, cane.

    Example: reedlab today my-bench
    """
    from reedlab.decide.today import today as ask
    from reedlab.records import open_bench
    from reedlab.records.write.waiting import note_waiting

    bench = open_bench(directory, today)
    if still_here or thrown_away:
        note_waiting(bench, _labels(still_here), _labels(thrown_away))
        bench = open_bench(directory, today)
    answer = ask(bench, seed=1)
    _say(
        "  ".join(part for part in (f"{bench.today:%A} {_date(bench.today)}", answer.room) if part)
    )
    if answer.unanswered:
        _say(answer.sentence())
    for line in (*answer.lines(), *answer.notes):
        _say(line)
    waiting = answer.table.query("group == 'WAITING'")
    if len(waiting) and _is_terminal():
        here, gone = _ask_about_waiting(waiting)
        if here or gone:
            note_waiting(bench, here, gone)
            _say(f"Noted: {len(gone)} thrown away, {len(here)} still here.")
    elif len(waiting):
        again = _command("today", directory)[:-1]
        _say(f"Answer for several at once: {again} --thrown-away 412,440`, or --still-here.")


def _ask_about_waiting(waiting: Any) -> tuple[list[str], list[str]]:
    """Ask of each line of waiting blanks; return which are still here and which thrown away."""
    noted: dict[str, list[str]] = {"h": [], "t": []}
    _say("Some only? Write their numbers behind the letter: t 412.")
    for line in waiting.itertuples():
        left, what = line.reeds.split(", "), line.what
        while left:
            try:
                typed = input(f"{what}: thrown away [t], still here [h], Enter: later: ").strip()
            except EOFError:
                _say("")
                return noted["h"], noted["t"]
            if not typed:
                break
            key, named = typed[0].casefold(), _labels(typed[1:]) or left
            if not {*named} <= {*left}:
                named = typed[1:].replace(",", " ").split()
            if key not in noted or not {*named} <= {*left}:
                _say(f"  Type t or h, alone or with some of {', '.join(left)}; or nothing.")
                continue
            noted[key] += named
            left = [label for label in left if label not in named]
            what = f"no. {', '.join(left)}"
    return noted["h"], noted["t"]


def _labels(given: str | None) -> list[str]:
    labels = (label.strip() for label in (given or "").replace(";", ",").split(","))
    return [label for label in labels if label]


@app.command()
def sheet(
    directory: BenchDir,
    lot: Annotated[
        str,
        typer.Option(
            metavar="LOT", help="Print this lot on it; else write it by hand.", show_default=False
        ),
    ] = "",
    rows: Annotated[
        int, typer.Option(metavar="N", parser=_whole, help="Make room for so many blanks, 1 to 12.")
    ] = 10,
    labels: Annotated[
        bool, typer.Option("--labels", help="Write labels for the good reeds in stock, no sheet.")
    ] = False,
    today: Today = None,
) -> None:
    """Write a numbered pencil sheet for a batch, to print and type back.

    Example: reedlab sheet my-bench --lot L21
    """
    from reedlab.records import open_bench
    from reedlab.records.store import write_text
    from reedlab.records.write.pencil_rows import FOLDER, new_sheet
    from reedlab.report.bench_sheets.pencil import labels_page, pencil_page

    bench = open_bench(directory, today)
    if labels:
        path = write_text(labels_page(bench), directory / FOLDER / "labels.html", replace=True)
        _say(f"The labels are in {path}.")
        _next("print them from a browser.")
        return
    made = new_sheet(bench, lot, rows)
    path = write_text(pencil_page(made), directory / FOLDER / f"{made.number}.html", replace=True)
    _say(f"Sheet {made.number} is in {path}.")
    _next(
        "print it from a browser, fill it in at the bench, then type it with "
        f"{_command('type', directory)[:-1]} {made.number}`."
    )


@app.command()
def phone(
    directory: BenchDir,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Write the page there, not into DIR/phone, and no folder for the web.",
            show_default=False,
        ),
    ] = None,
    today: Today = None,
) -> None:
    """Write a page for a phone, to note at the bench what is tied, roughed, finished and played.

    It works in flight mode.

    Example: reedlab phone my-bench
    """
    from reedlab.records import open_bench
    from reedlab.report.bench_sheets.phone import SITE, write_phone

    page = write_phone(open_bench(directory, today), to)
    _say(f"The page is in {page}. It holds labels of lots and blanks, no supplier, no price.")
    if to is None:
        _say(
            f"If your phone shows files only in a preview, put the folder {page.parent / SITE} on "
            "a web address of yours (https). Whoever knows the address can read those labels; "
            "entries stay on the phone."
        )
    _next(
        "send the page to your phone, save it there and open it in the browser. Take in what it "
        f"sends with {_command('gather', directory)[:-1]} FILE`."
    )


@app.command("type")
def type_sheet(
    directory: BenchDir,
    number: Annotated[
        int, typer.Argument(metavar="SHEET", parser=_whole, help="The number on the sheet.")
    ],
) -> None:
    """Type a pencil sheet: one key a cell, Enter goes to the next reed.

    Typing a sheet again does no harm: what was typed last counts.

    Example: reedlab type my-bench 14
    """
    from reedlab.records.write import pencil_rows

    kept = pencil_rows.open_sheet(directory, number)
    _say(f"Sheet {number}, {len(kept.rows)} reeds. {pencil_rows.KEYS}")
    there = {name for name in kept.rows if (kept.rows[name] != "").all()}
    batch: dict[str, str] = {}
    tied = kept.rows["tied_on"].max() if "tied_on" in there else ""
    for name, says in pencil_rows.BATCH.items():
        if name not in there:
            before = {"tied_on": tied, **batch}
            batch[name] = _typed(partial(pencil_rows.read_shared, name, before=before), says)
    typed = [_typed(pencil_rows.read_keys, reed) for reed in kept.rows["reed"]]
    count = partial(pencil_rows.read_shared, "minutes")
    minutes = {
        stage: _typed(count, f"minutes of the batch, {stage}") for stage in pencil_rows.MINUTES
    }
    saved = pencil_rows.save_typed(directory, kept, batch, typed, minutes)
    _say(f"{saved} noted in {directory / 'entries'}; your own sheet is as it was.")
    _next(f"see what is to do: {_command('today', directory)}.")


def _asked(says: str) -> str:
    """Ask for a line; an input that is closed answers nothing."""
    try:
        return input(f"{says}: ").strip()
    except EOFError:
        return ""


def _typed(read: Any, says: str) -> str:
    """Ask until what is typed can be read."""
    while True:
        keys = _asked(says)
        try:
            read(keys)
        except ReedlabError as error:
            _say(f"  {error}")
            continue
        return keys


@app.command("gather")
def gather_entries(
    directory: BenchDir,
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE", help="What the phone sent; - reads text pasted here."),
    ],
    meant: Annotated[
        bool,
        typer.Option("--meant", help="Take them though they come from another bench's page."),
    ] = False,
) -> None:
    """Take entries from a phone or another computer into the bench, each once.

    Example: reedlab gather my-bench reeds-A-2026-03-05.csv
    """
    from reedlab.records.entries import gather
    from reedlab.records.read.encodings import decode

    for path in files:
        if str(path) != "-" and (path.is_dir() or not path.exists()):
            raise RecordError(f"{path} is no file: give the file that the phone sent.")
        text = sys.stdin.read() if str(path) == "-" else decode(path.read_bytes())[0]
        name = "the pasted text" if str(path) == "-" else str(path)
        came = gather(directory, text, name, meant=meant)
        _say(f"{path}: {came.added} new entries, {came.known} that were there already.")
        if came.differing:
            _say(
                f"  {', '.join(came.differing)} came again with other values and are not taken: "
                "correct them on the device, which makes a new entry."
            )
    _next(f"see what is to do: {_command('today', directory)}.")


@app.command("order")
def plan_orders(
    directory: BenchDir,
    reeds: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            parser=_whole,
            help="Ask about one more order of so many reeds.",
            show_default=False,
        ),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(
            metavar="DAY",
            help="With the customer on this day, such as 2026-12-15.",
            show_default=False,
        ),
    ] = None,
    strength: Annotated[
        str,
        typer.Option(
            metavar="WORD", help="Of this strength, such as medium_soft.", show_default=False
        ),
    ] = "",
    today: Today = None,
) -> None:
    """Plan the open orders: how many blanks to tie of which lot by when.

    Example: reedlab order my-bench --reeds 20 --by 2026-12-15
    """
    from reedlab.decide.orders.planning import order
    from reedlab.records import open_bench

    answer = order(open_bench(directory, today), reeds, by, strength=strength)
    said = answer.sentence()
    _say(said)
    for line in (*answer.lines(), *answer.notes):
        if line not in said:
            _say(line)
    hours = [f"{_date(row.week)} {row.hours:.0f}" for row in answer.weeks.itertuples()]
    if hours:
        _say(f"Hours of scraping by week: {', '.join(hours)}.")


@app.command("pupil")
def hand_to_pupil(
    directory: BenchDir,
    maker: Annotated[str, typer.Argument(metavar="MAKER", help="Her name, as in your records.")],
    today: Today = None,
) -> None:
    """Write a page to hand to a pupil: her reeds, where they went wrong, what to practise.

    It names no other maker, no lot and no price.

    Example: reedlab pupil my-bench MR
    """
    from reedlab.decide.pupil import pupil
    from reedlab.records import open_bench
    from reedlab.report.bench_sheets.pupil_page import write_pupil_page

    answer = pupil(open_bench(directory, today), maker, seed=1)
    path = write_pupil_page(answer, directory)
    _say(answer.sentence())
    for line in answer.has_become_better():
        _say(line)
    _say(f"The page is in {path}.")
    _next("read it in a browser, then print it or send the file.")


trials = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Compare two settings on blanks of one lot: the only way to know what a setting does.",
)
app.add_typer(trials, name="trial")


@trials.command("plan")
def plan_trial(
    directory: Annotated[
        Path, typer.Argument(metavar="TRIAL", help="The folder to write. It must not exist yet.")
    ],
    lot: Annotated[str, typer.Option(metavar="LOT", help="The lot that all blanks come from.")],
    settings: Annotated[
        tuple[str, str],
        typer.Option(
            "--compare",
            metavar="ONE OTHER",
            help="The two settings, in your words.",
            show_default=False,
        ),
    ],
    blanks: Annotated[
        int, typer.Option(metavar="N", help="Number of blanks: even, at least 10.")
    ] = 20,
    seed: Annotated[int, typer.Option(metavar="N", help="Seed of the random order.")] = 1,
    usual: Annotated[
        float | None,
        typer.Option(
            metavar="SHARE", help="How many blanks turn out good today, 0 to 1; else 0.6."
        ),
    ] = None,
    matters: Annotated[
        float,
        typer.Option(metavar="SHARE", help="Difference of that share that would matter, 0 to 1."),
    ] = 0.2,
    bench: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Take that share from these records."),
    ] = None,
    today: Today = None,
) -> None:
    """Draw the order and write the sheets.

    The judge's sheet does not name the settings.

    Example: reedlab trial plan my-trial --lot L21 --compare thin thick
    """
    from reedlab.decide import trial
    from reedlab.records import open_bench

    planned = trial.plan(
        lot,
        settings,
        directory,
        blanks=blanks,
        usual_success=usual,
        success_difference=matters,
        bench=open_bench(bench, today) if bench else None,
        seed=seed,
    )
    _say(f"The sheets of the trial are in {directory}. Reed knives are sharp: guard your finger.")
    for line in (*planned.notes, planned.sentence()):
        _say(line)
    _next(
        "work through bench.csv, have someone else tie on the numbers of key/key.csv, and give the "
        f"judge only judge.csv and the reeds. Then run {_command('trial read', directory)}."
    )


@trials.command("read")
def read_trials(
    directories: Annotated[
        list[Path],
        typer.Argument(metavar="TRIAL", help="One trial, or several of the same settings."),
    ],
    bench: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Your records: their bench.toml says which outcomes are good."
        ),
    ] = None,
) -> None:
    """Say what the sheets show so far.

    Example: reedlab trial read my-trial
    """
    from reedlab.decide import trial
    from reedlab.records import open_bench
    from reedlab.report.words.numbers import written

    answer = trial.read(*directories, bench=open_bench(bench) if bench else None)
    _say(answer.sentence())
    _say(f"\n{written(answer.table).to_string(index=False)}")


@app.command("lab")
def open_lab(
    directory: Annotated[
        Path | None,
        typer.Argument(
            metavar="DIR", help="The folder with the records, or none yet.", show_default=False
        ),
    ] = None,
) -> None:
    """Work with buttons in a browser instead of the terminal.

    Opens JupyterLab on this computer alone; Ctrl-C ends it.

    Example: reedlab lab my-bench
    """
    import webbrowser

    from reedlab.lab.serving import serve

    if directory is not None and not directory.exists():
        raise ReedlabError(f"{directory} does not exist: give the folder that holds your records.")

    def ready(address: str) -> None:
        _say(f"reedlab is at {address}\nLeave this window open; Ctrl-C in it ends reedlab.")
        webbrowser.open(address)

    serve(directory, ready)


@app.command("notebooks")
def lay_notebooks(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder for the notebooks: new, or yours.")
    ],
) -> None:
    """Copy the notebooks into a folder, to read, run and change them.

    A file that is there already stays as it is.

    Example: reedlab notebooks my-notebooks
    """
    from reedlab.paths import shipped
    from reedlab.records.store import beside

    if directory.exists() and not directory.is_dir():
        raise WriteError(f"{directory} is a file: give a folder, as in `reedlab notebooks mine`.")
    came = 0
    for path in sorted(shipped("notebooks").glob("*.ipynb")):
        copy = directory / path.name
        if os.path.lexists(copy):
            _say(f"{copy} is there already and stays as it is.")
            continue
        with beside(copy) as fresh:
            fresh.write_bytes(path.read_bytes())
        came += 1
    _say(f"Notebooks copied to {directory}: {came}.")
    _next(
        f"open them with {_command('lab', directory, 'jupyter')}. Each names its bench in one "
        'cell: bench_dir = "" is the demo.'
    )


def _lay_demo(directory: Path) -> bool:
    """Copy the demo bench into a new or empty folder; leave any other as it is, return False."""
    import shutil

    from reedlab.paths import shipped
    from reedlab.records.store import beside

    if directory.exists() and not directory.is_dir():
        raise WriteError(f"{directory} is a file: give a folder, as in `reedlab demo try-it`.")
    if directory.is_dir():
        if any(directory.iterdir()):
            return False
        directory.rmdir()
    with beside(directory) as fresh:
        shutil.copytree(shipped("data") / "demo", fresh)
    return True


def _report(directory: Path, today: str | None, to_send: bool = False) -> Report:
    """Check, fit, run the notebooks and write the pages, with a progress bar."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from reedlab.records import open_bench
    from reedlab.records.bench import TODAY
    from reedlab.report.pages import writing
    from reedlab.report.words import sentences

    bench = open_bench(directory, today)
    os.environ[TODAY] = f"{bench.today}"  # the notebooks' kernels open the bench on the same day
    _say(sentences.findings_count(bench))
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(complete_style="yellow", finished_style="green"),
        MofNCompleteColumn(),
    )
    with Progress(*columns, console=Console(highlight=False), transient=True) as bar:
        task = bar.add_task("Reading", total=None)

        def step(name: str, done: int, total: int) -> None:
            bar.update(task, description=f"{name:<34}", completed=done, total=total)

        def answered(lines: list[str]) -> None:
            bar.console.out(_harmless("\n".join(["", *lines])), highlight=False)

        written = writing.write_report(bench, step, answered, to_send=to_send)
    for line in written.closing_lines():
        _say(line)
    if broken := [run.name for run in written.stopped if run.broken]:
        sys.exit(_fail(f"{', '.join(broken)}: not stopped by your records; the reason is above."))
    return written


def _date(day: dt.date) -> str:
    return f"{day.day} {day:%B %Y}"


def _say(text: str) -> None:
    typer.echo(_harmless(text))


def _next(text: str) -> None:
    _say(f"\nNext: {text}")


def _plain_warnings() -> Callable[..., str]:
    """Give what writes warnings: without a file, and a posterior's failed checks as one hint."""
    hinted = False

    def written(message: Warning | str, category: type[Warning], *_: Any, **__: Any) -> str:
        nonlocal hinted
        if not issubclass(category, PosteriorWarning):
            return f"reedlab: {message}\n"
        from reedlab.report.words.sentences import ROUGH

        again, hinted = hinted, True
        return "" if again else f"reedlab: {ROUGH}\n"

    return written


def _fail(sentence: str) -> int:
    typer.echo(f"reedlab: {_harmless(' '.join(sentence.split()))}", err=True)
    return 2


def _harmless(text: str) -> str:
    """Replace control characters, so that text from a file cannot control the terminal."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)


def main(arguments: list[str] | None = None) -> Any:
    """Run a command; on an error print one sentence and exit with 2.

    Parameters
    ----------
    arguments : list of str, optional
        The words after ``reedlab``; those of the running process when not given.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # else an accent can break a Windows pipe
            stream.reconfigure(errors="replace")
    warnings.formatwarning = _plain_warnings()
    atexit.register(gc.freeze)  # looking for garbage on the way out takes a second or more
    try:
        app(arguments, prog_name="reedlab")
    except ReedlabError as error:
        sys.exit(_fail(str(error)))
    except OSError as error:
        sys.exit(_fail(f"{error.filename or 'a file'}: {error.strerror or error}."))
    except Exception as error:
        if sys.flags.dev_mode:  # python -X dev -m reedlab.cli shows the traceback
            raise
        what = f"{type(error).__name__}: {error}"
        sys.exit(_fail(f"a fault of reedlab's own, not of your records ({what})."))


if __name__ == "__main__":
    main()
