"""What is wrong with a bench's records, in one frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from reedlab.records.tables import IN_REEDS, TABLES, name_in_reeds

Severity = Literal["error", "warning", "read_as"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""The grave ones first."""

MOST_ALIKE = 2_000
"""Up to this many findings of one column and severity are named; the others are counted."""

Reason = Literal[
    "empty", "title", "repeated heading", "other headings", "total", "average", "label alone",
    "note alone", "example", "batch", "batch in words",
]  # fmt: skip
"""Why a row of a sheet is no row of its table: a ``batch`` has counts that do not add up."""

COLUMNS = ("table", "row", "column", "value", "severity", "problem", "fix")


class Findings:
    """Collects findings.

    A value with an error is not used until it is fixed. A value with a warning is used, but
    unlikely. A value that is ``read_as`` another is used as that one.

    A row of pieces or lots that was made from one of reeds has that row's number, negative: what is
    wrong with it is said of the row of reeds.

    Examples
    --------
    >>> found = Findings()
    >>> found.add("lots", 4, "price", "cheap", "error", "is not a number", "write digits only")
    >>> found.frame()[["row", "value", "problem"]].astype(str).values.tolist()
    [['4', 'cheap', 'is not a number']]
    """

    def __init__(self) -> None:
        self.made: set[str] = set()  # tables that are made from rows of reeds alone
        self.written: dict[tuple[str, int, str], int] = {}  # a cell's row in reeds, by its own
        self._rows: list[tuple[Any, ...]] = []
        self._counts: Counter[tuple[str, str, str]] = Counter()
        self._wrong: dict[tuple[str, str], set[int]] = {}
        self._skipped: list[tuple[str, pd.Index, Reason]] = []

    def add(
        self,
        table: str,
        row: int | None,
        column: str,
        value: object,
        severity: Severity,
        problem: str,
        fix: str,
        place: int = 0,
    ) -> None:
        """Add one finding; `row` is the spreadsheet's number, or None for a whole table.

        Within a severity findings are in the order of their rows, unless `place` says another.
        """
        if row is not None and (table, row, column) in self.written:
            row = -self.written[table, row, column]
        if (row or 0) < 0 or (row is None and table in self.made):
            column = name_in_reeds(table, column)
            table, row = "reeds", None if row is None else -row
        self._counts[table, column, severity] += 1
        if severity == "error" and row is not None:
            self._wrong.setdefault((table, column), set()).add(row)
        if self._counts[table, column, severity] <= MOST_ALIKE:
            self._rows.append((table, row, column, _brief(value), severity, problem, fix, place))

    def wrong(self, table: str, column: str) -> set[int]:
        """Return the rows whose cell has an error, and so no value."""
        return self._wrong.get((table, column), set())

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

    def skip(self, table: str, rows: Iterable[int], reason: Reason) -> None:
        """Count rows of a sheet, by the spreadsheet's numbers, that are no rows of its table."""
        self._skipped.append((table, pd.Index(rows, dtype="int64"), reason))

    def skipped_rows(self, table: str) -> np.ndarray:
        """Return the rows of a table's sheet that are no rows of it, in order."""
        rows = [skipped.to_numpy() for name, skipped, _ in self._skipped if name == table]
        return np.sort(np.concatenate(rows)) if rows else np.array([], dtype="int64")

    def last_row(self, table: str) -> int:
        """Return the last row of a table's sheet that is skipped or has a finding; 0 for none."""
        named = (row for name, row, *_ in self._rows if name == table and row is not None)
        return max([0, *named, *self.skipped_rows(table)[-1:].tolist()])

    def skipped(self) -> pd.DataFrame:
        """Return the rows that are no rows of their tables: table, row and reason."""
        sizes = [len(rows) for _, rows, _ in self._skipped]
        frame = pd.DataFrame(
            {
                "table": np.repeat([table for table, _, _ in self._skipped], sizes),
                "row": np.concatenate([[], *(rows for _, rows, _ in self._skipped)]),
                "reason": np.repeat([reason for _, _, reason in self._skipped], sizes),
            }
        )
        frame = frame.astype({"table": "str", "row": "int64", "reason": "str"})
        return frame.sort_values(["table", "row"], ignore_index=True)

    def elsewhere(self, places: Mapping[tuple[str, int], tuple[str, int]]) -> None:
        """Name file and row of findings on rows that came from elsewhere, by table and row."""
        self._rows = [
            (*places.get((table, row), (table, row)), *rest) for table, row, *rest in self._rows
        ]

    def rows(self, table: str, column: str) -> set[int]:
        """Return the rows of a column that have an error."""
        rows = {r[1] for r in self._rows if r[0] == table and r[2] == column and r[4] == "error"}
        if (name := name_in_reeds(table, column)) in IN_REEDS and table != "reeds":
            rows |= {-row for row in self.rows("reeds", name) if row is not None}
        return rows

    def frame(self) -> pd.DataFrame:
        """Return the findings, the grave ones first within each table."""
        more = [
            (table, None, column, "", severity, f"has {count - MOST_ALIKE:,} more of these",
             "fix the first ones, then check again", 0)
            for (table, column, severity), count in self._counts.items()
            if count > MOST_ALIKE
        ]  # fmt: skip
        frame = pd.DataFrame([*self._rows, *more], columns=[*COLUMNS, "place"])
        frame = frame.astype({"row": "Int64", **dict.fromkeys(set(COLUMNS) - {"row"}, "str")})
        names = [*dict.fromkeys(t for t in frame["table"] if t not in TABLES), *TABLES]
        order = frame["table"].map({name: i for i, name in enumerate(names)})
        grave = frame["severity"].map({name: i for i, name in enumerate(SEVERITIES)})
        keys = frame.assign(order=order, grave=grave)
        by = ["order", "grave", "place", "row"]
        keys = keys.sort_values(by, kind="stable", na_position="first")
        return frame.loc[keys.index, list(COLUMNS)].reset_index(drop=True)


def _brief(value: object) -> str:
    """Return a value in at most 60 characters on one line."""
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    text = " ".join(text[:200].split())
    return text if len(text) <= 60 else text[:57] + "..."
