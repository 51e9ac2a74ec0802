"""An empty bench to start from: CSV files or a workbook, and a ``bench.toml`` with comments."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.errors import WriteError
from reedlab.records.read.left_out import EXAMPLE
from reedlab.records.read.workbook import FILE as WORKBOOK
from reedlab.records.read.workbook import LISTS, START
from reedlab.records.settings import FILE, Settings
from reedlab.records.store import beside, save_workbook, write_table, write_text
from reedlab.records.tables import TABLES, Column, Table

_GREY, _INK, _FAINT = "E7E6E1", "33312C", "8A887F"
_FORMATS = {"date": "yyyy-mm-dd", "time": "yyyy-mm-dd hh:mm", "name": "@"}
_FIRST = 3  # the row of a sheet that is filled in first: headings and an example come before
_LAST = 1_048_576

IN_SIGHT: Mapping[str, tuple[str, ...]] = {
    "lots": ("price", "quantity", "quantity_unit", "bought_on"),
    "reeds": ("maker", "rough_min", "finish_min", "judged_on", "sold_for", "note"),
    "pieces": ("gouge_centre_mm", "density_g_cm3", "hardness"),
    "tally": ("minutes",),
    "sittings": ("maker", "stage"),
    "orders": ("customer", "strength", "sent_on"),
}
"""Columns that a new workbook shows beside those a table must have; the others are folded."""

_EXAMPLES: Mapping[str, Mapping[str, object]] = {
    "lots": {
        "supplier": "Blue", "price": 96, "quantity": 40, "quantity_unit": "piece",
        "bought_on": dt.date(2025, 1, 7),
    },
    "reeds": {
        "lot": "L1", "maker": "KL", "tied_on": dt.date(2025, 1, 20), "outcome": "good",
        "rough_min": 12, "finish_min": 25, "judged_on": dt.date(2025, 1, 27), "sold_for": 28,
    },
    "pieces": {"lot": "L1", "gouge_centre_mm": 0.59, "density_g_cm3": 0.55},
    "tally": {
        "date": dt.date(2025, 1, 19), "stage": "sort", "pieces_in": 40, "pieces_out": 31,
        "minutes": 20,
    },
    "sittings": {
        "maker": "KL", "reeds": "12; 13; 14", "minutes": 45, "stage": "rough",
    },
    "air": {"rh_pct": 45, "temp_c": 20.5},
    "gauge": {"quantity": "gouge_centre_mm", "operator": "KL", "trial": "1", "value": 0.59},
    "orders": {"reeds": 4, "by": dt.date(2025, 3, 1), "customer": "C3", "strength": "medium"},
}  # fmt: skip
"""One row a sheet that shows how it is filled in; its first cell says that it is an example."""

_START = """\
Your reeds

Two sheets are enough to begin: lots and reeds.

lots: one row for each purchase of cane. Its label (L1) and the seller are enough.
     With the price you see later what a good reed costs you.
reeds: one row for each reed, when you tie it: its number, lot, maker and day.
     When you know how it turned out, choose the outcome in its row. Until then leave it empty:
     the reed waits, and counts as neither good nor bad.
     Write the minutes if you can. They decide more than anything else.

* marks what a row needs when you begin it. The rest may stay empty.
The grey row of each sheet is an example. It is never read: write below it, or delete it.
More columns are folded. Click the + above the sheet. Point at a heading to see what it means.
A ditto mark, a range (0.58-0.60), ca. 35, or a month (April 2025) is understood.
The other sheets are for whoever measures, counts or times. You may leave them empty.

Next: save this file. In a terminal, type "reedlab check" and the name of this file's folder.
Then "reedlab report" and that name.

Who makes reeds here? Write the initials below, and the sheet reeds offers them.
makers""".splitlines()
"""The sheet that opens first; her makers stand below its last line."""

_MAKERS = f"$B${len(_START) + 1}:$B${len(_START) + 6}"


def _filled(sheet: str, cells: str) -> str:
    """Return the formula of those cells of a list that she has filled in."""
    first = cells.split(":")[0]
    return f"OFFSET({sheet}!{first},0,0,MAX(1,COUNTA({sheet}!{cells})),1)"


_OWN = {
    "lot": _filled("lots", f"$A${_FIRST}:$A$500"),
    "maker": _filled(START, _MAKERS),
}
"""Where a column's drop-down takes what she has written herself."""


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
    """Return a table's columns: the needed ones first, then those in sight."""
    first = [*table.needed, *IN_SIGHT.get(table.name, ())]
    return sorted(
        table.columns.values(),
        key=lambda c: first.index(c.name) if c.name in first else len(first),
    )


