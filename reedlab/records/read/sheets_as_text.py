"""A maker's files become sheets of text: delimiter and headings are found out."""

from __future__ import annotations

import csv
import difflib
import io
import re
import statistics
import unicodedata
import warnings
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.read.amounts import UNIT_OF, price_for, unit_apart, unit_in
from reedlab.records.read.batch_rows import IN_COLUMNS, is_in_words
from reedlab.records.read.cell_values import (
    FIRST_SERIAL,
    OTHER_UNITS,
    same_currency,
    unit_of_column,
)
from reedlab.records.read.encodings import MOST_BYTES, decode, read_bytes
from reedlab.records.read.left_out import leave_out
from reedlab.records.settings import Settings
from reedlab.records.tables import (
    COUNTED,
    NUMBERS,
    OF_ITSELF,
    PENDING_COUNT,
    TABLES,
    TIED_COUNT,
    UNIT_SPELLINGS,
    UNITS,
    Column,
    Table,
    stem,
)

_HEADING_WITHIN = 20  # rows of titles may come before the headings
_WIDE = 3  # cells of a row that is no title
_DELIMITERS = (",", ";", "\t")
_LONGEST_CELL = 200  # lines of one note
_CLOSED = re.compile(r'(?:[^"]++|"")*+"')  # the rest of a quoted cell
_BRACKETED = re.compile(r"[(\[{]\s*([^)\]}]*?)\s*[)\]}]")
_SPELLED_UNITS = {
    spelling: ending for ending, unit in UNITS.items() for spelling in UNIT_SPELLINGS[unit]
}


@dataclass(frozen=True)
class Origin:
    """What a file or its headings say about all cells of a table."""

    # whether the file's numbers have decimal commas, as far as its delimiter shows
    comma_decimal: bool | None = None
    first_serial: pd.Timestamp = FIRST_SERIAL  # the day that the spreadsheet counts as 0
    # the columns whose heading names another unit than theirs, and that unit as a key of
    # `OTHER_UNITS`
    units: Mapping[str, str] = field(default_factory=dict)
    pieces: int = 1  # the pieces that the heading of price_per_piece gives the price of
    # beside counts of a batch: whole numbers under headings that are not read
    uncounted: Mapping[str, pd.Series] = field(default_factory=dict)


@dataclass(frozen=True)
class Sheet:
    """A file's or a workbook sheet's cells as text."""

    place: str  # the file, or the workbook and the sheet, for messages
    # one column a spreadsheet column, one row a spreadsheet row, the index its number
    cells: pd.DataFrame
    origin: Origin = Origin()  # what the file says about all its cells
    # for each column's position and look (its colour and strike-through, empty for a plain cell),
    # how many cells look so and the last row with one
    looks: Mapping[tuple[int, str], tuple[int, int]] = field(default_factory=dict)

    def shows(self, row: int, column: int) -> bool:
        """Say whether a cell, counted from 1 as in a spreadsheet, shows anything."""
        cells = self.cells
        return (
            row in cells.index and column <= cells.shape[1] and pd.notna(cells.at[row, column - 1])
        )


def read_csv(path: Path, table: Table, settings: Settings, found: Findings) -> Sheet | None:
    """Read a CSV file into a sheet, or None with a finding where it cannot be read."""
    say = partial(found.add, table.name, None, "", path.name)
    try:
        text, odd = decode(read_bytes(path))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        fix = "replace it with a CSV file, or remove it"
        say("error", f"{path.name} cannot be read ({reason})", fix)
        return None
    if not text.strip():
        fix = "save the table again from the spreadsheet, or remove the file"
        say("error", f"{path.name} is empty: it holds no text", fix)
        return None
    if odd:
        fix = "save it again from the spreadsheet, as CSV in UTF-8"
        say("warning", f"{path.name} {odd}", fix)
    delimiter = _delimiter(text, table, settings)
    cells, unclosed, spans = _split(text.rstrip(" \r\n,;\t"), delimiter)
    for line in unclosed:
        problem = "has a quotation mark that never closes, so the line is read as a row of its own"
        say("error", f"{path.name}, line {line} {problem}", "remove the mark, or close it")
    if spans:
        more = f" (and {len(spans) - 1:,} more such)" if spans[1:] else ""
        problem = f"{more} are read as one row: a cell has line ends"
        fix = "leave it, or close the quotation mark in its own line"
        say("read_as", f"{path.name}, lines {spans[0][0]} to {spans[0][1]}{problem}", fix)
    cells.index = pd.RangeIndex(1, len(cells) + 1)
    return Sheet(path.name, cells, Origin(comma_decimal=delimiter == ";" or None))


