"""A table of text becomes a table of types; a cell that cannot be read becomes a finding.

A column's distinct texts are read once each: the plain ones all at once, the others one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_datetime64_dtype, is_numeric_dtype

from reedlab.records.findings import Findings, Severity
from reedlab.records.read.batch_rows import add_up
from reedlab.records.read.cell_values import (
    DAYS,
    HOURS_OR_DECIMALS,
    OTHER_UNITS,
    TWO_READINGS,
    OtherUnit,
    Trouble,
    days_meant,
    is_serial,
    read_date,
    read_minutes,
    read_number,
    read_word,
    texts_of,
    unit_of_column,
    without_separators,
)
from reedlab.records.read.column_forms import (
    comma_by_range,
    decimal_comma,
    shows_decimals,
    two_orders,
    year_first,
)
from reedlab.records.read.sheets_as_text import Origin
from reedlab.records.read.written import (
    DITTO_BEGINS,
    Reading,
    cells_above,
    day_fractions,
    ditto_note,
    ditto_trouble,
    is_ditto,
    is_lone_mark,
    months_meant,
    read_written,
    without_about,
)
from reedlab.records.settings import Settings
from reedlab.records.tables import CARRIED, NUMBERS, Column, Table

_TO = re.compile(r"\b(to|bis)\b", re.IGNORECASE)
_BARE = re.compile(r"[\d.,+\-–—\s\u00a0\u2007\u2009\u202f]+")
"""A number without a unit, which its heading may give."""


def parse_table(
    table: Table, given: pd.DataFrame, settings: Settings, found: Findings, origin: Origin
) -> pd.DataFrame:
    """Return a table's rows with every column typed; a cell that cannot be read is empty.

    `given` is text, or values that are typed already. `found` receives an error for each cell that
    cannot be read, a warning for each lone note, and ``read_as`` for each cell that is interpreted,
    or of whose two readings the column shows the one meant.

    The result has every column of `table`, indexed by ``row``, without rows that are empty or hold
    only a note. A month without a day is its first day, named under ``month_only``.
    """
    if given.index.name != "row" or not given.index.is_unique:
        given = given.set_axis(pd.RangeIndex(2, len(given) + 2, name="row"))
    before = np.searchsorted(found.skipped_rows(table.name), given.index.to_numpy())
    apart = np.diff(before, prepend=0) > 0  # rows of the sheet were left out right before
    cells = {
        name: _cells(given[name], column, apart)
        for name, column in table.columns.items()
        if name in given and not _typed(given[name], column)
    }
    numbers = [
        # The sign in 1.30 may part hours from minutes.
        [
            without_about(t)
            for t in c.unique
            if kind != "minutes" or not HOURS_OR_DECIMALS.fullmatch(t)
        ]
        for name, c in cells.items()
        if (kind := table.columns[name].kind) in NUMBERS
    ]
    comma = decimal_comma(numbers, origin.comma_decimal)
    days = [t for name, c in cells.items() if table.columns[name].kind == "date" for t in c.unique]
    # Of a large table the text goes as its values come, so that memory never holds both.
    given = given.drop(columns=[*cells])
    columns, remarks, month_only = {}, [], pd.Series("", index=given.index)
    says = np.zeros(len(given), dtype=bool)
    for name, column in table.columns.items():
        if name in cells:
            own = cells.pop(name)
            known = own.codes >= 0
            parsed = _parse(own.unique, column, settings, comma, origin, days)
            columns[name] = _spread(parsed.values, own.codes, given.index)
            if parsed.months:
                by_month = np.isin(own.codes, parsed.months)
                month_only = month_only.mask(by_month, month_only + f" {name}")
            notes = _read_as(own.unique, parsed.values, column, origin) | parsed.notes
            _report(table.name, column, own, parsed.troubles, given.index, "error", found)
            _report(table.name, column, own, notes, given.index, "read_as", found)
            _report_dittos(table.name, column, own, given.index, found)
        elif name in given:
            known = given[name].notna().to_numpy()
            columns[name] = given[name].astype(column.dtype)
        else:
            columns[name] = pd.Series(column.missing(len(given)), index=given.index)
            continue
        if column.kind == "text" and not column.needed:
            remarks.append(columns[name].rename(name)[known])
        else:
            says |= known
    if "month_only" in columns and (month_only != "").any():
        both = columns["month_only"].fillna("").str.cat(month_only).str.strip()
        columns["month_only"] = both.where(both != "").astype(table.columns["month_only"].dtype)
    typed = pd.DataFrame(columns, index=given.index, copy=False)
    noted = np.zeros(len(given), dtype=bool)
    for alone in remarks:
        noted |= typed.index.isin(alone.index)
        alone = alone[alone.index.isin(typed.index[~says])]
        found.each(table.name, str(alone.name), alone, "warning",
                   "is alone in its row, which is left out",
                   "move it to the row that it belongs to")  # fmt: skip
    if not says.all():
        found.skip(table.name, typed.index[~says & noted], "note alone")
        found.skip(table.name, typed.index[~says & ~noted], "empty")
        typed = typed[says]
    return add_up(typed, table, found, origin.uncounted)


@dataclass(frozen=True)
class _Cells:
    """A column's distinct texts, for each row which of them it holds (-1 for none), ditto marks.

    A ditto mark holds the text of the cell above, or none where it cannot be read.
    """

    unique: list[str]
    codes: np.ndarray
    marks: Mapping[int, str]


def _typed(values: pd.Series, column: Column) -> bool:
    """Say whether values are numbers, dates or categories already."""
    if column.kind in NUMBERS:
        return is_numeric_dtype(values) and not is_bool_dtype(values)
    if column.kind in ("date", "time"):
        return is_datetime64_dtype(values)
    return values.dtype == column.dtype and column.kind in ("word", "yesno")


def _cells(values: pd.Series, column: Column, apart: np.ndarray) -> _Cells:
    """Find a column's distinct texts, without blanks and empty cells."""
    codes, unique = pd.factorize(values.astype(object))
    texts = texts_of(unique)
    marks: dict[int, str] = {}
    note = column.kind == "text" and not column.needed
    if not note and any(text[0] in DITTO_BEGINS for text in texts if text):
        kinds = [is_ditto(v) or is_lone_mark(v) for v in unique] + [False]
        written = codes.copy()
        carried = [is_ditto(v) and column.name in CARRIED for v in unique] + [False]
        known = np.array([t is not None for t in texts] + [False])
        known &= ~np.array(kinds) | carried
        source = cells_above(np.array(carried)[codes], known[codes], apart)
        codes = np.where(source < 0, -1, codes[source])
        codes[np.array(kinds)[codes]] = -1  # another mark, or one that means no cell
        for at in np.flatnonzero(np.array(kinds)[written]):
            marks[int(at)] = str(unique[written[at]])
        texts = [None if kind else text for kind, text in zip(kinds, texts)]
    known_texts = dict.fromkeys(t for t in texts if t is not None)
    places = {text: i for i, text in enumerate(known_texts)}
    to = np.array([-1 if t is None else places[t] for t in texts] + [-1], dtype=np.int32)
    return _Cells(list(places), to[codes], marks)


