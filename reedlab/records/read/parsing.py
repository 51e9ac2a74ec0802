"""A table of text becomes a table of types; a cell that cannot be read becomes a finding.

A column's distinct texts are read once each: the plain ones all at once, the others one by one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_datetime64_dtype, is_numeric_dtype

from reedlab.records.findings import Findings
from reedlab.records.read.cell_values import (
    DAYS,
    TWO_READINGS,
    Trouble,
    decimal_comma,
    read_date,
    read_minutes,
    read_number,
    read_word,
    text_of,
)
from reedlab.records.settings import Settings
from reedlab.records.tables import Column, Table

_NUMBERS = ("number", "money", "minutes")


def parse_table(
    table: Table,
    given: pd.DataFrame,
    settings: Settings,
    found: Findings,
    *,
    comma_decimal: bool | None = None,
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
        Receives an error for each cell that cannot be read, a warning for each lone note.
    comma_decimal : bool, optional
        What the file's delimiter says about decimal commas, for numbers such as 1,234.

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
    numbers = [c.unique for n, c in cells.items() if table.columns[n].kind in _NUMBERS]
    comma = decimal_comma(numbers, comma_decimal)
    # Of a large table the text goes as its values come, so that memory never holds both.
    given = given.drop(columns=[*cells])
    columns, remarks = {}, []
    says = np.zeros(len(given), dtype=bool)
    for name, column in table.columns.items():
        if name in cells:
            own = cells.pop(name)
            known = own.codes >= 0
            parsed, troubles = _parse(own.unique, column, settings, comma)
            columns[name] = _spread(parsed, own.codes, given.index)
            _report(table.name, column, own, troubles, given.index, found)
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
    texts: list[str], column: Column, settings: Settings, comma: bool | None
) -> tuple[pd.Series, dict[int, Trouble]]:
    """Return a value for each text, and the troubles by the text's position."""
    slow: Callable[[str], object]
    match column.kind:
        case "number" | "money" | "minutes":
            ready = _plain_numbers(texts, comma)
            slow = partial(read_number, column=column, settings=settings, comma=comma)
            if column.kind == "minutes":
                slow = partial(read_minutes, column=column, settings=settings, comma=comma)
        case "date" | "time":
            ready = _iso_dates(texts)
            slow = partial(read_date, order=settings.date_order)
        case "word" | "yesno":
            ready = pd.Series(None, index=range(len(texts)), dtype=object)
            slow = partial(read_word, column=column, own=settings.words.get(column.name, {}))
        case _:
            return _names(texts, column, settings), {}
    values, troubles = ready.to_numpy(dtype=object, copy=True), {}
    for i in np.flatnonzero(ready.isna().to_numpy()):
        try:
            values[i] = slow(texts[i])
        except Trouble as trouble:
            troubles[int(i)] = trouble
            values[i] = None
    result = ready if ready.notna().all() else pd.Series(values)
    if column.kind == "date":
        result = pd.to_datetime(result).astype("datetime64[us]").dt.normalize()
    return result.astype(column.dtype), troubles


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
    found: Findings,
) -> None:
    """Turn troubles into findings, one for each row."""
    if troubles:
        for at in np.flatnonzero(np.isin(cells.codes, list(troubles))):
            i = int(cells.codes[at])
            trouble = troubles[i]
            found.add(
                table, int(index[at]), column.name, cells.unique[i], "error",
                trouble.problem, trouble.fix,
            )  # fmt: skip


def _plain_numbers(texts: list[str], comma: bool | None) -> pd.Series:
    """Read plain numbers with a decimal point; the rest is missing."""
    plain = pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce").astype("float64")
    plain = plain.mask(~np.isfinite(plain))
    if comma:
        plain = plain.mask([TWO_READINGS.fullmatch(t) is not None for t in texts])
    return plain


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
