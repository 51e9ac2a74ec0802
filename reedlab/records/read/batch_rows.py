"""A row that is a whole batch ("L21, 10 tied, 6 good, 2 playable, 2 reject") becomes its reeds."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.tables import CARRIED, COUNTED, PENDING_COUNT, TABLES, TIED_COUNT, Table

_OUTCOME_OF: dict[str, str | None] = {**COUNTED, PENDING_COUNT: None}
_GOOD_FIRST = [*reversed(COUNTED), PENDING_COUNT]
_COUNTS = [TIED_COUNT, *_OUTCOME_OF]
_KEPT = {"reed", "note", "month_only", *_COUNTS}
_FIX = "fix the counts; those still waiting go under pending_count"
IN_COLUMNS = "put tied, good, playable and reject into columns of their own"
"""What to do about a cell that holds a whole batch."""

_AND = re.compile(r"[,;/+]|\b(?:and|und|et|e|y|en)\b")
_COUNT_OF = re.compile(r"\d{1,3}\s*[^\W\d_]\D*|[^\W\d_]\D*\d{1,3}")
MOST_REEDS = 200_000
"""A sheet whose batches are more reeds than this has a wrong count."""


def is_in_words(text: object) -> bool:
    """Say whether a cell holds a whole batch: several counts, each with its word.

    >>> is_in_words("10 tied, 6 good, 4 bad"), is_in_words("gut 6; schlecht 2"), is_in_words("6")
    (True, True, False)
    """
    parts = [part.strip(" .") for part in _AND.split(text)] if isinstance(text, str) else []
    return len(parts) > 1 and all(map(_COUNT_OF.fullmatch, parts))


def add_up(
    reeds: pd.DataFrame, table: Table, found: Findings, uncounted: Mapping[str, pd.Series]
) -> pd.DataFrame:
    """Check the counts of rows of reeds that are a batch, label them, and leave out wrong ones.

    `found` receives each batch: what it is read as, or that its counts do not add up. `uncounted`
    are whole numbers under headings that are not read: reeds that are missing may be counted there.
    """
    if table.name != "reeds" or reeds[_COUNTS].isna().all(axis=None):
        return reeds
    reeds = reeds.copy()
    unread = set().union(*(found.rows("reeds", name) for name in _COUNTS))
    counts = reeds[_COUNTS]
    known = counts[list(_OUTCOME_OF)].sum(axis=1, min_count=1)
    # One reed tied and nothing counted is a row like any other.
    rows = reeds.index[(known.notna() | (counts[TIED_COUNT].notna() & counts[TIED_COUNT].ne(1)))]
    wrong = []
    unsaid = _missing_from(counts[TIED_COUNT] - known, uncounted)
    total = 0.0
    for row in rows.union(reeds.index[reeds.index.isin(list(unread))]):
        tied, settled = counts.at[row, TIED_COUNT], known[row]
        said = counts.loc[row].dropna()
        size = settled if np.isnan(tied) else tied
        total += 0 if np.isnan(size) else size
        problem = _problem(said, tied, settled, reeds.at[row, "outcome"])
        problem = "is more reeds than a workshop makes" if total > MOST_REEDS else problem
        if problem or row in unread:
            wrong.append(row)
            if problem:
                more, fix = unsaid if tied > settled else ("", _FIX)
                found.add(
                    "reeds", int(row), str(said.index[0]), f"{said.iloc[0]:g}", "error",
                    f"{problem}{more}", fix,
                )  # fmt: skip
            continue
        _say(row, said, size, found)
    reeds.loc[reeds.index.difference(rows), _COUNTS] = np.nan
    rows = rows.difference(wrong)
    unnamed = rows[reeds.loc[rows, "reed"].isna()]
    reeds.loc[unnamed, "reed"] = [f"batch {row}" for row in unnamed]
    _empty_details(reeds, rows[reeds.loc[rows, list(_OUTCOME_OF)].sum(axis=1).ne(1)], found)
    found.skip("reeds", wrong, "batch")
    return reeds.drop(wrong)


def _missing_from(gaps: pd.Series, uncounted: Mapping[str, pd.Series]) -> tuple[str, str]:
    """Name the columns that may count the reeds that rows lack, and what to do."""
    gaps = gaps[gaps > 0]
    numbers = {name: cells.reindex(gaps.index).fillna(0) for name, cells in uncounted.items()}
    may = [repr(name) for name, ns in numbers.items() if (ns <= gaps).all() and ns.any()]
    if not may:
        return "", _FIX
    say = "say under [columns.reeds] in bench.toml what it counts"
    if may[1:]:
        say = say.replace("it counts", "each of them counts")
    named = " and ".join(filter(None, [", ".join(may[:-1]), may[-1]]))
    return f"; not read: {named}", f"{say}, such as playable_count, reject_count or given_up_count"


def _problem(said: pd.Series, tied: float, settled: float, outcome: object) -> str:
    """Say why the counts of a batch cannot be used, or nothing."""
    if (said % 1 != 0).any() or (said < 0).any():
        return "is not a whole number of reeds"
    if (said > 500).any():
        return "is more reeds than one row can hold"
    if isinstance(outcome, str):
        return "counts reeds in a row that has one outcome for all"
    if not np.isnan(tied) and not np.isnan(settled) and tied != settled:
        return f"is {tied:g} tied, but the counts of the row add up to {settled:g}"
    if settled == 0 or tied == 0:
        return "is a batch of no reeds"
    return ""


def _say(row: int, said: pd.Series, size: float, found: Findings) -> None:
    """Say what a batch is read as."""
    parts = [f"{said[n]:g} {_OUTCOME_OF[n] or 'pending'}" for n in _GOOD_FIRST if said.get(n, 0)]
    each = f": {', '.join(parts)}" if parts else ", all pending"
    problem = f"is read as a batch of {size:g} reeds without details of their own{each}"
    fix = "leave it, or write one row for each reed"
    found.add("reeds", int(row), str(said.index[0]), f"{said.iloc[0]:g}", "read_as", problem, fix)


def _empty_details(reeds: pd.DataFrame, rows: pd.Index, found: Findings) -> None:
    """Empty what belongs to one reed in the rows of a batch."""
    ours = {*TABLES["reeds"].columns, *TABLES["pieces"].columns} - CARRIED - _KEPT
    for name in [name for name in reeds if name in ours]:
        values = reeds.loc[rows, name].dropna()
        if len(values):
            found.each(
                "reeds", str(name), values, "warning",
                "is in the row of a whole batch, and is not used for its reeds",
                "write the minutes of a batch into sittings, and what one reed has into its own row"
                if str(name).endswith("_min")
                else "write what one reed has into a row of its own",
            )  # fmt: skip
            reeds.loc[values.index, name] = None


def one_row_a_reed(reeds: pd.DataFrame) -> pd.DataFrame:
    """Return a table with each batch as its reeds, which share lot, maker, day and settings.

    They keep the row's number, and have its label with a number behind it.

    >>> reeds = TABLES["reeds"].empty().reindex([2])
    >>> reeds[["reed", "good_count", "reject_count"]] = ["B", 2.0, 1.0]
    >>> one_row_a_reed(reeds)[["reed", "outcome"]].astype(object).values.tolist()
    [['B-1', 'good'], ['B-2', 'good'], ['B-3', 'reject']]
    """
    if reeds[_COUNTS].isna().all(axis=None):
        return reeds
    by_outcome = reeds[_GOOD_FIRST].fillna(0).astype(int).to_numpy(copy=True)
    tied = reeds[TIED_COUNT].fillna(0).to_numpy(dtype=int)
    by_outcome[:, -1] += np.where(by_outcome.any(axis=1), 0, tied)
    sizes = by_outcome.sum(axis=1)
    batch = sizes > 0
    sizes = np.maximum(sizes, 1)
    fresh = reeds.iloc[np.repeat(np.arange(len(reeds)), sizes)].copy()
    of_batch = np.repeat(batch, sizes)
    number = np.arange(len(fresh)) - np.repeat(np.cumsum(sizes) - sizes, sizes) + 1
    many = of_batch & (np.repeat(sizes, sizes) > 1)
    labels = fresh["reed"].astype(object) + "-" + pd.Series(number, index=fresh.index).astype(str)
    fresh["reed"] = fresh["reed"].mask(many, labels)
    words = np.array([_OUTCOME_OF[name] for name in _GOOD_FIRST], dtype=object)
    outcome = fresh["outcome"].to_numpy(dtype=object, copy=True)
    outcome[of_batch] = np.concatenate([np.repeat(words, row) for row in by_outcome])
    fresh["outcome"] = pd.Categorical(outcome, dtype=reeds["outcome"].dtype)
    fresh[_COUNTS] = np.nan
    return fresh
