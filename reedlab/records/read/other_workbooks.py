"""The sheets of an .ods or .xls workbook become sheets of text, as those of an .xlsx do."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.read.sheets_as_text import Sheet, read_bytes
from reedlab.records.read.workbook import MOST_UNPACKED, cell_text, read_workbook

_MOST_CELLS = 6_000_000


class _Cell(NamedTuple):
    """A value as a cell of an .xlsx workbook has it; its format is not known."""

    value: object
    number_format: str = "General"


def read_book(path: Path, found: Findings) -> dict[str, Sheet]:
    """Return a workbook's sheets by their names; none, with a finding, where it cannot be read."""
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        return read_workbook(path, found)
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        read_bytes(path)
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                if sum(part.file_size for part in archive.infolist()) > MOST_UNPACKED:
                    raise ValueError("it unpacks to too many bytes")
        with CalamineWorkbook.from_path(str(path)) as book:
            return {name: _sheet(book.get_sheet_by_name(name), path) for name in book.sheet_names}
    except (CalamineError, ValueError, OSError, zipfile.BadZipFile) as error:
        reason = " ".join(str(error).split())[:120] or type(error).__name__
    found.add(
        path.name, None, "", path.name, "error", f"{path.name} cannot be read ({reason})",
        "open it in the spreadsheet and save it again as .xlsx",
    )  # fmt: skip
    return {}


def _sheet(sheet: Any, path: Path) -> Sheet:
    """Read one sheet's cells as text, without its blank rows."""
    if sheet.total_height * sheet.total_width > _MOST_CELLS:
        raise ValueError(f"sheet {sheet.name} has more than {_MOST_CELLS:,} cells")
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
