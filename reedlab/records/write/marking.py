"""A copy of the records as a workbook, with its findings as coloured cells and comments."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import WriteError
from reedlab.records.bench import Bench
from reedlab.records.findings import SEVERITIES, Findings
from reedlab.records.read.folder import read_sheets
from reedlab.records.read.sheets_as_text import Sheet, find_headings
from reedlab.records.read.workbook import FILE
from reedlab.records.settings import Settings
from reedlab.records.store import FORMULA, save_workbook
from reedlab.records.tables import SHEETS

_FILL = {"error": "E8B4A0", "warning": "F2E3B3", "read_as": "EDF1F5"}
"""From dark to light, so that they differ in grey too."""


def mark_workbook(bench: Bench, path: Path | str) -> Path:
    """Write a copy of the records as a workbook, with every finding in its cell.

    Cells with an error are dark, cells with a warning light, each with a comment that says what is
    wrong and what to do. The first sheet lists all findings. Values are copied as text and numbers;
    formulas and drawings are not copied.

    Parameters
    ----------
    bench : Bench
        A bench opened from files.
    path : path
        The workbook to write.

    Returns
    -------
    pathlib.Path
        The workbook.

    Raises
    ------
    WriteError
        When the file already exists, cannot be written, or does not end in ``.xlsx``.
    """
    from openpyxl import Workbook

    if Path(path).suffix.casefold() != ".xlsx":
        raise WriteError(f"{path} does not end in .xlsx: name it {Path(path).stem}.xlsx.")
    if Path(path).name.casefold() == FILE:
        raise WriteError(f"{path} has the name of the records themselves: name it marked.xlsx.")

    book = Workbook()
    _list(book.active, bench.findings)
    for name, sheet in _sheets(bench).items():
        copy = book.create_sheet(name)
        _copy(copy, sheet)
        _mark(copy, sheet, bench.findings[bench.findings["table"] == name], name, bench.settings)
    return save_workbook(book, path)


def _sheets(bench: Bench) -> dict[str, Sheet]:
    """Return the cells of each table as in its file; a bench made of frames has none."""
    if bench.path is None:
        return {}
    return read_sheets(bench.path, bench.settings, Findings(), as_written=True)


def _list(front: Any, findings: pd.DataFrame) -> None:
    """Write all findings on the first sheet."""
    from openpyxl.styles import Alignment

    front.title = "findings"
    for at, heading in enumerate(findings.columns, start=1):
        front.cell(1, at, heading)
        front.column_dimensions[chr(64 + at)].width = 50 if heading in ("problem", "fix") else 14
    for row, finding in enumerate(findings.astype(object).itertuples(index=False), start=2):
        for at, value in enumerate(finding, start=1):
            _write(front, row, at, None if pd.isna(value) else value)
            front.cell(row, at).alignment = Alignment(wrap_text=True, vertical="top")
    front.freeze_panes = "A2"


def _copy(copy: Any, sheet: Sheet) -> None:
    """Write a sheet's cells where they were: plain numbers as numbers, the rest as text."""
    from openpyxl.utils import get_column_letter

    for at, longest in enumerate(sheet.cells.map(lambda text: len(str(text))).max(), start=1):
        copy.column_dimensions[get_column_letter(at)].width = min(max(longest + 2, 8), 40)
    numbers = sheet.cells.apply(pd.to_numeric, errors="coerce")
    for row, texts, values in zip(
        sheet.cells.index, sheet.cells.to_numpy(), numbers.to_numpy(dtype=float)
    ):
        for at, (text, value) in enumerate(zip(texts, values), start=1):
            if isinstance(text, str):
                plain = np.isfinite(value) and not (text[:1] == "0" and text[1:2].isdigit())
                _write(copy, int(row), at, float(value) if plain else text)


def _write(sheet: Any, row: int, at: int, value: object) -> None:
    """Write a cell; a text stays a text, even if it begins like a formula."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if isinstance(value, str):
        cell = sheet.cell(row, at, ILLEGAL_CHARACTERS_RE.sub("", value)[:32_000])
        cell.data_type = "s"
        cell.quotePrefix = value.startswith(FORMULA)
    elif value is not None:
        sheet.cell(row, at, value)


def _mark(copy: Any, sheet: Sheet, findings: pd.DataFrame, table: str, settings: Settings) -> None:
    """Colour the cells of findings, and add comments."""
    from openpyxl.comments import Comment
    from openpyxl.styles import PatternFill

    headings = find_headings(sheet, SHEETS[table], settings)
    fills = {severity: PatternFill("solid", start_color=c) for severity, c in _FILL.items()}
    if headings.at < 0:
        return
    top = int(sheet.cells.index[headings.at])
    for (row, column), group in findings.fillna({"row": top}).groupby(["row", "column"]):
        at = headings.places.get(column, 0) + 1
        cell = copy.cell(int(row), at)
        cell.fill = fills[min(group["severity"], key=SEVERITIES.index)]
        says = [f"{f.severity}: {f.problem}; {f.fix}." for f in group.itertuples()]
        cell.comment = Comment("\n".join(says)[:2_000], "reedlab", width=320, height=120)
    copy.freeze_panes = copy.cell(top + 1, 1)
