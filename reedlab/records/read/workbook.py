"""A workbook's sheets become sheets of text, with the last values of its formulas."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import zipfile
from collections import Counter
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.read.encodings import read_bytes
from reedlab.records.read.sheets_as_text import Origin, Sheet

FILE = "records.xlsx"
LISTS = "lists"
"""The sheet of words for drop-downs in a workbook that `new_bench` wrote."""

START = "start"
"""The sheet of such a workbook that says how to begin; it holds no records."""

MOST_UNPACKED = 200_000_000
"""Workbooks that unpack to more bytes than this are not opened."""

MOST_CELLS = 6_000_000
"""Sheets with more cells than this are not read."""

_RANGE = r"[A-Z]{1,3}\d{1,7}"
_NOT_SHOWN = re.compile(r'\[[^\]]*\]|"[^"]*"|\\.|;.*')
_WHITE = {("rgb", "FFFFFFFF"), ("rgb", "00FFFFFF"), ("theme", 0), ("indexed", 9), ("indexed", 65)}
_MERGED = re.compile(rf"<(?:\w+:)?mergeCell\s[^>]*?ref=[\"']({_RANGE}:{_RANGE})[\"']".encode())


def read_workbook(path: Path, found: Findings) -> dict[str, Sheet]:
    """Return a workbook's sheets by their names; none, with a finding, where it cannot be read.

    A formula counts as the value that the spreadsheet last showed; one that was never calculated is
    a finding. Links to other files are not followed. A workbook that unpacks to more than
    `MOST_UNPACKED` bytes, or that defines XML entities, is not opened.
    """
    import openpyxl

    try:
        read_bytes(path)
        _refuse_bombs(path)
        with path.open("rb") as file:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True, keep_links=False)
            shown = [ws for ws in book.worksheets if _shown(ws)]
            merged = _merged(path, shown)
            sheets = {ws.title: _sheet(ws, path, merged[ws.title], found) for ws in shown}
        _name_uncalculated(path, sheets, found)
        return sheets
    except MemoryError:
        reason = "it is too large"
    except OSError as error:
        say_unopened(path, error, found)
        return {}
    except zipfile.BadZipFile:
        reason = "it is damaged, or not a workbook"
    except Exception as error:  # a damaged file raises many kinds in openpyxl
        reason = " ".join(str(error).split())[:120] or type(error).__name__
    say_unread(path, reason, found)
    return {}


def say_unread(path: Path, reason: str, found: Findings) -> None:
    """Say why a workbook is not read."""
    fix = "open it in the spreadsheet and save it again as .xlsx"
    found.add(
        path.name, None, "", path.name, "error", f"{path.name} cannot be read ({reason})", fix
    )


def say_unopened(path: Path, error: OSError, found: Findings) -> None:
    """Say that a workbook is not read since it cannot be opened."""
    problem = f"{path.name} cannot be opened ({error.strerror or error})"
    found.add(path.name, None, "", path.name, "error", problem, "check that you may read it")


def _shown(sheet: Any) -> bool:
    return sheet.title != START and not (sheet.title == LISTS and sheet.sheet_state != "visible")


def _refuse_bombs(path: Path) -> None:
    """Raise ValueError for a zip bomb, or for XML entities."""
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        if sum(part.file_size for part in parts) > MOST_UNPACKED or len(parts) > 5_000:
            raise ValueError(f"it unpacks to more than {MOST_UNPACKED // 1_000_000} megabytes")
        for part in parts:
            if part.filename.endswith((".xml", ".rels", ".vml")):
                with archive.open(part) as file:
                    head = file.read(4_000).replace(b"\0", b"").upper()
                if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                    raise ValueError("it defines XML entities, which no spreadsheet writes")


def _merged(path: Path, sheets: list[Any]) -> dict[str, list[str]]:
    """Return each sheet's merged ranges, which openpyxl does not keep when it only reads."""
    with zipfile.ZipFile(path) as archive:
        return {
            sheet.title: [
                found.decode()
                for found in _MERGED.findall(archive.read(sheet._worksheet_path.lstrip("/")))
            ]
            for sheet in sheets
        }


def _fill_merged(
    cells: pd.DataFrame, title: str, ranges: list[str], file: str, found: Findings
) -> pd.DataFrame:
    """Give the rows of a merged cell its value; what is merged over columns is only named."""
    from openpyxl.utils.cell import range_boundaries

    values = cells.to_numpy(dtype=object, copy=True)
    for text in ranges:
        left, top, right, bottom = range_boundaries(text)
        first = int(cells.index.searchsorted(top))
        end = int(cells.index.searchsorted(bottom, side="right"))
        if first == len(cells) or cells.index[first] != top or left > values.shape[1]:
            continue
        value = values[first, left - 1]
        if value is None:
            continue
        if left == right and end - first > 1:
            values[first:end, left - 1] = value
            problem = "is a merged cell, and its value is read for each of its rows"
            fix = "leave it, or unmerge it and fill in each row"
            found.add(file, top, "", f"{title}!{text}", "read_as", problem, fix)
        elif left != right and any(other is not None for other in values[first, right:]):
            found.add(
                file, top, "", f"{title}!{text}", "warning",
                "is merged over several columns, and its value is read for the first cell alone",
                "unmerge it and fill in each cell, unless it is a title",
            )  # fmt: skip
    return pd.DataFrame(values, index=cells.index, dtype=object) if ranges else cells


