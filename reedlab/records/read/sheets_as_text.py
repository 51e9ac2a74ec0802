"""A maker's files become sheets of text: encoding, delimiter and headings are found out."""

from __future__ import annotations

import csv
import difflib
import io
import re
import stat
import unicodedata
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.settings import Settings
from reedlab.records.tables import TABLES, UNIT_SPELLINGS, UNITS, Table, stem

MOST_BYTES = 256_000_000
"""Files larger than this are not opened."""

_HEADING_WITHIN = 20  # rows of titles may come before the headings
_DELIMITERS = (",", ";", "\t")
_BRACKETED = re.compile(r"[(\[{]\s*([^)\]}]*?)\s*[)\]}]")
_SPELLED_UNITS = {
    spelling: ending for ending, unit in UNITS.items() for spelling in UNIT_SPELLINGS[unit]
}


@dataclass(frozen=True)
class Sheet:
    """A file's or a workbook sheet's cells as text.

    Attributes
    ----------
    place : str
        The file, or the workbook and the sheet, for messages.
    cells : pandas.DataFrame
        One column a spreadsheet column, one row a spreadsheet row, the index its number.
    comma_decimal : bool or None
        Whether the file's numbers have decimal commas, as far as its delimiter shows.
    """

    place: str
    cells: pd.DataFrame
    comma_decimal: bool | None = None

    def shows(self, row: int, column: int) -> bool:
        """Say whether a cell, counted from 1 as in a spreadsheet, shows anything."""
        cells = self.cells
        return (
            row in cells.index and column <= cells.shape[1] and pd.notna(cells.at[row, column - 1])
        )


def read_bytes(path: Path) -> bytes:
    """Read a file of a sensible size; anything else raises ValueError with the reason."""
    info = path.stat()
    if not stat.S_ISREG(info.st_mode):
        raise ValueError("is not a file")
    if info.st_size > MOST_BYTES:
        raise ValueError(f"is larger than {MOST_BYTES // 1_000_000} megabytes")
    with path.open("rb") as file:
        return file.read(MOST_BYTES)


