"""The command line: ``reedlab demo``, ``new``, ``check``, ``report`` and ``trial``.

The commands are thin: each opens a bench, calls one function of the library, and says what came
out and what to do next. Everything heavy is imported inside the command that needs it, so that
``reedlab --help`` answers at once.

Exit codes: 0 when all is well, 1 when the records hold errors, 2 when reedlab could not do what
was asked; then one sentence on the error stream says why.
"""

from __future__ import annotations

import atexit
import gc
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from reedlab.errors import ReedlabError, WriteError

if TYPE_CHECKING:
    from reedlab.report.pages.writing import Report


class _Commands(TyperGroup):
    """The commands; Ctrl-C ends any of them with a sentence, as a refusal does."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise ReedlabError(
                "stopped before its end; no file is half written, so run it again when you like."
            ) from None


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a reed maker's bench records to decisions about cane, with honest intervals.",
    epilog="New here? Run 'reedlab demo' and open the page it names in a browser.",
)

BenchDir = Annotated[Path, typer.Argument(metavar="DIR", help="The folder with the records.")]


@app.command()
def demo(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="Where the made-up bench lies or shall lie.")
    ] = Path("reedlab-demo"),
) -> None:
    """See the whole of it on a made-up bench.

    Checks its records, fits the models, runs the notebooks and writes the report.
    """
    if _lay_demo(directory):
        _say(f"A made-up bench now lies in {directory}: five suppliers, two makers, no real names.")
    else:
        _say(f"{directory} is not empty: the bench that lies there is taken up.")
    _report(directory)
    _next(
        "open the report in a browser; then 'reedlab new my-bench' starts your own records, and "
        "'reedlab report my-bench' does for them what you have just seen."
    )


@app.command()
def new(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder to write; new or empty.")
    ],
    workbook: Annotated[
        bool, typer.Option("--workbook", help="One spreadsheet workbook instead of CSV files.")
    ] = False,
) -> None:
    """Start an empty bench to fill in.

    Its tables with their headings, and a bench.toml that explains every setting.
    """
    from reedlab.records import new_bench

    new_bench(directory, workbook=workbook)
    _say(f"An empty bench lies in {directory}.")
    _next(
        "fill in 'lots' (lot and supplier are enough) and 'reeds' (reed, lot, maker, tied_on and, "
        f"once it is known, outcome), then run {_command('check', directory)}."
    )


@app.command()
def check(
    directory: BenchDir,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the findings as JSON, for another program.")
    ] = False,
    mark: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.xlsx",
            help="Also write a new workbook with the doubtful cells coloured and commented.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Name what looks wrong in the records.

    Errors first, then warnings, table by table; exits with 1 when there are errors.
    """
    from reedlab.records import open_bench
    from reedlab.report.words import sentences

    bench = open_bench(directory)
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
        if errors:
            _next(f"mend the errors in your spreadsheet and {again}")
        elif bench.tables["reeds"].empty:
            _next(f"fill in 'lots' and 'reeds' and {again}")
        else:
            _next(f"{_command('report', directory)} answers what these records can tell.")
    if errors:
        raise typer.Exit(1)


@app.command()
def report(directory: BenchDir) -> None:
    """Write the report on these records.

    Runs the notebooks on them and writes DIR/report/index.html, with a page a notebook. Ctrl-C
    ends it, and leaves the report of before.
    """
    written = _report(directory)
    if written.stopped:
        _next("open the report: it says what to write down so that those pages can be had too.")
    else:
        _next("open the report in a browser; it needs no network and can be sent as it is.")


trials = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Compare two settings on blanks of one lot: the only way to know what a setting does.",
)
app.add_typer(trials, name="trial")