def _delimiter(text: str, table: Table, settings: Settings) -> str:
    """Return the delimiter under which the first lines hold the most known headings."""
    first = text[:20_000].split("\n")[:_HEADING_WITHIN]
    known = _known_headings(table, settings)

    def headings(delimiter: str) -> tuple[int, int]:
        rows = list(_rows("\n".join(first), delimiter))
        scores = [sum(heading_key(cell) in known for cell in row) for row in rows]
        return max(scores, default=0), max(map(len, rows), default=0)

    return max(_DELIMITERS, key=headings)


def _rows(text: str, delimiter: str) -> list[list[str]]:
    csv.field_size_limit(MOST_BYTES)
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))


def _split(text: str, delimiter: str) -> tuple[pd.DataFrame, list[int], list[tuple[int, int]]]:
    """Return a file's cells, lines with an unclosed quotation mark, and lines that are one row."""
    cells = _cells(text, delimiter)
    unclosed: list[int] = []
    spans: list[tuple[int, int]] = []
    lines = text.count("\n") + text.count("\r") - text.count("\r\n") + bool(text)
    # Fewer rows than lines: a cell holds line ends, or a quotation mark swallows rows. Two lone
    # marks in one line swallow the cells between them.
    lone = f'{delimiter}"{delimiter}' in text or f'\n"{delimiter}' in text
    if '"' in text and (cells is None or len(cells) < lines or lone):
        text, unclosed, spans = _close_quotes(text, delimiter)
        cells = _cells(text, delimiter)
    if cells is None:
        rows = _rows(text, delimiter)
        width = max(map(len, rows), default=0)
        cells = pd.DataFrame([row + [""] * (width - len(row)) for row in rows], dtype=object)
        cells = cells.where(cells != "", None)
    return cells, unclosed, spans


def _cells(text: str, delimiter: str) -> pd.DataFrame | None:
    """Return a file's cells; None where its rows are longer than its first lines."""
    head = text[:20_000].split("\n")[:_HEADING_WITHIN]
    width = max((line.count(delimiter) for line in head), default=0) + 1
    read = {"sep": delimiter, "header": None, "names": range(width), "dtype": object}
    keep = {"keep_default_na": False, "na_values": [""], "skip_blank_lines": False}
    try:
        with warnings.catch_warnings(action="error"):  # rows too long would lose cells
            data = io.BytesIO(text.encode())  # a StringIO holds four bytes a character
            return pd.read_csv(data, index_col=False, engine="c", **read, **keep)
    except pd.errors.EmptyDataError:
        return pd.DataFrame()
    except (pd.errors.ParserError, pd.errors.ParserWarning, ValueError):
        return None


def _close_quotes(text: str, delimiter: str) -> tuple[str, list[int], list[tuple[int, int]]]:
    """Make plain text of quotation marks that never close; a blank before one does that."""
    lines = re.split(r"\r\n?|\n", text)
    widths = [len(row) for line in lines[:_HEADING_WITHIN] for row in _rows(line, delimiter)]
    like_a_row = max(statistics.mode(widths or [0]) - 1, 1)
    unclosed: dict[int, None] = {}
    spans = []
    at = 0
    while at < len(lines):
        opened = _opened(lines[at], delimiter)
        if opened < 0:
            at += 1
        elif end := _closed_in(lines, at, delimiter, like_a_row):
            spans.append((at + 1, end + 1))
            at = end + 1
        else:
            lines[at] = f"{lines[at][:opened]} {lines[at][opened:]}"
            unclosed[at + 1] = None
    return "\n".join(lines), list(unclosed), spans


