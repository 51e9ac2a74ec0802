"""Which files of a folder hold which table."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError
from reedlab.paths import command
from reedlab.records.findings import Findings
from reedlab.records.read.files_elsewhere import may_read, read_elsewhere
from reedlab.records.read.outcome_rules import with_outcomes
from reedlab.records.read.sheets_as_text import Sheet, read_csv, table_called
from reedlab.records.read.workbook import FILE, read_workbook
from reedlab.records.settings import FILE as SETTINGS
from reedlab.records.settings import Settings
from reedlab.records.tables import SHEETS, TABLES

_ENDINGS = (".csv", ".tsv", ".txt")
_BOOKS = (".xlsx", ".xlsm", ".xls", ".ods")


def read_sheets(
    path: Path, settings: Settings, found: Findings, *, as_written: bool = False
) -> dict[str, Sheet]:
    """Return the cells of every table that a bench keeps, outcomes in words of the vocabulary.

    A bench is a folder of CSV files, of ``records.xlsx``, or of both, or a workbook itself. `found`
    receives files and sheets that cannot be read, or are left out; RecordError says that there is
    no table. Outcomes that are wanted `as_written` stay as they are.
    """
    ending = "" if path.is_dir() else path.suffix.casefold()
    if ending in _ENDINGS and table_called(path.stem, settings.tables) is None:
        raise RecordError(_to_adopt(path))
    if ending in (*_ENDINGS, ".toml"):
        raise RecordError(f"{path} is one file of a bench: give its folder, {path.parent}.")
    sheets: dict[str, Sheet] = {}
    elsewhere: dict[str, Sheet] = {}
    if not path.is_dir():
        _add_workbook(path, sheets, settings, found)
    else:
        elsewhere = read_elsewhere(path, settings, found, as_written)
        sheets |= elsewhere
        _add_csv(path, sheets, settings, found)
        book = next((p for p in _listed(path) if p.name.casefold() == FILE), None)
        if book is not None and not may_read(book, path):
            _say_link(book.name, book.name, found)
        elif book is not None:
            _add_workbook(book, sheets, settings, found)
    if not sheets:
        raise RecordError(_nothing(path, found))
    for other in _listed(path) if path.is_dir() else ():
        if other.suffix.casefold() in _BOOKS:
            _say_other_book(other.name, found)
    reeds = sheets.get("reeds")
    if reeds is not None and reeds is not elsewhere.get("reeds") and not as_written:
        sheets["reeds"] = with_outcomes(reeds, settings)
    return sheets


def _nothing(path: Path, found: Findings) -> str:
    """Say that a path holds no table, and what to do with the files that are there."""
    says = f"{path} has no table that can be read"
    told = found.frame()
    of_a_file = (told["severity"] == "error") & told["row"].isna() & (told["table"] != SETTINGS)
    if of_a_file.any():
        return _since(says, told[of_a_file])
    if not path.is_dir():
        return _to_adopt(path)
    books = [p for p in _listed(path) if p.suffix.casefold() in _BOOKS]
    books = [p for p in books if not p.name.startswith((".", "~"))]
    told = told[~told["column"].str.startswith("columns")]
    if books and not told["column"].str.startswith("files").any():
        if len(books) > 1 and not (path / SETTINGS).exists():
            return _to_adopt(path)
        own = books[0].suffix.casefold() != ".xlsx" or books[0].name.casefold() == FILE
        return _to_adopt(
            books[0], "" if own else f", or rename it {FILE} if `reedlab new` wrote it"
        )
    if len(told):
        return _since(says, told)
    return (
        f"{says}: put lots.csv and reeds.csv there, or a workbook {FILE}; `reedlab new` writes "
        "empty ones."
    )


def _since(says: str, told: pd.DataFrame) -> str:
    """Name the first of some findings as the reason."""
    return f"{says}, since {told['problem'].iloc[0]}: {told['fix'].iloc[0]}."


def _to_adopt(path: Path, or_else: str = "") -> str:
    """Say that a file, or a folder's workbooks, are no bench yet, and how they become one."""
    own = "holds sheets of your own" if path.is_dir() else "is a sheet of your own"
    return f"{path} {own} and no bench yet: run {command('adopt', path)}{or_else}."


def _listed(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError as error:
        raise RecordError(
            f"{folder} cannot be opened ({error.strerror}): give the folder with your records."
        ) from error


def _add_csv(folder: Path, sheets: dict[str, Sheet], settings: Settings, found: Findings) -> None:
    """Add the folder's CSV files that are named after a table."""
    for path in _listed(folder):
        if path.suffix.casefold() not in _ENDINGS:
            continue
        name = table_called(path.stem, settings.tables)
        if name is None:
            _say_near(path.stem, path.name, found)
        elif name and not may_read(path, folder):
            _say_link(name, path.name, found)
        elif name in sheets:
            found.add(
                name, None, "", path.name, "error",
                f"{path.name} and {sheets[name].place} both hold {name}; only the second is read",
                "put their rows into one file",
            )  # fmt: skip
        elif name and (sheet := read_csv(path, SHEETS[name], settings, found)):
            sheets[name] = sheet


def _say_link(table: str, name: str, found: Findings) -> None:
    problem = f"{name} is a link to a file outside this folder, and is not read"
    found.add(table, None, "", name, "error", problem, "put the file itself there")


def _add_workbook(
    book: Path, sheets: dict[str, Sheet], settings: Settings, found: Findings
) -> None:
    """Add a workbook's sheets to those from CSV files; the others are named."""
    for title, sheet in read_workbook(book, found).items():
        name = table_called(title, settings.tables)
        if name is None and len(sheet.cells):
            near = _say_near(title, sheet.place, found)
            if not near:
                found.add(
                    book.name, None, "", title, "warning",
                    f"the sheet {title[:60]!r} is not one of {', '.join(TABLES)}, and is not read",
                    "leave it, or say what it holds under [tables] in bench.toml",
                )  # fmt: skip
        elif name and name in sheets:
            found.add(
                name, None, "", sheet.place, "error",
                f"{sheets[name].place} and {sheet.place} both hold {name}; only the first is read",
                "put their rows into one of them",
            )  # fmt: skip
        elif name:
            sheets[name] = sheet


def _say_near(stem: str, place: str, found: Findings) -> bool:
    """Name a file or sheet whose name is nearly a table's, or has one in it: reeds-2025."""
    words = re.split(r"[\W\d_]+", stem.casefold()[:80])
    holds = [name for name in TABLES if name in words or name.removesuffix("s") in words]
    near = holds or difflib.get_close_matches(stem.casefold()[:40], list(TABLES), 1, 0.75)
    if near:
        found.add(
            place, None, "", stem, "warning", f"{place} is not read",
            f"rename it {near[0]}, if it holds {TABLES[near[0]].says}, or put its rows into that "
            "table",
        )  # fmt: skip
    return bool(near)


def _say_other_book(name: str, found: Findings) -> None:
    """Name a workbook that is called after a table, or nearly as the workbook of the records."""
    words = re.split(r"[\W\d_]+", Path(name).stem.casefold()[:80])
    own = {Path(FILE).stem, *TABLES}
    if name.casefold() != FILE and not name.startswith((".", "~")) and own & {*words}:
        fix = f"put its sheets into {FILE}, or save them as CSV, if they are records of this bench"
        found.add(name, None, "", name, "warning", f"{name} is not read", fix)
