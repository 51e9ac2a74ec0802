"""What is wrong with typed tables: every problem at once, each with its fix.

A value with an error cannot be used and is emptied; a value with a warning is unlikely, and used.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import numpy as np
import pandas as pd

from reedlab.records.check import consistency, spelling
from reedlab.records.check.schema import failures
from reedlab.records.findings import Findings
from reedlab.records.read.cell_values import OTHER_UNITS
from reedlab.records.settings import Settings
from reedlab.records.tables import TABLES, Column, Likely, Range
from reedlab.records.tidy.frames import with_usual

Tables = dict[str, pd.DataFrame]


def check_tables(tables: Tables, settings: Settings, found: Findings, today: dt.date) -> None:
    """Look for problems, such as days after today; values with an error are emptied in `tables`."""
    for name in TABLES:
        _check_cells(name, tables, settings, found)
    spelling.unify(tables, found)
    consistency.check(tables, settings, found, today)
    spelling.check(tables, found)


def _check_cells(name: str, tables: Tables, settings: Settings, found: Findings) -> None:
    """Check a table's cells one by one: empty, impossible, unlikely."""
    frame = tables[name]
    if frame.empty:
        return
    refused = failures(name, frame)
    unread = {column: found.rows(name, column) for column in refused["column"].unique()}
    filled = with_usual(frame, settings) if name == "reeds" else frame
    for column_name, cells in refused.groupby("column", sort=False):
        column = TABLES[name].columns[str(column_name)]
        rows = [row for row in cells["row"] if row not in unread[column.name]]
        if cells["empty"].all():
            if column.refers:  # of a piece made from a row of reeds, which is named by itself
                rows = [row for row in rows if row > 0]
            if len(rows) == len(frame) and None in unread[column.name]:
                continue  # a column that is not there is named once
            whole = len(rows) == len(frame) > 1
            for row in [None] if whole else rows:
                where = "is empty in every row" if whole else "is empty"
                found.add(name, row, column.name, "", "error", where, f"fill in {column.says}")
            continue
        low, high = _limits(column, settings.likely(name, column.name), filled.loc[rows])
        for row, limit in zip(rows, zip(low, high)):
            value = float(frame.at[row, column.name])
            found.add(
                name, row, column.name, value, "error", "is impossible",
                _conversion(value, column, limit)
                or "fix it, or empty the cell "
                f"({column.says}: {_written(column.possible, column)})",
            )  # fmt: skip
        frame = frame.copy()
        frame.loc[rows, column.name] = np.nan
    tables[name] = frame
    for column in TABLES[name].columns.values():
        if likely := settings.likely(name, column.name):
            _check_likely(name, column, likely, filled, frame[column.name], found)


def _check_likely(
    table: str,
    column: Column,
    likely: Likely,
    filled: pd.DataFrame,
    values: pd.Series,
    found: Findings,
) -> None:
    """Warn of values outside common practice, by style where that matters."""
    values = values.dropna()
    if values.empty:
        return
    low, high = _limits(column, likely, filled.loc[values.index, [column.by or column.name]])
    # Readings are rounded, so a value on the limit is inside it.
    outside = (values.to_numpy() < low - 1e-9) | (values.to_numpy() > high + 1e-9)
    for at in np.flatnonzero(outside):
        row, value, limit = values.index[at], float(values.iloc[at]), (low[at], high[at])
        word = filled.at[row, column.by] if isinstance(likely, Mapping) and column.by else ""
        kind = f" for {word}" if isinstance(word, str) and word else ""
        usual = f"usual{kind} is {_written(limit, column)}"
        found.add(
            table, int(row), column.name, value, "warning", f"is unlikely: {usual}",
            _conversion(value, column, limit) or "check it; if it is right, leave it, or change "
            f'"{table}.{column.name}" under [ranges] in bench.toml',
        )  # fmt: skip


def _limits(
    column: Column, likely: Likely | None, rows: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower and upper limit for each row; the widest where its word is not given."""
    if not isinstance(likely, Mapping):
        low, high = likely or (-np.inf, np.inf)
        return np.full(len(rows), low), np.full(len(rows), high)
    lows, highs = ({word: pair[end] for word, pair in likely.items()} for end in (0, 1))
    words = rows[column.by].astype(object) if column.by else pd.Series(index=rows.index)
    return (
        words.map(lows).astype(float).fillna(min(lows.values())).to_numpy(),
        words.map(highs).astype(float).fillna(max(highs.values())).to_numpy(),
    )


def _conversion(value: float, column: Column, limits: Range) -> str:
    """Say what to write if the value is in another unit; nothing is converted."""
    if np.isinf(limits[0]):
        limits = column.possible or limits
    for name, convert in dict.fromkeys(OTHER_UNITS.get(column.unit, {}).values()):
        if name == "seconds" and column.possible and value <= column.possible[1]:
            continue  # 130 minutes are long, and more likely than 130 seconds
        other = convert(value)
        if limits[0] <= other <= limits[1]:
            return f"if it is in {name}, write {other:.3g} ({column.unit})"
    return ""


def _written(limits: Range | None, column: Column) -> str:
    low, high = limits or (0, np.inf)
    unit = f" {column.unit}" if column.unit else ""
    return f"{low:g} to {high:.10g}{unit}"