def write_workbook(path: Path) -> None:
    """Write an empty workbook: how to begin, and a sheet a table with drop-downs.

    The drop-downs take their words from a hidden sheet, lots and makers from what she has written.
    Another word gets a question and is not refused, since ``bench.toml`` may say what it means.
    Columns that are seldom filled in are folded.
    """
    from openpyxl import Workbook

    book = Workbook()
    _begin(book.active)
    sheets = [book.create_sheet(name) for name in TABLES]
    lists = book.create_sheet(LISTS)
    lists.sheet_state = "hidden"
    for sheet, table in zip(sheets, TABLES.values()):
        _lay_out(sheet, table, lists)
    save_workbook(book, path)


def _begin(sheet: Any) -> None:
    """Write what to do first, in plain words, and a place for the makers."""
    from openpyxl.styles import Font, PatternFill

    sheet.title = START
    sheet.sheet_view.showGridLines = False
    sheet.column_dimensions["A"].width = 3
    sheet.column_dimensions["B"].width = 90
    for row, text in enumerate(_START, start=1):
        asks = row >= len(_START) - 1
        sheet.cell(row, 2, text or None).font = Font(
            size=18 if row == 1 else 11, bold=row == 1 or asks, color=_INK
        )
    for (cell,) in sheet[_MAKERS.replace("$", "")]:
        cell.fill = PatternFill("solid", start_color=_GREY)
    _on_one_page(sheet)


def _on_one_page(sheet: Any) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0  # as many pages as there are rows
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _lay_out(sheet: Any, table: Table, lists: Any) -> None:
    """Write a table's headings with hints, an example, formats and drop-downs."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    columns = in_order(table)
    example = {columns[0].name: EXAMPLE, **_EXAMPLES[table.name]}
    for at, column in enumerate(columns, start=1):
        letter = get_column_letter(at)
        cell = sheet.cell(1, at, column.heading)
        cell.font = Font(bold=column.heading.endswith("*"), color=_INK)
        cell.fill = PatternFill("solid", start_color=_GREY)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        cell.comment = Comment(column.says, "reedlab", width=220, height=80)
        across = sheet.column_dimensions[letter]
        across.width = max(14, len(str(example.get(column.name, ""))) + 2)
        shown = sheet.cell(2, at, example.get(column.name))
        shown.font = Font(italic=True, color=_FAINT)
        shown.alignment = Alignment(horizontal="left")
        if column.kind in _FORMATS:
            across.number_format = _FORMATS[column.kind]
            shown.number_format = _FORMATS[column.kind]
        words = ("yes", "no") if column.kind == "yesno" else column.words
        if words:
            _offer(sheet, letter, _listed(lists, f"{table.name} {column.name}", words), words)
        elif source := _OWN.get(column.name if column.name != table.key else ""):
            _offer(sheet, letter, source, ())
    first = len({*table.needed, *IN_SIGHT.get(table.name, ())}) + 1
    if first <= len(columns):
        folded = get_column_letter(first), get_column_letter(len(columns))
        sheet.column_dimensions.group(*folded, outline_level=1, hidden=True)
    sheet.row_dimensions[1].height = 30  # headings of two lines
    sheet.freeze_panes = "B2"
    _on_one_page(sheet)


def _listed(lists: Any, title: str, words: tuple[str, ...]) -> str:
    """Write words into the hidden sheet and return where."""
    from openpyxl.utils import get_column_letter

    at = 1 if lists.cell(1, 1).value is None else lists.max_column + 1
    for row, word in enumerate((title, *words), start=1):
        lists.cell(row, at, word)
    source = get_column_letter(at)
    return f"{LISTS}!${source}$2:${source}${len(words) + 1}"


def _offer(sheet: Any, letter: str, source: str, words: tuple[str, ...]) -> None:
    """Offer the words that are at `source` in a column, below its example."""
    from openpyxl.worksheet.datavalidation import DataValidation

    offer = DataValidation(
        type="list",
        formula1=source,
        allow_blank=True,
        errorStyle="warning",
        errorTitle="Another word?",
        error=f"Usual are: {', '.join(words)}." if words else "This one is not in your list yet.",
        showErrorMessage=True,
    )
    sheet.add_data_validation(offer)
    offer.add(f"{letter}{_FIRST}:{letter}{_LAST}")


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