class _Parsed(NamedTuple):
    """A value for each text, and by the text's position its trouble, or how it is read."""

    values: pd.Series
    troubles: dict[int, Trouble]
    notes: dict[int, Trouble]
    months: list[int]
    """The texts that name a month, without a day."""


def _parse(
    texts: list[str],
    column: Column,
    settings: Settings,
    comma: bool | None,
    origin: Origin,
    days: list[str],
) -> _Parsed:
    """Return a value for each text of a column; `days` are all the days of its table."""
    match column.kind:
        case "number" | "count" | "money" | "minutes":
            return _parse_numbers(texts, column, settings, comma, origin)
        case "date" | "time":
            return _parse_dates(texts, column, settings, origin, days)
        case "word" | "yesno":
            ready = pd.Series(None, index=range(len(texts)), dtype=object)
            own = settings.words.get(column.name, {})
            troubles: dict[int, Trouble] = {}
            values = _one_by_one(ready, troubles, lambda i: read_word(texts[i], column, own))
            return _Parsed(values.astype(column.dtype), troubles, {}, [])
        case _:
            return _Parsed(_names(texts, column, settings), {}, {}, [])


def _one_by_one(
    ready: pd.Series, troubles: dict[int, Trouble], read: Callable[[int], object]
) -> pd.Series:
    """Read what is missing in `ready`; what cannot be read stays missing, with its trouble."""
    if ready.notna().all():
        return ready
    values = ready.to_numpy(dtype=object, copy=True)
    for i in map(int, np.flatnonzero(ready.isna().to_numpy())):
        try:
            values[i] = None if i in troubles else read(i)
        except Trouble as trouble:
            troubles[i] = trouble
            values[i] = None
    return pd.Series(values)


