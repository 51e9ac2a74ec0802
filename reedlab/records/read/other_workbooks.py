"""The sheets of an .ods or .xls workbook become sheets of text, as those of an .xlsx do."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.read.encodings import read_bytes
from reedlab.records.read.sheets_as_text import Sheet
from reedlab.records.read.workbook import (
    MOST_CELLS,
    MOST_UNPACKED,
    cell_text,
    read_workbook,
    say_unopened,
    say_unread,
)


class _Cell(NamedTuple):
    """A value as a cell of an .xlsx workbook has it; its format is not known."""

    value: object
    number_format: str = "General"


def read_book(path: Path, found: Findings) -> dict[str, Sheet]:
    """Return a workbook's sheets by their names; none, with a finding, where it cannot be read."""
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        return read_workbook(path, found)
    try:
        read_bytes(path)
        _refuse_bombs(path)
        with _opened(path) as book:
            return {name: _sheet(book.get_sheet_by_name(name), path) for name in book.sheet_names}
    except OSError as error:
        say_unopened(path, error, found)
    except ValueError as error:
        say_unread(path, " ".join(str(error).split())[:120], found)
    return {}


def is_locked(path: Path) -> bool:
    """Say whether a workbook has a password."""
    from python_calamine import PasswordError

    try:
        with _opened(path):
            return False
    except PasswordError:
        return True
    except ValueError:
        return False  # damaged, which is said when it is read


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a workbook; a damaged one is a ValueError, whatever the library makes of it."""
    from python_calamine import CalamineWorkbook, PasswordError

    try:
        with CalamineWorkbook.from_path(str(path)) as book:
            yield book
    except (PasswordError, ValueError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as error:  # its Rust code panics on some damaged files
        raise ValueError("it is damaged, or not a workbook") from error


def _refuse_bombs(path: Path) -> None:
    """Raise ValueError for an archive that unpacks to too much."""
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(part.file_size for part in archive.infolist())
    except Exception as error:  # a damaged archive raises many kinds
        raise ValueError("it is damaged") from error
    if size > MOST_UNPACKED:
        raise ValueError(f"it unpacks to more than {MOST_UNPACKED // 1_000_000} megabytes")


def _sheet(sheet: Any, path: Path) -> Sheet:
    """Read one sheet's cells as text, without its blank rows."""
    if sheet.total_height * sheet.total_width > MOST_CELLS:
        raise ValueError(f"sheet {sheet.name} has more than {MOST_CELLS:,} cells")
    rows = [
        [cell_text(_Cell(value)) for value in row] for row in sheet.to_python(skip_empty_area=False)
    ]
    for first, last in sheet.merged_cell_ranges or ():
        _fill_down(rows, first, last)
    frame = pd.DataFrame(rows, index=pd.RangeIndex(1, len(rows) + 1), dtype=object)
    return Sheet(f"{path.name}, sheet {sheet.name}", frame[frame.notna().any(axis=1)])


def _fill_down(rows: list[list[str | None]], first: tuple[int, int], last: tuple[int, int]) -> None:
    """Give the rows of a cell that is merged down its value, as in an .xlsx workbook."""
    (top, left), (bottom, right) = first, last
    for row in range(top + 1, bottom + 1) if left == right else ():
        rows[row][left] = rows[top][left]