@trials.command("plan")
def plan_trial(
    directory: Annotated[
        Path, typer.Argument(metavar="TRIAL", help="The folder to write; must not exist yet.")
    ],
    lot: Annotated[str, typer.Option(help="The one lot that every blank comes from.")],
    settings: Annotated[
        tuple[str, str],
        typer.Option("--compare", help="The two settings, in your words.", show_default=False),
    ],
    blanks: Annotated[int, typer.Option(help="How many blanks: even, ten or more.")] = 20,
    seed: Annotated[int, typer.Option(help="What the random order is drawn from.")] = 1,
    usual: Annotated[
        float | None,
        typer.Option(help="Share of blanks that turn out good today, 0 to 1; 0.6 if not told."),
    ] = None,
    matters: Annotated[
        float, typer.Option(help="Difference of that share that would matter, 0 to 1.")
    ] = 0.2,
    bench: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Your records, to read from them what is usual."),
    ] = None,
) -> None:
    """Draw the order and write the sheets, the judge's without a word of the setting."""
    from dataclasses import replace

    from reedlab.decide import trial
    from reedlab.records import open_bench

    plan = trial.Plan(lot, settings, blanks, seed, 0.6 if usual is None else usual, matters)
    records = open_bench(bench) if bench else None
    told = trial.usual(records, lot) if records else None
    if told:
        plan = replace(
            plan,
            usual_success=told.success if usual is None else usual,
            log_minutes_sd=told.log_minutes_sd or plan.log_minutes_sd,
        )
    needed = trial.number_needed(plan)
    trial.write_trial(plan, directory)
    _say(f"The sheets of a trial lie in {directory}. Reed knives are sharp: guard your finger.")
    if records and lot not in set(records.tables["lots"]["lot"]):
        _say(f"No lot of your records is called {lot}, so all of them speak for it.")
    if told:
        _say(
            f"By your records {told.success:.0%} of the blanks of a lot of {told.of} turn out good "
            f"(90% interval {told.low:.0%} to {told.high:.0%}: lots differ)."
        )
    tells = needed.loc["success", "tells"]
    these = (
        "would not surely tell it even if every blank of one setting were good"
        if math.isnan(tells)
        else f"tell one of {100 * tells:.0f} points or more"
    )
    _say(
        f"A difference of {100 * min(matters, 1 - plan.usual_success):.0f} points in good reeds "
        f"takes about {needed.loc['success', 'blanks_needed']:,} blanks, one of "
        f"{plan.minutes_ratio - 1:.0%} in minutes {needed.loc['minutes', 'blanks_needed']:,}; "
        f"these {blanks} {these}, and trials of further lots can be read together with this one."
    )
    _next(
        "work down bench.csv; have someone else tie the numbers of key/key.csv on; give the judge "
        f"judge.csv and the reeds, nothing more; then {_command('trial read', directory)}."
    )


@trials.command("read")
def read_trials(
    directories: Annotated[
        list[Path],
        typer.Argument(metavar="TRIAL...", help="One trial, or several of the same settings."),
    ],
    bench: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Your records: their bench.toml says what is good."),
    ] = None,
) -> None:
    """Say what the sheets show, as far as they are filled in."""
    from reedlab.decide.trial import analyse, read_trial
    from reedlab.records import open_bench
    from reedlab.report.words.numbers import written

    settings = open_bench(bench).settings if bench else None
    apart = {directory.resolve(): directory for directory in directories}.values()
    answer = analyse(*(read_trial(directory, settings) for directory in apart))
    _say(answer.sentence())
    _say(f"\n{written(answer.effects).to_string(index=False)}")


def _lay_demo(directory: Path) -> bool:
    """Copy the demo bench into a new or empty folder; leave any other as it is and say False."""
    import shutil

    from reedlab.paths import shipped
    from reedlab.records.store import beside

    if directory.exists() and not directory.is_dir():
        raise WriteError(f"{directory} is a file: name a folder, as in 'reedlab demo try-it'.")
    if directory.is_dir():
        if any(directory.iterdir()):
            return False
        directory.rmdir()
    with beside(directory) as fresh:
        shutil.copytree(shipped("data") / "demo", fresh)
    return True


def _report(directory: Path) -> Report:
    """Check, fit, run the notebooks and write the pages, with a progress bar; say what came out."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from reedlab.records import open_bench
    from reedlab.report.pages import writing
    from reedlab.report.words import sentences

    bench = open_bench(directory)
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

        written = writing.write_report(bench, step)
    _say("")
    for line in written.closing_lines():
        _say(line)
    if broken := [run.name for run in written.stopped if run.broken]:
        sys.exit(_fail(f"{', '.join(broken)}: not stopped by your records; the reason is above."))
    return written


def _say(text: str) -> None:
    typer.echo(_harmless(text))


def _next(text: str) -> None:
    _say(f"\nNext: {text}")


def _command(words: str, directory: Path) -> str:
    """Write a command as it can be typed: a name with a blank stands in quotation marks."""
    name = str(directory)
    return f"'reedlab {words} " + (f'"{name}"' if " " in name else name) + "'"


def _fail(sentence: str) -> int:
    typer.echo(f"reedlab: {_harmless(' '.join(sentence.split()))}", err=True)
    return 2


def _harmless(text: str) -> str:
    """Keep what people's files hold from steering the terminal: it is shown, never obeyed."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)


def main(arguments: list[str] | None = None) -> Any:
    """Run a command; on any refusal print one sentence and exit with 2.

    Parameters
    ----------
    arguments : list of str, optional
        The words after ``reedlab``; those of the running process when not given.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a name with an accent must not end a Windows pipe
            stream.reconfigure(errors="replace")
    atexit.register(gc.freeze)  # looking for garbage on the way out takes a second or more
    try:
        app(arguments)
    except ReedlabError as error:
        sys.exit(_fail(str(error)))
    except OSError as error:
        sys.exit(_fail(f"{error.filename or 'a file'}: {error.strerror or error}."))
    except Exception as error:
        if sys.flags.dev_mode:  # python -X dev -m reedlab.cli … shows a developer where
            raise
        what = f"{type(error).__name__}: {error}"
        sys.exit(_fail(f"a fault of reedlab's own, not of your records ({what})."))


if __name__ == "__main__":
    main()