def _parse_numbers(
    given: list[str], column: Column, settings: Settings, comma: bool | None, origin: Origin
) -> _Parsed:
    """Read a column's numbers, in the unit of its heading."""
    texts = [without_about(text) for text in _without_unit(given, column, origin)]
    convert = _conversion(column, origin)
    if comma is None:
        comma = comma_by_range(texts, column, convert or float)
    one = partial(read_number, column=column, settings=settings, comma=comma)
    unclear = [comma is not False and bool(TWO_READINGS.fullmatch(t)) for t in texts]
    of_a_day: dict[int, float] = {}
    if column.kind == "minutes":
        of_a_day = {} if convert else day_fractions(texts, column)
        decimals = shows_decimals([t for i, t in enumerate(texts) if i not in of_a_day])
        one = partial(
            read_minutes, column=column, settings=settings, comma=comma, decimals=decimals
        )
        hours = [not decimals and bool(HOURS_OR_DECIMALS.fullmatch(t)) for t in texts]
        unclear = [one or other for one, other in zip(unclear, hours)]
    ready = _plain_numbers(texts).mask(np.array(unclear, dtype=bool))
    for i, minutes in of_a_day.items():
        ready[i] = minutes
    of_day = Reading("a time kept as a fraction of a day", "leave it, or format it as a time")
    how = dict.fromkeys(of_a_day, of_day)

    def read(i: int) -> float:
        try:
            value, done = read_written(texts[i], column, one, convert or float)
        except OtherUnit as other:
            in_heading = Trouble(other.problem, "write it in the unit of the heading")
            raise (other if convert is None else in_heading) from other
        if done is not None:
            how[i] = done
        return value

    troubles: dict[int, Trouble] = {}
    values = _one_by_one(ready, troubles, read).astype(column.dtype)
    if convert is not None:
        bare = [_BARE.fullmatch(_TO.sub("-", text)) is not None for text in texts]
        values = values.mask(np.array(bare, dtype=bool), convert(values))
    if column.name == "price_per_piece":
        values = values / origin.pieces
    rough = Reading("a rough number", "leave it, or write the number alone")
    less = [without_about(text) for text in given]
    about = {i: rough for i, text in enumerate(texts) if given[i] not in (text, less[i])}
    notes = {
        i: Trouble(f"is read as {values[i]:.10g}, {done.says}", done.fix)
        for i, done in (about | how).items()
        if i not in troubles
    }
    return _Parsed(values, troubles, notes, [])


def _parse_dates(
    texts: list[str], column: Column, settings: Settings, origin: Origin, days: list[str]
) -> _Parsed:
    """Read a column's days; a month without a day is its first day."""
    ready = _iso_dates(texts)
    if ready.notna().all():
        return _Parsed(ready.astype(column.dtype), {}, {}, [])
    troubles = {} if settings.date_order else two_orders(texts)
    meant = months_meant(texts, days)
    months = {i: day for i, day in meant.items() if isinstance(day, pd.Timestamp)}
    troubles |= {i: asked for i, asked in meant.items() if isinstance(asked, Trouble)}
    if column.to_the_day:
        no_day = Trouble("is a month, and a day is needed", "write the day, such as 2024-03-05")
        troubles |= dict.fromkeys(months, no_day)
    first = year_first(texts, settings.date_order)

    def read(i: int) -> pd.Timestamp:
        if i in months:
            return months[i]
        return read_date(texts[i], settings.date_order, first, origin.first_serial)

    values = _one_by_one(ready, troubles, read)
    if column.kind == "date":
        values = pd.to_datetime(values).astype("datetime64[us]").dt.normalize()
    notes = {
        i: Trouble(f"is read as the month {day:%Y-%m}, without a day", "leave it, or write the day")
        for i, day in months.items()
        if i not in troubles
    }
    return _Parsed(values.astype(column.dtype), troubles, notes, list(notes))


def _conversion(column: Column, origin: Origin) -> Callable[[float], float] | None:
    """Return the conversion from the unit of a column's heading, if it is not the column's own."""
    if column.name not in origin.units:
        return None
    return OTHER_UNITS[unit_of_column(column)][origin.units[column.name]][1]


