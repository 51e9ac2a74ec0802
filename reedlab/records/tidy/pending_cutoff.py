"""Which reeds count as settled: tied so long ago that nearly every outcome should be known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from reedlab.records.tables import TABLES
from reedlab.records.tidy.days import exact

_KNOWN_SHARE = 0.95  # of reeds, whose outcome is known after the wait


class Cutoff(NamedTuple):
    """Up to which day the outcomes of reeds should be known."""

    day: pd.Timestamp  # reeds tied up to it count as settled; NaT without any dated reed
    wait_days: float  # days within which 95 of 100 reeds have an outcome; NaN with too few outcomes


def cutoff(reeds: pd.DataFrame) -> Cutoff:
    """Return the last day of tying by which a reed's outcome should be known.

    Rejects are known sooner than successes: the newest reeds with an outcome are mostly failures,
    and estimates of success leave out reeds tied after this day. The wait is a percentile of the
    Kaplan-Meier curve of the days from tying to the outcome (the day of judging, else of
    finishing). Pending reeds are censored on the last day of the records. With fewer than 10 dated
    outcomes, or too many pending reeds, the wait is NaN and the day is the last one of the records.
    """
    last = last_day(reeds)
    known = reeds["outcome"].notna()
    outcome_on = exact(reeds, "judged_on").fillna(exact(reeds, "finished_on"))
    wait = (outcome_on.where(known, last) - exact(reeds, "tied_on")).dt.days
    use = wait.notna() & (wait >= 0)
    if (use & known).sum() < 10:
        return Cutoff(last, np.nan)
    days_waited, pending = still_pending(wait[use].to_numpy(float), known[use].to_numpy())
    reached = np.flatnonzero(pending <= 1 - _KNOWN_SHARE + 1e-12)
    if not len(reached):
        return Cutoff(last, np.nan)
    wait_days = float(days_waited[reached[0]])
    return Cutoff(last - pd.Timedelta(days=wait_days), wait_days)


def last_day(reeds: pd.DataFrame) -> pd.Timestamp:
    """Return the last day of the records, the newest date of any kind of a reed; NaT for none."""
    days = [c.name for c in TABLES["reeds"].columns.values() if c.kind == "date"]
    return reeds[days].max(axis=None) if len(reeds) else pd.NaT


def still_pending(days: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the Kaplan-Meier curve: days with an outcome, and the share still pending after each.

    `days` are those from tying to the outcome, or to the last day of the records where it is not
    `known` (Kaplan and Meier 1958, J Am Stat Assoc 53(282) 457-481).

    >>> days, share = still_pending(np.array([1.0, 2, 2, 3]), np.array([True, True, False, True]))
    >>> share.tolist()
    [0.75, 0.5, 0.0]
    """
    times, ended = np.unique(days[known], return_counts=True)
    at_risk = len(days) - np.searchsorted(np.sort(days), times, side="left")
    return times, np.cumprod(1 - ended / at_risk)
