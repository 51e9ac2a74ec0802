"""An empty bench to start from: CSV files or a workbook, and a ``bench.toml`` with comments."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.errors import WriteError
from reedlab.records.read.workbook import FILE as WORKBOOK
from reedlab.records.read.workbook import LISTS
from reedlab.records.settings import FILE, Settings
from reedlab.records.store import beside, save_workbook, write_table, write_text
from reedlab.records.tables import TABLES, Column, Table

_GREY, _INK = "E7E6E1", "33312C"
_FORMATS = {"date": "yyyy-mm-dd", "time": "yyyy-mm-dd hh:mm", "name": "@"}


def new_bench(path: Path | str, *, workbook: bool = False) -> Path:
    """Write an empty bench into a new folder, atomically.

    Parameters
    ----------
    path : path
        The folder; it may exist if it is empty.
    workbook : bool, default False
        Whether to write ``records.xlsx``, with drop-downs, instead of CSV files.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    WriteError
        When the folder is not empty, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(file.name for file in new_bench(Path(folder) / "bench").iterdir())[:3]
    ['air.csv', 'bench.toml', 'gauge.csv']
    """
    path = Path(path)
    if path.is_dir():
        with contextlib.suppress(OSError):
            path.rmdir()  # fails on anything but an empty folder
    if path.exists():
        raise WriteError(f"{path} exists already: choose another name for the new bench.")
    with beside(path) as fresh:
        fresh.mkdir()
        write_text(settings_text(), fresh / FILE)
        if workbook:
            write_workbook(fresh / WORKBOOK)
        else:
            for table in TABLES.values():
                headings = [c.name for c in in_order(table)]
                write_table(pd.DataFrame(columns=headings), fresh / f"{table.name}.csv")
    return path


def in_order(table: Table) -> list[Column]:
    """Return a table's columns, the needed ones first."""
    return sorted(table.columns.values(), key=lambda c: not c.needed)


def write_workbook(path: Path) -> None:
    """Write an empty workbook: a sheet a table, drop-downs, optional columns folded.

    The drop-downs take their words from a hidden sheet. Another word gets a question and is not
    refused, since ``bench.toml`` may say what it means.

    Parameters
    ----------
    path : pathlib.Path
        The file to write.

    Raises
    ------
    WriteError
        When the file already exists, or cannot be written.
    """
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    sheets = [book.create_sheet(name) for name in TABLES]
    lists = book.create_sheet(LISTS)
    lists.sheet_state = "hidden"
    for sheet, table in zip(sheets, TABLES.values()):
        _lay_out(sheet, table, lists)
    save_workbook(book, path)


def _lay_out(sheet: Any, table: Table, lists: Any) -> None:
    """Write a table's headings with hints, formats and drop-downs."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    columns = in_order(table)
    for at, column in enumerate(columns, start=1):
        letter = get_column_letter(at)
        cell = sheet.cell(1, at, column.heading)
        cell.font = Font(bold=column.needed, color=_INK)
        cell.fill = PatternFill("solid", start_color=_GREY)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        cell.comment = Comment(column.says, "reedlab")
        across = sheet.column_dimensions[letter]
        across.width = 14
        if column.kind in _FORMATS:
            across.number_format = _FORMATS[column.kind]
        words = ("yes", "no") if column.kind == "yesno" else column.words
        if words:
            _offer(sheet, lists, letter, f"{table.name} {column.name}", words)
    first = sum(c.needed for c in columns) + 1
    if first <= len(columns):
        folded = get_column_letter(first), get_column_letter(len(columns))
        sheet.column_dimensions.group(*folded, outline_level=1, hidden=True)
    sheet.freeze_panes = "B2"


def _offer(sheet: Any, lists: Any, letter: str, title: str, words: tuple[str, ...]) -> None:
    """Write words into the hidden sheet and offer them in a column."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    at = 1 if lists.cell(1, 1).value is None else lists.max_column + 1
    for row, word in enumerate((title, *words), start=1):
        lists.cell(row, at, word)
    source = get_column_letter(at)
    offer = DataValidation(
        type="list",
        formula1=f"{LISTS}!${source}$2:${source}${len(words) + 1}",
        allow_blank=True,
        errorStyle="warning",
        errorTitle="Another word?",
        error=f"Usual are: {', '.join(words)}.",
        showErrorMessage=True,
    )
    sheet.add_data_validation(offer)
    offer.add(f"{letter}2:{letter}1048576")


def settings_text() -> str:
    """Return a ``bench.toml`` that gives and explains every setting's default."""
    usual = Settings()
    return f"""\
# The settings of this bench. You may leave out any line; text after a # is a comment.
format = 1

# Which outcomes count as success: {", ".join(TABLES["reeds"].columns["outcome"].words)}.
success = [{", ".join(f'"{word}"' for word in sorted(usual.success))}]

# How to read dates such as 03/04/2025: "day-month" or "month-day". Without this line they are
# not read. Dates such as 2025-04-03, and a spreadsheet's own dates, are always read.
# date_order = "day-month"

# For the seasons: "north" or "south".
hemisphere = "{usual.hemisphere}"

# When the workshop is heated: first and last day, of every year (10-15) or of one (2024-10-15).
# heated = [{{ from = "10-15", to = "04-15" }}]

[costs]
currency = "{usual.currency}"
wage_per_hour = {usual.wage_per_hour}
staple_price = {usual.staple_price}
# Share of the failures whose staple is used again.
staple_recovered = {usual.staple_recovered}
# Thread for one reed.
thread_price = {usual.thread_price}

# Your usual set-up from a day on, so that rows record only exceptions: any column of reeds.
# Add another [[usual]] when it changes.
# [[usual]]
# from = 2025-01-01
# style = "long"
# shape = "B2"
# staple_mm = 47
# tied_mm = 72.5
# thread = "FF"
# soak_min = 30
# gouger = "10.5 bed, blade 2"

# Your own limits: a value outside them gets a warning. By style, or one pair for all.
# [ranges]
# "reeds.tied_mm" = {{ long = [71, 74], short = [73, 76] }}
# "pieces.gouge_centre_mm" = [0.56, 0.62]

# Your own names for files or sheets, headings and words, in any language.
# An empty text "" means: leave it alone.
# [tables]
# "Rohre" = "reeds"
# [columns.reeds]
# "Nummer" = "reed"
# "Kundin" = ""
# [words.outcome]
# "gut" = "good"
# [words.supplier]
# "Bleu" = "Blue"
"""