def _without_unit(texts: list[str], column: Column, origin: Origin) -> list[str]:
    """Leave out a unit that the heading names too: 2.85 in, under "tied (in)"."""
    if column.name not in origin.units:
        return texts
    known = OTHER_UNITS[unit_of_column(column)]
    name = known[origin.units[column.name]][0]
    same = "|".join(re.escape(key) for key, (its, _) in known.items() if its == name)
    return [re.sub(rf"(?<=\d)\s*({same})\.?$", "", text, flags=re.IGNORECASE) for text in texts]


def _read_as(
    texts: list[str], values: pd.Series, column: Column, origin: Origin
) -> dict[int, Trouble]:
    """Say how each text with two readings was read, by its position."""
    notes = {}
    dated, counted = column.kind in ("date", "time"), column.kind in NUMBERS
    for i in np.flatnonzero(values.notna().to_numpy()) if dated or counted else ():
        text = texts[i]
        if text[4:5] == "-" if dated else not ("," in text or "." in text):
            continue  # most texts have one reading
        value = values.iloc[i]
        if dated and is_serial(text):
            why = "a spreadsheet's count of days"
            fix = "leave it, or format the cell as a date and save again"
        elif dated and len({day.year for day in days_meant(text, None, None)}) > 1:
            why, fix = "as the column shows", "leave it, or write the year with four digits"
        elif column.kind == "minutes" and HOURS_OR_DECIMALS.fullmatch(text):
            why = "a decimal number, as the column has others"
            fix = "leave it, or write 1:30 for hours and minutes"
        elif counted and _unlike_its_file(text, origin):
            why = "as its table shows"
            fix = "leave it, or write whole numbers without a separator"
        else:
            continue
        shown = f"{value:%Y-%m-%d}" if dated else f"{value:.10g}"
        notes[int(i)] = Trouble(f"is read as {shown}, {why}", fix)
    return notes


def _unlike_its_file(text: str, origin: Origin) -> bool:
    """Say whether 1,234 or 1.234 has a sign that the file's delimiter does not explain."""
    two = TWO_READINGS.fullmatch(without_separators(text))
    return two is not None and (two[1] == ",") is not bool(origin.comma_decimal)


def _spread(values: pd.Series, codes: np.ndarray, index: pd.Index) -> pd.Series:
    """Give each row the value of its text."""
    spread = values.reindex(codes) if len(values) else values.reindex(range(len(codes)))
    return spread.set_axis(index)


def _report(
    table: str,
    column: Column,
    cells: _Cells,
    troubles: dict[int, Trouble],
    index: pd.Index,
    severity: Severity,
    found: Findings,
) -> None:
    """Turn troubles into findings, one for each row."""
    if troubles:
        for at in np.flatnonzero(np.isin(cells.codes, list(troubles))):
            i = int(cells.codes[at])
            problem, fix = troubles[i].problem, troubles[i].fix
            found.add(table, int(index[at]), column.name, cells.unique[i], severity, problem, fix)


def _report_dittos(
    table: str, column: Column, cells: _Cells, index: pd.Index, found: Findings
) -> None:
    """Say how each ditto mark is read, or why not."""
    for at, mark in cells.marks.items():
        row, code = int(index[at]), int(cells.codes[at])
        if code >= 0:
            problem, fix = ditto_note(cells.unique[code])
            found.add(table, row, column.name, mark, "read_as", problem, fix)
        else:
            trouble = ditto_trouble(column, mark)
            found.add(table, row, column.name, mark, "error", trouble.problem, trouble.fix)


def _plain_numbers(texts: list[str]) -> pd.Series:
    """Read plain numbers with a decimal point; the rest is missing."""
    plain = pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce").astype("float64")
    return plain.mask(~np.isfinite(plain))


def _iso_dates(texts: list[str]) -> pd.Series:
    """Read days written 2024-03-05; the rest is missing."""
    days = [t if len(t) == 10 and t[4] == "-" else None for t in texts]
    dates = pd.to_datetime(pd.Series(days, dtype=object), format="%Y-%m-%d", errors="coerce")
    dates = dates.astype("datetime64[us]")
    return dates.where(dates.between(*DAYS))


def _names(texts: list[str], column: Column, settings: Settings) -> pd.Series:
    """Keep names and notes as text; names lose doubled blanks and follow the maker's own map."""
    if column.kind == "name":
        own = settings.words.get(column.name, {})
        texts = [" ".join(t.split()) if " " in t else t for t in texts]
        texts = [own.get(t, t) for t in texts] if own else texts
    return pd.Series(texts, dtype=column.dtype)