def _opened(line: str, delimiter: str) -> int:
    """Return where a line opens a quoted cell that it does not close, or -1."""
    at = 0 if '"' in line else -1
    while at >= 0:
        if line.startswith('"', at):
            closed = _CLOSED.match(line, at + 1)
            if closed is None or _swallows(closed[0][:-1], delimiter):
                return at
            at = closed.end()
        at = line.find(delimiter, at) + 1 or -1
    return -1


def _swallows(quoted: str, delimiter: str) -> bool:
    """Say whether two lone marks quote what is between them: a delimiter at either end."""
    return quoted.strip(" ").startswith(delimiter) and quoted.strip(" ").endswith(delimiter)


def _closed_in(lines: list[str], start: int, delimiter: str, like_a_row: int) -> int:
    """Return the line in which a quoted cell closes; 0 where it never does, or over other rows."""
    for at in range(start + 1, min(start + _LONGEST_CELL, len(lines))):
        if lines[at].count(delimiter) >= like_a_row:
            return 0
        if closed := _CLOSED.match(lines[at]):
            rest = lines[at][closed.end() :]
            if rest.strip(" ") and not rest.startswith(delimiter):
                return 0
            if _opened(rest, delimiter) < 0:
                return at
    return 0


def heading_key(heading: object) -> str:
    """Return a heading as columns are named: ``Tied (mm)`` and ``tied mm *`` are ``tied_mm``.

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
    key = re.sub(r"[^\w]+", "_", bare).strip("_") or text.strip()  # "#" is a heading too
    return key if key.endswith(ending) else key + ending


def _known_headings(table: Table, settings: Settings) -> dict[str, str]:
    """Return the known headings, as keys, and their columns; the maker's own come first."""
    own = {heading_key(h): column for h, column in settings.columns.get(table.name, {}).items()}
    bare = {stem(name): name for name in table.columns if stem(name) not in table.columns}
    bare |= {other: name for name, column in table.columns.items() for other in column.also}
    bare |= {outcome: name for name, outcome in COUNTED.items() if name in table.columns}
    return bare | {name: name for name in table.columns} | own


@dataclass(frozen=True)
class Headings:
    """Where a sheet's headings are."""

    at: int  # the position of their row in the sheet, -1 when no heading is known
    places: dict[str, int]  # the known columns and their positions
    unknown: list[str]  # headings that mean no known column
    doubled: list[str]  # columns that have a second heading
    # columns whose heading names another unit, and that unit as a key of `OTHER_UNITS`
    units: dict[str, str]
    # columns whose heading has words in brackets that are no unit of theirs, and the heading
    refused: dict[str, str]
    beside: list[str] = field(default_factory=list)  # the headings of a table beside this one
    # where the columns are that have a heading and are not read: doubled, refused, beside
    left: list[int] = field(default_factory=list)


