"""Minutes of scraping; those of a batch are shared among its reeds."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from reedlab.records.tables import STAGES_BEFORE_FINISHING, UNFINISHED
from reedlab.records.tidy.days import exact

_SEPARATORS = re.compile(r"[,;\n]")
_DAY_OF = {"tie": "tied_on", "rough": "rough_on", "finish": "finished_on"}


def with_minutes(frame: pd.DataFrame, sittings: pd.DataFrame) -> pd.DataFrame:
    """Add minutes of scraping, with those of batches shared among their reeds.

    ``rough_min`` and ``finish_min`` are filled in from batches where the reed has none of its own;
    ``minutes_shared``, ``scrape_min`` (both stages, or the reed's own time for both; of a reed lost
    before, the minutes until then) and ``log_scrape_min`` are added.
    """
    frame = frame.copy()
    shares = shared_minutes(frame, sittings)
    frame["minutes_shared"] = False
    for stage in ("rough", "finish"):
        share = shares.get(stage, pd.Series(dtype=float)).reindex(frame.index)
        takes = frame[f"{stage}_min"].isna() & share.notna()
        frame[f"{stage}_min"] = frame[f"{stage}_min"].where(~takes, share)
        frame["minutes_shared"] |= takes
    parts = frame[["rough_min", "finish_min"]]
    early = frame["outcome"].isin(UNFINISHED) | frame["lost_at"].isin(STAGES_BEFORE_FINISHING)
    total = parts.sum(axis=1, min_count=2).where(~early, parts.sum(axis=1, min_count=1))
    total = total.fillna(frame["scrape_min"])
    whole = shares.get("", pd.Series(dtype=float)).reindex(frame.index)
    takes = total.isna() & whole.notna()
    frame["scrape_min"] = total.where(~takes, whole + parts.sum(axis=1))
    frame["minutes_shared"] |= takes
    positive = frame["scrape_min"].where(frame["scrape_min"] > 0)
    frame["log_scrape_min"] = np.log(positive)
    return frame


def shared_minutes(reeds: pd.DataFrame, sittings: pd.DataFrame) -> dict[str, pd.Series]:
    """Share the minutes of batches evenly among their reeds: by stage ("" for none), by index."""
    shares: dict[str, dict[int, float]] = {}
    for batch in batches(reeds, sittings):
        into = shares.setdefault(batch.stage, {})
        for at in batch.places:
            into[at] = into.get(at, 0.0) + batch.minutes / batch.size
    return {stage: pd.Series(share, dtype=float) for stage, share in shares.items()}


class Batch(NamedTuple):
    """Reeds that were timed together."""

    row: int  # its row in ``sittings``
    stage: str  # tie, rough, finish, or "" if not given
    minutes: float  # the time of all of them
    size: float  # the number of reeds
    named: tuple[str, ...]  # their labels, if they are named
    places: tuple[int, ...]  # the index of each reed that was found


def batches(reeds: pd.DataFrame, sittings: pd.DataFrame) -> list[Batch]:
    """Find the reeds of each batch.

    A batch names its reeds (``12, 13; 14``) or counts them (a plain number; ``12;`` is the reed
    12). A count belongs to the reeds that its maker tied, roughed or finished that day, unless
    there are more of them than it counts.
    """
    if sittings.empty:
        return []
    place = dict(zip(reeds["reed"], reeds.index))
    found = []
    by_day: dict[str, Mapping[tuple[object, pd.Timestamp], pd.Index]] = {}
    for row in sittings.dropna(subset=["reeds", "minutes"]).itertuples():
        stage = row.stage if isinstance(row.stage, str) else ""
        parts = [part.strip() for part in _SEPARATORS.split(row.reeds)]
        named = tuple(dict.fromkeys(filter(None, parts)))
        counts = len(parts) == 1 and re.fullmatch(r"\d{1,3}", parts[0]) is not None
        size = max(float(parts[0]) if counts else len(named), 1.0)
        places = tuple(place[label] for label in named if label in place)
        if counts:
            if stage and stage not in by_day:
                days = exact(reeds, _DAY_OF[stage])
                by_day[stage] = reeds.groupby([reeds["maker"].astype(object), days]).groups
            named, mine = (), by_day.get(stage, {}).get((row.maker, row.date), [])
            places = tuple(mine) if len(mine) <= size else ()
        found.append(Batch(row.Index, stage, row.minutes, size, named, places))
    return found
