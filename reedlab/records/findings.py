"""What is wrong with a bench's records, in one frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, Literal, get_args

import pandas as pd

from reedlab.records.tables import TABLES

Severity = Literal["error", "warning", "read_as"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""The grave ones first."""

MOST_ALIKE = 2_000
"""Up to this many findings of one column and severity are named; the others are counted."""

COLUMNS = ("table", "row", "column", "value", "severity", "problem", "fix")


class Findings:
    """Collects findings.

    A value with an error is not used until it is fixed. A value with a warning is used, but
    unlikely. A value that is ``read_as`` another is used as that one.

    Examples
    --------
    >>> found = Findings()
    >>> found.add("lots", 4, "price", "cheap", "error", "is not a number", "write digits only")
    >>> found.frame()[["row", "value", "problem"]].astype(str).values.tolist()
    [['4', 'cheap', 'is not a number']]
    """

    def __init__(self) -> None:
        self._rows: list[tuple[Any, ...]] = []
        self._counts: Counter[tuple[str, str, str]] = Counter()

    def add(
        self,
        table: str,
        row: int | None,
        column: str,
        value: object,
        severity: Severity,
        problem: str,
        fix: str,
    ) -> None:
        """Add one finding; `row` is the spreadsheet's number, or None for a whole table."""
        self._counts[table, column, severity] += 1
        if self._counts[table, column, severity] <= MOST_ALIKE:
            self._rows.append((table, row, column, _brief(value), severity, problem, fix))

    def each(
        self,
        table: str,
        column: str,
        values: pd.Series,
        severity: Severity,
        problem: str | Mapping[Any, str],
        fix: str | Mapping[Any, str],
    ) -> None:
        """Add a finding for each of `values`, by its index; a mapping has a text for each value."""
        for row, value in values.items():
            its_problem = problem if isinstance(problem, str) else problem[value]
            its_fix = fix if isinstance(fix, str) else fix[value]
            self.add(table, int(row), column, value, severity, its_problem, its_fix)

    def elsewhere(self, places: Mapping[tuple[str, int], tuple[str, int]]) -> None:
        """Name file and row of findings on rows that came from elsewhere, by table and row."""
        self._rows = [
            (*places.get((table, row), (table, row)), *rest) for table, row, *rest in self._rows
        ]

    def rows(self, table: str, column: str) -> set[int]:
        """Return the rows of a column that have an error."""
        return {r[1] for r in self._rows if r[0] == table and r[2] == column and r[4] == "error"}

    def frame(self) -> pd.DataFrame:
        """Return the findings, the grave ones first within each table."""
        more = [
            (table, None, column, "", severity, f"has {count - MOST_ALIKE:,} more of these",
             "fix the first ones, then check again")
            for (table, column, severity), count in self._counts.items()
            if count > MOST_ALIKE
        ]  # fmt: skip
        frame = pd.DataFrame([*self._rows, *more], columns=list(COLUMNS))
        frame = frame.astype({"row": "Int64", **dict.fromkeys(set(COLUMNS) - {"row"}, "str")})
        names = [*dict.fromkeys(t for t in frame["table"] if t not in TABLES), *TABLES]
        order = frame["table"].map({name: i for i, name in enumerate(names)})
        grave = frame["severity"].map({name: i for i, name in enumerate(SEVERITIES)})
        keys = frame.assign(order=order, grave=grave)
        keys = keys.sort_values(["order", "grave", "row"], kind="stable", na_position="first")
        return frame.loc[keys.index].reset_index(drop=True)


def _brief(value: object) -> str:
    """Return a value in at most 60 characters on one line."""
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    text = " ".join(text[:200].split())
    return text if len(text) <= 60 else text[:57] + "..."
