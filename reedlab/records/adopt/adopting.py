"""A maker's sheet becomes a bench: proposed, asked about, and written into a folder of its own."""

from __future__ import annotations

import datetime as dt
import difflib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError, WriteError
from reedlab.records.adopt import bench_file, lines
from reedlab.records.adopt.finding_tables import Part, read_parts
from reedlab.records.adopt.lines import Line, Value
from reedlab.records.adopt.proposing import propose
from reedlab.records.bench import as_today
from reedlab.records.read.files_elsewhere import refuse_outside, remember
from reedlab.records.settings import FILE
from reedlab.records.store import write_text

MOST_QUESTIONS = 7
"""More than this are not asked in one go."""


@dataclass(frozen=True)
class Adoption:
    """A sheet that was adopted.

    Attributes
    ----------
    folder : pathlib.Path
        The new bench: open it with `open_bench`.
    mapping : pandas.DataFrame
        One row a line of its ``bench.toml``: section, yours, means, why.
    questions : tuple of str
        What is not decided yet, those first that keep most reeds out. Their lines in
        ``bench.toml`` have a ``"?"`` to replace.
    """

    folder: Path
    mapping: pd.DataFrame = field(repr=False)
    questions: tuple[str, ...] = ()

    def _says(self) -> str:
        open_lines = int((self.mapping["means"] == "?").sum())
        decided = f"{len(self.mapping) - open_lines} lines are decided"
        left = f'{open_lines} are open, with a "?" in {FILE}' if open_lines else "none is open"
        return f"{self.folder} is a bench now: {decided}, {left}."

    def __str__(self) -> str:
        asked = "".join(f"\n- {question}" for question in self.questions)
        return f"{self._says()}{asked}"

    def _repr_html_(self) -> str:
        asked = "".join(f"<li>{escape(question)}</li>" for question in self.questions)
        table = self.mapping.to_html(index=False, border=0)
        return f"<p>{escape(self._says())}</p>{f'<ul>{asked}</ul>' if asked else ''}{table}"


@dataclass(frozen=True)
class Draft:
    """A ``bench.toml`` before it is written."""

    folder: Path  # where it will be
    parts: tuple[Part, ...]  # the sheets
    left_out: tuple[str, ...]  # a sentence for each file that cannot be read
    today: dt.date  # for the age of blanks
    before: str  # the file as it is now; empty for a new bench
    answers: Mapping[lines.Path, Value]  # what is answered

    @cached_property
    def lines(self) -> list[Line]:
        """Every line, decided or open."""
        kept = {_found(path, self.folder) for path in bench_file.read_answers(self.before)}
        lines = propose(self.parts, self.answers, self.today)
        said = {path: "you said so" for path in {*self.answers} - kept}
        said |= dict.fromkeys(kept, "kept")
        return [replace(x, why=said[x.path]) if x.path in said else x for x in lines]

    @property
    def questions(self) -> list[Line]:
        """The open lines that reeds wait for, those first that keep most of them out."""
        asked = [line for line in self.lines if line.open and line.question]
        return sorted(asked, key=lambda line: -line.keeps_out)

    def answered(self, line: Line, value: str) -> Draft:
        """Return the draft with one more answer."""
        return replace(self, answers={**self.answers, line.path: value})

    @property
    def text(self) -> str:
        """The file as it will be."""
        named = [replace(line, path=_named(line.path, self.folder)) for line in self.lines]
        return bench_file.with_lines(self.before or bench_file.START, named)

    def difference(self) -> str:
        """Return what writing it changes in the file that is there, as a unified diff."""
        old, new = self.before.splitlines(), self.text.splitlines()
        return "\n".join(difflib.unified_diff(old, new, "now", "then", lineterm="", n=1))

    def write(self) -> Adoption:
        """Write the file, and note that this user adopted the sheets; no sheet is changed."""
        if self.text != self.before:
            write_text(self.text, self.folder / FILE, replace=bool(self.before))
        remember([part.file for part in self.parts], self.folder)
        asked = tuple(line.question for line in self.questions)
        return Adoption(self.folder, lines.as_frame(self.lines), asked)