def _sheet(sheet: Any, path: Path, merged: list[str], found: Findings) -> Sheet:
    """Read one sheet's cells as text, without its blank rows."""
    sheet.reset_dimensions()  # the size that a file states may be wrong
    rows: dict[int, list[str | None]] = {}
    cells = 0
    looks: Counter[tuple[int, str]] = Counter()
    last: dict[tuple[int, str], int] = {}
    seen = {0: ""}
    for number, row in enumerate(sheet.iter_rows(), start=1):
        cells += len(row)
        if cells > MOST_CELLS:
            raise ValueError(f"sheet {sheet.title} has more than {MOST_CELLS:,} cells")
        texts = [cell_text(cell) for cell in row]
        while texts and texts[-1] is None:
            texts.pop()
        if texts:
            rows[number] = texts
            shown = [(at, _look(cell, seen)) for at, cell in enumerate(row[: len(texts)])]
            there = [(at, look) for at, look in shown if look or texts[at] is not None]
            looks.update(there)
            last.update(dict.fromkeys(there, number))
    width = max(map(len, rows.values()), default=0)
    filled = [row + [None] * (width - len(row)) for row in rows.values()]
    frame = pd.DataFrame(filled, index=pd.Index(rows, dtype="int64"), dtype=object)
    frame = _fill_merged(frame, sheet.title, merged, path.name, found)
    found_looks = {key: (count, last[key]) for key, count in looks.items()}
    origin = Origin(first_serial=pd.Timestamp(sheet.parent.epoch))  # 1904 on an old Macintosh
    return Sheet(f"{path.name}, sheet {sheet.title}", frame, origin, found_looks)


def cell_text(cell: Any) -> str | None:
    """Return a cell's value as text that `cell_values` can read."""
    match cell.value:
        case None | "":
            return None
        case str() as text:
            return text.strip() if text.strip() == '"' else text
        case bool() as flag:
            return "yes" if flag else "no"
        case float() as number if str(cell.number_format).endswith("%"):
            return f"{number * 100:.10g}%"
        case int() | float() as number:
            return f"{number:.15g}"
        case dt.datetime() as moment:
            midnight = moment.time() == dt.time()
            if midnight and moment.day == 1 and _shows_month(str(cell.number_format)):
                return f"{moment:%Y-%m}"
            return f"{moment:%Y-%m-%d}" if midnight else f"{moment:%Y-%m-%d %H:%M:%S}"
        case dt.date() as day:
            return day.isoformat()
        case dt.time() as clock:
            return f"{clock:%H:%M:%S}"
        case dt.timedelta() as length:
            seconds = round(length.total_seconds())
            return f"{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
        case other:
            return str(other)


def _shows_month(number_format: str) -> bool:
    """Say whether a format shows month and year, but no day: a spreadsheet turns Feb 24 into it."""
    bare = _NOT_SHOWN.sub("", number_format).casefold()
    return "m" in bare and bool(set("yj") & set(bare)) and not set("dth") & set(bare)


def _look(cell: Any, seen: dict[int, str]) -> str:
    """Return a cell's colour and strike-through as one text; empty for a plain cell."""
    style = getattr(cell, "_style_id", 0)
    if style not in seen:
        seen[style] = ""
        with contextlib.suppress(IndexError, AttributeError, TypeError, ValueError):  # damaged
            colour = cell.fill.start_color
            plain = cell.fill.fill_type != "solid" or (colour.type, colour.value) in _WHITE
            struck = "struck" if cell.font.strike else ""
            seen[style] = struck if plain else f"{colour.type} {colour.value} {struck}"
    return seen[style]


def _name_uncalculated(path: Path, sheets: dict[str, Sheet], found: Findings) -> None:
    """Name formulas without a value, since they read as empty cells."""
    import openpyxl

    with zipfile.ZipFile(path) as archive:
        parts = [p for p in archive.namelist() if p.startswith("xl/worksheets/")]
        if not any(b"<f" in archive.read(part) for part in parts):
            return
    with path.open("rb") as file:
        book = openpyxl.load_workbook(file, read_only=True, data_only=False, keep_links=False)
        for name, sheet in sheets.items():
            book[name].reset_dimensions()
            for row in book[name].iter_rows():
                for cell in row:
                    if cell.data_type == "f" and not sheet.shows(cell.row, cell.column):
                        found.add(
                            path.name, cell.row, "", f"{name}!{cell.coordinate}", "error",
                            "is a formula that was never calculated, so its cell reads as empty",
                            "open the workbook in the spreadsheet and save it",
                        )  # fmt: skip