def decode(data: bytes) -> tuple[str, str]:
    """Return a file's text, and what is odd about its encoding or an empty string.

    UTF-8 with or without a byte order mark, UTF-16, and Windows-1252 for lines that are not UTF-8:
    lines pasted from elsewhere may have another encoding.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), ""
    # UTF-16 without its mark: every second byte of mostly Latin text is zero.
    even, odd = data[:2000:2].count(0), data[1:2000:2].count(0)
    if max(even, odd) > 200 or (len(data) < 2000 and max(even, odd) > len(data) / 5 > 1):
        return data.decode("utf-16-le" if odd > even else "utf-16-be", errors="replace"), ""
    odd_about_it = "holds zero bytes, which are left out" if b"\0" in data else ""
    data = data.replace(b"\0", b"")
    try:
        return data.decode("utf-8-sig"), odd_about_it
    except UnicodeDecodeError:
        pass
    lines, kinds = [], set()
    for line in data.split(b"\n"):
        try:
            lines.append(line.decode("utf-8-sig"))
            kinds |= set() if line.isascii() else {"utf-8"}
        except UnicodeDecodeError:
            lines.append(line.decode("cp1252", errors="replace"))
            kinds.add("cp1252")
    if len(kinds) > 1:
        odd_about_it = "mixes two encodings (UTF-8 and Windows-1252)"
    return "\n".join(lines), odd_about_it


def read_csv(path: Path, table: Table, settings: Settings, found: Findings) -> Sheet | None:
    """Read a CSV file into a sheet, or None with a finding where it cannot be read."""
    try:
        text, odd = decode(read_bytes(path))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        found.add(
            table.name, None, "", path.name, "error", f"{path.name} cannot be read ({reason})",
            "replace it with a CSV file, or remove it",
        )  # fmt: skip
        return None
    if odd:
        found.add(
            table.name, None, "", path.name, "warning", f"{path.name} {odd}",
            "save it again from the spreadsheet, as CSV in UTF-8",
        )  # fmt: skip
    delimiter = _delimiter(text, table, settings)
    data = text.rstrip(" \r\n,;\t").encode()
    del text  # of a large file one copy at a time
    cells, whole = _split(data, delimiter)
    if not whole:
        found.add(
            table.name, None, "", path.name, "warning",
            f"{path.name} has an unclosed quotation mark",
            "look for a single quotation mark, most likely in a note",
        )  # fmt: skip
    cells.index = pd.RangeIndex(1, len(cells) + 1)
    return Sheet(path.name, cells, delimiter == ";" or None)


def _delimiter(text: str, table: Table, settings: Settings) -> str:
    """Return the delimiter under which the first lines hold the most known headings."""
    first = text[:20_000].split("\n")[:_HEADING_WITHIN]
    known = _known_headings(table, settings)

    def headings(delimiter: str) -> tuple[int, int]:
        rows = list(_rows("\n".join(first), delimiter))
        scores = [sum(heading_key(cell) in known for cell in row) for row in rows]
        return max(scores, default=0), max(map(len, rows), default=0)

    return max(_DELIMITERS, key=headings)


def _rows(text: str, delimiter: str, quoting: int = csv.QUOTE_MINIMAL) -> list[list[str]]:
    csv.field_size_limit(MOST_BYTES)
    quotes = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, quoting=quoting)  # type: ignore[arg-type]
    return list(quotes)


def _split(data: bytes, delimiter: str) -> tuple[pd.DataFrame, bool]:
    """Return the cells of a file in UTF-8, and whether its quotation marks are paired."""
    head = data[:20_000].decode(errors="replace").split("\n")[:_HEADING_WITHIN]
    width = max((line.count(delimiter) for line in head), default=0) + 1
    read = {"sep": delimiter, "header": None, "names": range(width), "dtype": object}
    keep = {"keep_default_na": False, "na_values": [""], "skip_blank_lines": False}
    try:
        with warnings.catch_warnings(action="error"):  # rows too long would lose cells
            cells = pd.read_csv(io.BytesIO(data), index_col=False, engine="c", **read, **keep)
        return cells, True
    except pd.errors.EmptyDataError:
        return pd.DataFrame(), True
    except (pd.errors.ParserError, pd.errors.ParserWarning, ValueError):
        pass
    text = data.decode()
    whole = text.count('"') % 2 == 0
    rows = _rows(text, delimiter, csv.QUOTE_MINIMAL if whole else csv.QUOTE_NONE)
    width = max(map(len, rows), default=0)
    cells = pd.DataFrame([row + [""] * (width - len(row)) for row in rows], dtype=object)
    return cells.where(cells != "", None), whole


def heading_key(heading: object) -> str:
    """Return a heading as columns are named: ``Tied (mm)`` and ``tied mm *`` are ``tied_mm``.

    Examples
    --------
    >>> heading_key("Density [g/cm³]"), heading_key(" Rough  MIN "), heading_key("Temp (°C)")
    ('density_g_cm3', 'rough_min', 'temp_c')
    """
    if not isinstance(heading, str) or len(heading) > 200:
        return ""
    text = unicodedata.normalize("NFC", heading).casefold()
    ending = ""
    for bracketed in _BRACKETED.finditer(text):
        ending = _SPELLED_UNITS.get(bracketed[1].replace(" ", ""), ending)
    bare = _BRACKETED.sub(" ", text)
    bare = re.sub(r"\bg/cm[3³]", "g_cm3", bare).replace("%", " pct ").replace("°", " ")
    key = re.sub(r"[^\w]+", "_", bare).strip("_")
    return key if key.endswith(ending) else key + ending


def _known_headings(table: Table, settings: Settings) -> dict[str, str]:
    """Return the known headings, as keys, and their columns; the maker's own come first."""
    own = {heading_key(h): column for h, column in settings.columns.get(table.name, {}).items()}
    bare = {stem(name): name for name in table.columns if stem(name) not in table.columns}
    return bare | {name: name for name in table.columns} | own


