"""Findings in words: by table, errors before warnings, alike ones in one line."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from reedlab.records.findings import SEVERITIES
from reedlab.records.settings import FILE, Settings
from reedlab.records.tables import SHEETS

NAMES = {"error": "error", "warning": "warning", "read_as": "note"}
"""What a person reads for each severity."""

_ROWS_NAMED = 5
_VALUES_NAMED = 12


def finding_lines(findings: pd.DataFrame, settings: Settings | None = None) -> Iterator[str]:
    r"""Yield findings as lines for a person: each table with its counts, then what and where.

    Findings of one column with the same fix share a line.

    Parameters
    ----------
    findings : pandas.DataFrame
        ``bench.findings``.
    settings : Settings, optional
        ``bench.settings``, whose maker's own headings are then shown beside the columns.

    Yields
    ------
    str
        A line; an empty one before each table.

    Examples
    --------
    >>> from reedlab.records.findings import Findings
    >>> found = Findings()
    >>> for row in (4, 9, 10):
    ...     found.add("reeds", row, "tied_on", "03/04/25", "error", "has two readings", "say which")
    >>> print("\n".join(finding_lines(found.frame())).strip())
    reeds: 3 errors
      error, rows 4, 9 and 10, tied_on: '03/04/25' has two readings; say which
    """
    own = settings.columns if settings else {}
    for table, of_table in findings.groupby("table", sort=False):
        headings: dict[str, list[str]] = {}
        for heading, column in own.get(table, {}).items():
            headings.setdefault(column, []).append(heading)
        counts = of_table["severity"].value_counts().reindex(SEVERITIES).dropna()
        yield ""
        yield f"{table}: " + ", ".join(
            f"{n:,.0f} {NAMES[severity]}{'s' * (n != 1)}" for severity, n in counts.items()
        )
        alike = of_table["fix"].where(of_table["row"].notna(), of_table["problem"])
        declared = SHEETS[table].columns if table in SHEETS else {}
        words = [name for name, its in declared.items() if its.words]
        by_value = of_table["column"].isin(words) & of_table["value"].ne("")
        alike = alike.mask(by_value, of_table["problem"])
        for _, group in of_table.groupby(["severity", "column", alike], sort=False):
            first = group.iloc[0]
            column = first["column"]
            hers = ", ".join(headings.get(column, ())) if column else ""
            heading = f"{column} ({hers})" if hers else column
            rows = _rows(group["row"].dropna().tolist())
            where = [rows.replace("row", "line", 1) if table == FILE else rows, heading]
            place = ", ".join(part for part in [NAMES[first["severity"]], *where] if part)
            cell = first["value"] and pd.notna(first["row"]) and table != FILE
            value = f"'{first['value']}' " if cell else ""
            others = group["value"].nunique() - 1
            if others and column in words:
                says = f"  {NAMES[first['severity']]}, {heading}: "
                yield says + _values(group)
                continue
            like_it = f" ({others:,} more like it)" if others > 0 else ""
            yield f"  {place}: {value}{first['problem']}{like_it}; {first['fix']}"


def _values(findings: pd.DataFrame) -> str:
    """Name each value with its rows, once each: 'gut' in 212 rows (2, 3 ...), 'weg' in row 9."""
    common = findings["fix"].mode().iloc[0]
    told = []
    groups = sorted(findings.groupby("value", sort=False), key=lambda group: -len(group[1]))
    for value, group in groups[:_VALUES_NAMED]:
        rows = _rows(group["row"].dropna().tolist())
        count = f"{len(group):,} rows ({rows.removeprefix('rows ')})" if len(group) > 1 else rows
        own = "" if group["fix"].iloc[0] == common else f" ({group['fix'].iloc[0]})"
        told.append(f"'{value}' in {count}{own}")
    more = len(groups) - _VALUES_NAMED
    told += [f"{more:,} more"] if more > 0 else []
    return f"{', '.join(told)}: {findings['problem'].iloc[0]}; {common}"


def _rows(rows: list[int]) -> str:
    """Name rows as a sentence does: rows 4, 9 and 10; or rows 4, 9, 10, 12, 15 and 7 more."""
    rows = list(dict.fromkeys(rows))
    if not rows:
        return ""
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) > _ROWS_NAMED + 1:
        named, last = rows[:_ROWS_NAMED], f"{len(rows) - _ROWS_NAMED:,} more"
    else:
        named, last = rows[:-1], str(rows[-1])
    return f"rows {', '.join(map(str, named))} and {last}"
