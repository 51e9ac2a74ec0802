"""A table of text becomes a table of types; a cell that cannot be read becomes a finding.

A column's distinct texts are read once each: the plain ones all at once, the others one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_datetime64_dtype, is_numeric_dtype

from reedlab.records.findings import Findings, Severity
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
    text_of,
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
from reedlab.records.settings import Settings
from reedlab.records.tables import Column, Table

_NUMBERS = ("number", "money", "minutes")
_BARE = re.compile(r"[\d.,+\-\s\u00a0\u2007\u2009\u202f]+")
"""A number without a unit, which its heading may give."""


def parse_table(
    table: Table,
    given: pd.DataFrame,
    settings: Settings,
    found: Findings,
    origin: Origin,
) -> pd.DataFrame:
    """Return a table's rows with every column typed; a cell that cannot be read is empty.

    Parameters
    ----------
    table : Table
        What the columns should be.
    given : pandas.DataFrame
        Text, or values that are typed already; columns named as in `table`, others ignored.
    settings : Settings
        The date order, and the maker's own words.
    found : Findings
        Receives an error for each cell that cannot be read, a warning for each lone note, and
        ``read_as`` for each cell with two readings of which the column shows the one meant.
    origin : Origin
        What the file says about all its cells.

    Returns
    -------
    pandas.DataFrame
        Every column of `table`, in its order, indexed by ``row``, without rows that are empty or
        hold only a note.
    """
    if given.index.name != "row":
        given = given.set_axis(pd.RangeIndex(2, len(given) + 2, name="row"))
    cells = {
        name: _cells(given[name])
        for name, column in table.columns.items()
        if name in given and not _typed(given[name], column)
    }
    numbers = [
        # The sign in 1.30 may part hours from minutes.
        [t for t in c.unique if kind != "minutes" or not HOURS_OR_DECIMALS.fullmatch(t)]
        for name, c in cells.items()
        if (kind := table.columns[name].kind) in _NUMBERS
    ]
    comma = decimal_comma(numbers, origin.comma_decimal)
    # Of a large table the text goes as its values come, so that memory never holds both.
    given = given.drop(columns=[*cells])
    columns, remarks = {}, []
    says = np.zeros(len(given), dtype=bool)
    for name, column in table.columns.items():
        if name in cells:
            own = cells.pop(name)
            known = own.codes >= 0
            parsed, troubles = _parse(own.unique, column, settings, comma, origin)
            columns[name] = _spread(parsed, own.codes, given.index)
            notes = _read_as(own.unique, parsed, column, origin)
            _report(table.name, column, own, troubles, given.index, "error", found)
            _report(table.name, column, own, notes, given.index, "read_as", found)
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
    typed = pd.DataFrame(columns, index=given.index, copy=False)
    for alone in remarks:
        alone = alone[alone.index.isin(typed.index[~says])]
        found.each(table.name, str(alone.name), alone, "warning",
                   "is alone in its row, which is left out",
                   "move it to the row that it belongs to")  # fmt: skip
    return typed if says.all() else typed[says]


@dataclass(frozen=True)
class _Cells:
    """A column's distinct texts, and for each row which of them it holds (-1 for none)."""

    unique: list[str]
    codes: np.ndarray


def _typed(values: pd.Series, column: Column) -> bool:
    """Say whether values are numbers, dates or categories already."""
    if column.kind in _NUMBERS:
        return is_numeric_dtype(values) and not is_bool_dtype(values)
    if column.kind in ("date", "time"):
        return is_datetime64_dtype(values)
    return values.dtype == column.dtype and column.kind in ("word", "yesno")


def _cells(values: pd.Series) -> _Cells:
    """Find a column's distinct texts, without blanks and empty cells."""
    codes, unique = pd.factorize(values.astype(object))
    texts = [text_of(value) for value in unique]
    known = {text: i for i, text in enumerate(dict.fromkeys(t for t in texts if t is not None))}
    to = np.array([-1 if t is None else known[t] for t in texts] + [-1], dtype=np.int32)
    return _Cells(list(known), to[codes])


def _parse(
    texts: list[str], column: Column, settings: Settings, comma: bool | None, origin: Origin
) -> tuple[pd.Series, dict[int, Trouble]]:
    """Return a value for each text, and the troubles by the text's position."""
    slow: Callable[[str], object]
    texts = _without_unit(texts, column, origin)
    troubles: dict[int, Trouble] = {}
    convert = _conversion(column, origin)
    match column.kind:
        case "number" | "money" | "minutes":
            if comma is None:
                comma = comma_by_range(texts, column, convert or float)
            slow = partial(read_number, column=column, settings=settings, comma=comma)
            unclear = [comma is not False and bool(TWO_READINGS.fullmatch(t)) for t in texts]
            if column.kind == "minutes":
                decimals = shows_decimals(texts)
                slow = partial(
                    read_minutes, column=column, settings=settings, comma=comma, decimals=decimals
                )
                hours = [not decimals and bool(HOURS_OR_DECIMALS.fullmatch(t)) for t in texts]
                unclear = [one or other for one, other in zip(unclear, hours)]
            ready = _plain_numbers(texts).mask(np.array(unclear, dtype=bool))
        case "date" | "time":
            ready = _iso_dates(texts)
            slow = partial(
                read_date,
                order=settings.date_order,
                year_first=year_first(texts, settings.date_order),
                first_serial=origin.first_serial,
            )
            troubles = {} if settings.date_order else two_orders(texts)
        case "word" | "yesno":
            ready = pd.Series(None, index=range(len(texts)), dtype=object)
            slow = partial(read_word, column=column, own=settings.words.get(column.name, {}))
        case _:
            return _names(texts, column, settings), {}
    values = ready.to_numpy(dtype=object, copy=True)
    for i in np.flatnonzero(ready.isna().to_numpy()):
        try:
            values[i] = None if int(i) in troubles else slow(texts[i])
        except OtherUnit as other:
            in_heading = Trouble(other.problem, "write it in the unit of the heading")
            troubles[int(i)] = other if convert is None else in_heading
            values[i] = None
        except Trouble as trouble:
            troubles[int(i)] = trouble
            values[i] = None
    result = ready if ready.notna().all() else pd.Series(values)
    if column.kind == "date":
        result = pd.to_datetime(result).astype("datetime64[us]").dt.normalize()
    result = result.astype(column.dtype)
    if convert is not None:
        bare = np.array([_BARE.fullmatch(text) is not None for text in texts], dtype=bool)
        result = result.mask(bare, convert(result))
    return result, troubles


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
    dated, counted = column.kind in ("date", "time"), column.kind in _NUMBERS
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
            trouble = troubles[i]
            found.add(
                table, int(index[at]), column.name, cells.unique[i], severity,
                trouble.problem, trouble.fix,
            )  # fmt: skip


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