@dataclass(frozen=True)
class Headings:
    """Where a sheet's headings are.

    Attributes
    ----------
    at : int
        The position of their row in the sheet, -1 when no heading is known.
    places : dict of str to int
        The known columns and their positions.
    unknown : list of str
        Headings that mean no known column.
    doubled : list of str
        Columns that have a second heading.
    """

    at: int
    places: dict[str, int]
    unknown: list[str]
    doubled: list[str]


def find_headings(sheet: Sheet, table: Table, settings: Settings) -> Headings:
    """Find a sheet's headings: the row, among the first ones, with the most known columns."""
    known = _known_headings(table, settings)
    top = sheet.cells.head(_HEADING_WITHIN)
    keys = [[heading_key(value) for value in row] for row in top.itertuples(index=False)]
    scores = [len({known[key] for key in row if key in known}) for row in keys]
    found = Headings(scores.index(max(scores)) if any(scores) else -1, {}, [], [])
    for place, key in enumerate(keys[found.at] if found.at >= 0 else []):
        column, heading = known.get(key), top.iat[found.at, place]
        if column is None and isinstance(heading, str) and heading.strip():
            found.unknown.append(heading.strip())
        elif column and column in found.places:
            found.doubled.append(column)
        elif column:
            found.places[column] = place
    return found


def as_table(sheet: Sheet, table: Table, settings: Settings, found: Findings) -> pd.DataFrame:
    """Find a sheet's headings and return its rows under the columns that they mean.

    Parameters
    ----------
    sheet : Sheet
        The cells.
    table : Table
        What to look for.
    settings : Settings
        The maker's own headings.
    found : Findings
        Receives columns that are missing, doubled or misspelt.

    Returns
    -------
    pandas.DataFrame
        Text, one column a known column, rows without any text left out, indexed by ``row``.
    """
    headings = find_headings(sheet, table, settings)
    if headings.at < 0:
        if len(sheet.cells):
            found.add(
                table.name, None, "", sheet.place, "error",
                f"{sheet.place} has no known headings",
                f"name its columns {', '.join(table.needed)}",
            )  # fmt: skip
        return table.empty()[[]]
    for column in headings.doubled:
        found.add(
            table.name, int(sheet.cells.index[headings.at]), column, "", "error",
            "is the heading of two columns; only the first is read",
            "rename one of them",
        )  # fmt: skip
    places = headings.places
    _say_unknown(table, headings.unknown, set(table.columns) - set(places), found)
    _say_missing(table, set(places), found)
    body = sheet.cells.iloc[headings.at + 1 :, list(places.values())]
    body = body.set_axis(list(places), axis=1).rename_axis(index="row")
    full = body.notna().any(axis=1)
    return body if full.all() else body[full]


def _say_unknown(table: Table, unknown: list[str], free: set[str], found: Findings) -> None:
    """Name unknown headings, each with the column that it may mean."""
    others = []
    for heading in unknown:
        near = difflib.get_close_matches(heading_key(heading)[:60], sorted(free), 1, 0.8)
        if near:
            found.add(
                table.name, None, near[0], heading, "warning",
                f"the heading {heading[:60]!r} is not known, so its column is not read",
                f"write {near[0]}, if you mean that",
            )  # fmt: skip
        else:
            others.append(repr(heading[:40]))
    if others:
        named = ", ".join(others[:6]) + (" and more" if others[6:] else "")
        found.add(
            table.name, None, "", named, "warning", f"columns not read: {named}",
            f"leave them, or say what they hold under [columns.{table.name}] in bench.toml",
        )  # fmt: skip


def _say_missing(table: Table, there: set[str], found: Findings) -> None:
    either = {"lot", "piece"} if table.name == "reeds" else set()
    for name in table.needed:
        if name not in there and not (name in either and there & either):
            found.add(
                table.name, None, name, "", "error", f"has no column {name}",
                f"add one: {table.columns[name].says}",
            )  # fmt: skip


def table_called(name: str, own: Mapping[str, str]) -> str | None:
    """Return the table that a file or sheet of this name holds; "" if the maker says none."""
    key = name.strip().casefold()
    return own.get(key, key if key in TABLES else None)