def find_headings(sheet: Sheet, table: Table, settings: Settings) -> Headings:
    """Find a sheet's headings: the row, among the first ones, with the most known columns."""
    known = _known_headings(table, settings)
    top = sheet.cells.head(_HEADING_WITHIN)
    keys = [[heading_key(value) for value in row] for row in top.itertuples(index=False)]
    scores = [len({known[key] for key in row if key in known}) for row in keys]
    found = Headings(scores.index(max(scores)) if any(scores) else -1, {}, [], [], {}, {})
    own = {heading_key(heading) for heading in settings.columns.get(table.name, {})}
    words = settings.words.get("quantity_unit", {})
    heads = keys[found.at] if found.at >= 0 else []
    if set(COUNTED) & {known.get(key) for key in heads}:  # beside a count of good ones
        beside = {"tied": TIED_COUNT, "made": TIED_COUNT, "pending": PENDING_COUNT}
        known |= {key: name for key, name in beside.items() if key not in own}
    read = {key: name for key, name in known.items() if name in table.columns}
    end = ends_at(sheet.cells.iloc[max(found.at, 0) :], heads, read)
    if end < len(heads):
        found.beside.extend(str(text) for text in top.iloc[found.at, end:].dropna())
        found.left.extend(range(end, len(heads)))
    for place, key in enumerate(heads[:end]):
        column, heading = known.get(key), top.iat[found.at, place]
        if column is None and isinstance(heading, str) and heading.strip():
            found.unknown.append(heading.strip())
        elif column and column in found.places:
            found.doubled.append(column)
            found.left.append(place)
        elif column:
            unit = _other_unit(str(heading), table.columns[column], settings)
            if unit in OTHER_UNITS.get(unit_of_column(table.columns[column]), {}):
                found.units[column] = unit
            elif unit and key not in own and not (column in UNIT_OF and unit_in(heading, words)):
                found.refused[column] = str(heading).strip()
                found.left.append(place)
                continue
            found.places[column] = place
    return found


def ends_at(cells: pd.DataFrame, heads: list[str], known: Mapping[str, str]) -> int:
    """Return where a table ends: before an empty column, if a heading of it comes again behind."""
    columns = [known.get(key) for key in heads]
    for place, key in enumerate(heads):
        again = {*columns[:place]} & {*columns[place:]} - {None}
        if again and not key and cells.iloc[:, place].isna().all():
            return place
    return len(heads)


def _other_unit(heading: str, column: Column, settings: Settings) -> str:
    """Return what a number's heading has in brackets, unless that is its own unit."""
    if column.kind not in NUMBERS:
        return ""
    unit = unit_of_column(column)
    given = [text.strip().casefold().rstrip(".") for text in _BRACKETED.findall(heading)]
    others = [text for text in given if text.replace(" ", "") not in UNIT_SPELLINGS.get(unit, ())]
    if column.kind == "money":
        others = [text for text in others if not same_currency(text, settings.currency)]
    if not unit and column.possible:  # "response (1-5)"
        limits = [f"{limit:g}" for limit in column.possible]
        others = [text for text in others if re.findall(r"\d+", text) != limits]
    if not others:
        return ""
    # "Tied mm (cm)" and "tied (in) (wet)" say two things.
    says_own = column.unit != "" and heading_key(_BRACKETED.sub(" ", heading)) == column.name
    return others[0] if len(others) == 1 and not says_own else f"{unit} {' '.join(others)}"


def as_table(
    sheet: Sheet, table: Table, settings: Settings, found: Findings
) -> tuple[pd.DataFrame, Origin]:
    """Find a sheet's headings and return its rows as text under the columns that they mean.

    The rows, indexed by ``row``, are without empty ones, titles, totals and repeated headings. The
    origin says what the file and its headings say about all of them. `found` receives columns that
    are missing, doubled or misspelt.
    """
    headings = find_headings(sheet, table, settings)
    if headings.at < 0:
        say_no_headings(sheet, table, found)
        return table.empty()[[]], sheet.origin
    row = int(sheet.cells.index[headings.at])
    say_left(sheet, table, headings, found)
    places = headings.places
    _say_units(table, row, headings, found)
    there = {*places, *headings.refused}
    unknown = _say_asked(table, row, headings.unknown, found)
    _say_unknown(table, unknown, set(table.columns) - there, found)
    below = sheet.cells.iloc[headings.at + 1 :]
    whole = _say_in_words(below, sheet.cells.iloc[headings.at], table, places, found)
    _say_missing(table, there | ({"reed", "outcome"} if len(whole) else set()), found)
    _say_coloured(sheet, table, row, found)
    _say_above(sheet, table, headings.at, found)
    body = below.iloc[:, list(places.values())]
    body = body.set_axis(list(places), axis=1).rename_axis(index="row")
    heads = sheet.cells.iloc[headings.at, list(places.values())].set_axis(list(places))
    body = leave_out(below, body, heads, table, found)
    whole = body.index.intersection(whole)
    found.skip(table.name, whole, "batch in words")
    body = body.drop(whole)
    uncounted = _uncounted(sheet.cells, headings) if {TIED_COUNT, *COUNTED} & {*places} else {}
    body = unit_apart(body, heads, settings.words.get("quantity_unit", {}))
    _, _, pieces = price_for(str(heads.get("price_per_piece", "")))
    if pieces > 1:
        problem = f"has a heading for {pieces:,} pieces, so its prices are divided by {pieces:,}"
        fix = "leave it, or write the price of the whole lot under price if it is for tubes"
        found.add(table.name, row, "price_per_piece", "", "read_as", problem, fix)
    origin = replace(sheet.origin, units=headings.units, uncounted=uncounted, pieces=pieces)
    return body, origin