def adopt(
    path: Path | str, to: Path | str | None = None, *, today: dt.date | str | None = None
) -> Adoption:
    """Make a bench of a maker's own sheet, which is only read.

    What the sheet's headings and words mean is guessed where it is clear, and open where it is not.
    It is written, a line each, to ``bench.toml`` in a new folder. Run again, on the sheet or on
    that folder, it keeps every line that is answered and adds what is new.

    Parameters
    ----------
    path : path
        A CSV or tab-separated file, a workbook (.xlsx, .ods, .xls), or a folder of them; or a bench
        that was made so.
    to : path, optional
        The folder to write, new or made so before; when not given, beside the sheet, with its name
        and ``-bench``.
    today : datetime.date or str, optional
        As in `open_bench`.

    Returns
    -------
    Adoption
        Its ``folder``, ``mapping`` and ``questions``.

    Raises
    ------
    RecordError
        When the file is no sheet, or holds no table.
    WriteError
        When the folder is not empty and is no such bench.

    Examples
    --------
    It writes, so the example is not run:

    >>> adopted = adopt("My reeds.xlsx", "my-bench")  # doctest: +SKIP
    >>> adopted.questions  # doctest: +SKIP
    ("'so-so' is under 'Result' 4 times. What does it mean?",)
    """
    return begin(path, to, today).write()


def begin(
    path: Path | str, to: Path | str | None = None, today: dt.date | str | None = None
) -> Draft:
    """Return the draft of a bench, nothing written: see `adopt`."""
    path, day = Path(path), as_today(today)
    again = path.is_dir() and (path / FILE).is_file()
    if again:
        if to is not None:
            raise WriteError(f"{path} is a bench, and stays where it is: leave out --to.")
        parts, left_out = _parts_of_bench(path)
        folder = path
    else:
        parts, left_out = read_parts(path)
        folder = Path(to) if to is not None else path.with_name(f"{path.stem}-bench")
    before = _before(folder)
    answers = {_found(p, folder): value for p, value in bench_file.read_answers(before).items()}
    if before and not bench_file.read_files(before):
        raise WriteError(
            f"{folder} is a bench of its own, whose {FILE} names no sheet: choose another folder "
            "with --to."
        )
    return Draft(folder, tuple(parts), tuple(left_out), day, before, answers)


def _parts_of_bench(folder: Path) -> tuple[list[Part], list[str]]:
    """Return the sheets that a bench names; only those that this user adopted are opened."""
    files = bench_file.read_files(_before(folder))
    if not files:
        raise RecordError(
            f"{folder} has a {FILE} that names no sheet, so it is a bench already: run "
            "`reedlab check` on it, or give the sheet itself."
        )
    parts: list[Part] = []
    left_out: list[str] = []
    for name in files:
        refuse_outside(folder / name, folder)
        more, said = read_parts(folder / name)
        parts += more
        left_out += said
    return parts, left_out


def _before(folder: Path) -> str:
    """Return the ``bench.toml`` that a folder holds; anything else in it is refused."""
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return ""
    if not (folder / FILE).is_file():
        raise WriteError(f"{folder} is not an empty folder: choose another with --to.")
    try:
        text = bench_file.read_text(folder)
        bench_file.read_answers(text)
    except (OSError, ValueError) as error:
        raise RecordError(
            f"{folder / FILE} cannot be read ({error}): fix that line, or choose another folder "
            "with --to."
        ) from error
    return text


def _named(path: lines.Path, folder: Path) -> lines.Path:
    """Name a file as seen from the bench's folder."""
    if path[0] != "files":
        return path
    real, home = os.path.realpath(path[1]), os.path.realpath(folder)
    try:
        name = Path(os.path.relpath(real, home)).as_posix()
    except ValueError:  # another drive
        name = real
    return ("files", name, *path[2:])


def _found(path: lines.Path, folder: Path) -> lines.Path:
    """Name a file as it is known here: by its real path."""
    if path[0] != "files":
        return path
    return ("files", os.path.realpath(folder / path[1]), *path[2:])
