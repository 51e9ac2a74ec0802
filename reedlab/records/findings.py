"""What is wrong with a bench's records, gathered in one frame."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Literal

import pandas as pd

Severity = Literal["error", "warning"]

COLUMNS = ("table", "row", "column", "value", "severity", "problem", "mend")


class Findings:
    """Findings in the making.

    An error is a value, or where nothing else helps a row, that cannot be used until it is mended.
    A warning is a value that is used, but unlikely.

    Examples
    --------
    >>> found = Findings()
    >>> found.add("lots", 4, "price", "cheap", "error", "is not a number", "write digits only")
    >>> found.frame()[["row", "value", "problem"]].astype(str).values.tolist()
    [['4', 'cheap', 'is not a number']]
    """

    def __init__(self) -> None:
        self._rows: list[tuple[Any, ...]] = []

    def add(
        self,
        table: str,
        row: int | None,
        column: str,
        value: object,
        severity: Severity,
        problem: str,
        mend: str,
    ) -> None:
        """Add one finding; `row` is the spreadsheet's own number, or None for a whole table."""
        self._rows.append((table, row, column, _brief(value), severity, problem, mend))

    def each(
        self,
        table: str,
        column: str,
        values: pd.Series,
        severity: Severity,
        problem: str | Callable[[Any], str],
        mend: str | Callable[[Any], str],
    ) -> None:
        """Add a finding for each of `values`, whose index holds the rows."""
        for row, value in values.items():
            says = problem if isinstance(problem, str) else problem(value)
            cure = mend if isinstance(mend, str) else mend(value)
            self.add(table, int(row), column, value, severity, says, cure)

    def extend(self, others: Iterable[tuple[Any, ...]]) -> None:
        """Add findings as tuples in the order of `COLUMNS`."""
        self._rows.extend(others)

    def rows(self, table: str, column: str, severity: Severity = "error") -> set[int]:
        """Return the rows of a column that have a finding of this severity."""
        return {r[1] for r in self._rows if r[0] == table and r[2] == column and r[4] == severity}

    def frame(self) -> pd.DataFrame:
        """Return the findings, errors before warnings within each table."""
        frame = pd.DataFrame(self._rows, columns=list(COLUMNS))
        frame = frame.astype({"row": "Int64", **dict.fromkeys(set(COLUMNS) - {"row"}, "str")})
        order = frame["table"].map({t: i for i, t in enumerate(dict.fromkeys(frame["table"]))})
        keys = frame.assign(order=order, late=frame["severity"].eq("warning"))
        keys = keys.sort_values(["order", "late", "row"], kind="stable", na_position="first")
        return frame.loc[keys.index].reset_index(drop=True)


def _brief(value: object) -> str:
    """Return a value as it is shown: no more than 60 characters of one line."""
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    text = " ".join(text[:200].split())
    return text if len(text) <= 60 else text[:57] + "..."