def _say_in_words(
    below: pd.DataFrame,
    heads: pd.Series,
    table: Table,
    places: Mapping[str, int],
    found: Findings,
) -> pd.Index:
    """Name a column whose cells hold whole batches, and return their rows."""
    rows = below.index[:0]
    if table.name != "reeds" or {"outcome", TIED_COUNT, *COUNTED} & {*places}:
        return rows
    for place in {*range(len(heads))} - {*places.values()}:
        cells, heading = below.iloc[:, place].dropna(), heads.iloc[place]
        whole = cells[cells.map(is_in_words).astype(bool)]
        if isinstance(heading, str) and 2 * len(whole) > len(cells):
            problem = f"is a whole batch in one cell, under {heading.strip()[:40]!r}"
            found.each(table.name, "", whole, "error", problem, IN_COLUMNS)
            rows = rows.union(whole.index)
    return rows


def _uncounted(cells: pd.DataFrame, headings: Headings) -> dict[str, pd.Series]:
    """Return the whole numbers under each heading that is not read and has no other cells."""
    numbers = {}
    for place, heading in enumerate(cells.iloc[headings.at]):
        if isinstance(heading, str) and place not in headings.places.values():
            texts = cells.iloc[headings.at + 1 :, place].dropna().astype(str).str.strip()
            if len(texts) and texts.str.fullmatch(r"\d{1,3}").all():
                numbers[heading.strip()] = texts.astype(float)
    return numbers


def say_no_headings(sheet: Sheet, table: Table, found: Findings) -> None:
    """Name a sheet none of whose headings is known; an empty one is not named."""
    if len(sheet.cells):
        problem = f"{sheet.place} has no known headings"
        fix = f"name its columns {', '.join(table.needed)}"
        found.add(table.name, None, "", sheet.place, "error", problem, fix)


def say_left(sheet: Sheet, table: Table, headings: Headings, found: Findings) -> None:
    """Name a sheet's columns that have a heading and are not read: `Headings.left`."""
    row = int(sheet.cells.index[headings.at])
    for name in headings.doubled:
        problem = "is the heading of two columns; only the first is read"
        found.add(table.name, row, name, "", "error", problem, "rename one of them")
    if headings.beside:
        named = ", ".join(map(repr, headings.beside[:6]))
        problem = f"columns {named} are another table beside this one, and are not read"
        fix = "move them into a sheet of their own"
        found.add(table.name, None, "", sheet.place, "error", problem, fix)
    for name, heading in headings.refused.items():
        column = table.columns[name]
        found.add(
            table.name, row, name, heading, "error",
            "has words in brackets that are not a unit of this column, which is not read",
            f"name the column {column.heading.removesuffix(' *')}, with its numbers in that unit"
            if column.unit
            else f"name the column {name}, and write its numbers so",
        )  # fmt: skip


