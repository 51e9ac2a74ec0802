"""The pandera schema of typed frames, derived from `TABLES`."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.records.tables import TABLES, Column

if TYPE_CHECKING:
    from pandera.pandas import DataFrameSchema

_ROWS = 50_000


@cache
def schema(name: str) -> DataFrameSchema:
    """Return the schema of a table: types, cells that may not be empty, impossible values.

    >>> schema("lots").columns["lot"].nullable, schema("lots").columns["price"].nullable
    (False, True)
    """
    import pandera.pandas as pa

    columns = {
        c.name: pa.Column(
            c.dtype,
            checks=[pa.Check.in_range(*c.possible, name="possible")] if c.possible else None,
            nullable=c.may_wait or not c.needed,
            required=c.needed,
        )
        for c in TABLES[name].columns.values()
    }
    return pa.DataFrameSchema(columns, strict=True, name=name)


def failures(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the cells of a typed frame that its schema refuses: column, row, whether empty."""
    columns = [c.name for c in TABLES[name].columns.values() if _suspect(frame[c.name], c)]
    if not columns:
        return _refused_cells([], [], [])
    # Each row is judged by itself, and pandera copies what it judges: rows go in parts.
    found = [
        _refused(schema(name).select_columns(columns), frame.iloc[at : at + _ROWS][columns])
        for at in range(0, len(frame), _ROWS)
    ]
    return pd.concat([part for part in found if len(part)] or found[:1], ignore_index=True)


def _suspect(values: pd.Series, column: Column) -> bool:
    """Say whether pandera has anything to judge: an empty cell that may not be, or a limit."""
    if column.needed and not column.may_wait and values.isna().any():
        return True
    if column.possible is None:
        return False
    low, high = column.possible
    return bool(((values < low) | (values > high)).any())


def _refused(columns: DataFrameSchema, rows: pd.DataFrame) -> pd.DataFrame:
    import pandera.errors

    try:
        columns.validate(rows, lazy=True)
    except pandera.errors.SchemaErrors as refused:
        cases = refused.failure_cases
        cells = cases.dropna(subset="index").drop_duplicates(["column", "index"])
        empty = cells["check"].eq("not_nullable")
        return _refused_cells(cells["column"], cells["index"].astype("int64"), empty)
    return _refused_cells([], [], [])


def _refused_cells(column: Any, row: Any, empty: Any) -> pd.DataFrame:
    return pd.DataFrame({"column": column, "row": row, "empty": empty})