def _say_coloured(sheet: Sheet, table: Table, headings: int, found: Findings) -> None:
    """Say once that colours are not read, if cells of one column differ in theirs."""
    below = {key: count for key, (count, last) in sheet.looks.items() if last > headings}
    columns = Counter(at for at, _ in below)
    coloured = sum(n for (at, look), n in below.items() if look and columns[at] > 1)
    if coloured:
        problem = f"{sheet.place} has coloured or struck-through cells, and neither is read"
        fix = "write into a column what a colour means, if it means anything"
        found.add(table.name, None, "", f"{coloured:,} cells", "warning", problem, fix)


def _say_above(sheet: Sheet, table: Table, headings: int, found: Findings) -> None:
    """Name rows above the headings that are more than titles."""
    above = sheet.cells.iloc[:headings]
    rows = above.index[above.notna().sum(axis=1) >= _WIDE]
    if len(rows) > 1:
        problem = f"rows {rows[0]} to {rows[-1]} come before the headings, and are not read"
        fix = "leave them, or move a table of its own into a sheet of its own"
        found.add(table.name, None, "", sheet.place, "warning", problem, fix)


def _say_units(table: Table, row: int, headings: Headings, found: Findings) -> None:
    """Name headings with another unit than their column's, whose numbers are converted."""
    for name, key in headings.units.items():
        unit = unit_of_column(table.columns[name])
        other, convert = OTHER_UNITS[unit][key]
        found.add(
            table.name, row, name, "", "read_as",
            f"has a heading in {other}, so its numbers are converted: 1 is read as "
            f"{convert(1):.4g} {unit}",
            "leave it, or write the numbers and the heading in that unit",
        )  # fmt: skip


def _say_asked(table: Table, row: int, unknown: list[str], found: Findings) -> list[str]:
    """Ask whose price or quantity a reed's row means; return the other unknown headings."""
    if table.name != "reeds":
        return unknown
    asked = [heading for heading in unknown if heading_key(heading) in OF_ITSELF]
    for heading in asked:
        key = heading_key(heading)
        may_be = [f"lot_{key}, if it is the whole lot's"]
        if key == "price":
            may_be = ["sold_for, if it is what the reed fetched", *may_be]
            may_be.append("price_per_piece, if it is what one piece of cane cost")
        problem = f"the heading {heading[:60]!r} may mean the reed or its cane, and is not read"
        fix = f"name it {'; '.join(may_be)}; or say so under [columns.reeds] in bench.toml"
        found.add(table.name, row, "", heading, "warning", problem, fix)
    return [heading for heading in unknown if heading not in asked]


def _say_unknown(table: Table, unknown: list[str], free: set[str], found: Findings) -> None:
    """Name unknown headings, each with the column that it may mean."""
    others = []
    for heading in unknown:
        near = difflib.get_close_matches(heading_key(heading)[:60], sorted(free), 1, 0.8)
        if near:
            problem = f"the heading {heading[:60]!r} is not known, so its column is not read"
            fix = f"write {near[0]}, if you mean that"
            found.add(table.name, None, near[0], heading, "warning", problem, fix)
        else:
            others.append(repr(heading[:40]))
    if others:
        named = ", ".join(others[:6]) + (" and more" if others[6:] else "")
        fix = f"leave them, or say what they hold under [columns.{table.name}] in bench.toml"
        found.add(table.name, None, "", named, "warning", f"columns not read: {named}", fix)


def _say_missing(table: Table, there: set[str], found: Findings) -> None:
    either = {"lot", "piece"} if table.name == "reeds" else set()
    counted = {"reed", "outcome"} if there & {TIED_COUNT, *COUNTED} else set()
    for name in table.needed:
        if name not in there | counted and not (name in either and there & either):
            fix = f"add one: {table.columns[name].says}"
            found.add(table.name, None, name, "", "error", f"has no column {name}", fix)


def table_called(name: str, own: Mapping[str, str]) -> str | None:
    """Return the table that a file or sheet of this name holds; "" if the maker says none."""
    key = name.strip().casefold()
    return own.get(key, key if key in TABLES else None)
