"""Which blanks wait for their next step, and which finished reeds are in stock."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from reedlab.records.settings import STEPS
from reedlab.records.tidy.days import exact
from reedlab.records.tidy.frames import first_of_each
from reedlab.records.tidy.pending_cutoff import still_pending

DONE_ON = {"rough": "rough_on", "finish": "finished_on"}
"""The day on which a step is done."""
_FORGOTTEN_DAYS = 90
"""Days after which a blank is overdue where few outcomes are dated: common practice, no source."""
_NINE_IN_TEN = 0.9
_KEPT_DAYS = 180
"""Days from tying to a sale that are not unusual: common practice, no source."""
_NEARLY_ALL = 0.95


def blanks(bench: Any) -> pd.DataFrame:
    """Return the blanks whose outcome is not known yet, each with the step that comes next.

    The step follows from the last one that is noted. Where this bench never notes a step, nothing
    says that it is still to be done, and the next step is empty.

    One row a blank in order of tying: reed, lot, maker, place, style, order, ``step`` (rough,
    finish, play or empty), ``last`` (the last step that is noted), ``since`` (its day),
    ``ready_on`` (when the rest before the next step ends), ``waited_days`` (since tying, or since
    it was last seen), ``overdue``.
    """
    reeds = bench.reeds
    waiting = reeds["outcome"].isna() & reeds["lost_at"].isna() & reeds["tied_on"].notna()
    waiting &= reeds["status"] == "pending"
    frame = reeds.loc[
        waiting, ["reed", "lot", "maker", "place", "style", "order", "tied_on", "seen_on"]
    ].copy()
    last = pd.Series("tie", index=frame.index)
    since = frame["tied_on"].copy()
    for step, column in DONE_ON.items():
        done = reeds.loc[frame.index, column]
        last = last.mask(done.notna(), step)
        since = since.mask(done.notna(), done)
    noted = [step for step, column in DONE_ON.items() if reeds[column].notna().any()]
    following = _following(noted)
    frame["step"], frame["last"], frame["since"] = last.map(following), last, since
    rests = frame["step"].map(dict(bench.settings.steps)).fillna(0.0)
    frame["ready_on"] = since + pd.to_timedelta(rests, unit="D")
    today = pd.Timestamp(bench.today)
    seen = frame[["tied_on", "seen_on"]].max(axis=1)
    frame["waited_days"] = (today - seen).dt.days
    frame["overdue"] = frame["waited_days"] > overdue_days(reeds)
    return frame.sort_values(["tied_on", "reed"], kind="stable", ignore_index=True)


def _following(noted: list[str]) -> dict[str, str]:
    """Give the step after each: the next one, as long as all before it are noted in this bench."""
    if not noted:
        return {"tie": "", "rough": "", "finish": "play"}
    if noted == ["rough"]:
        return {"tie": "rough", "rough": ""}
    if noted == ["finish"]:
        return {"tie": "", "finish": "play"}
    return {"tie": STEPS[0], "rough": STEPS[1], "finish": STEPS[2]}


def overdue_days(reeds: pd.DataFrame) -> float:
    """Return the days from tying within which nine reeds in ten have an outcome.

    A percentile of the Kaplan-Meier curve in which pending reeds are censored on the last day of
    the records.
    """
    known = reeds["outcome"].notna()
    ended = exact(reeds, "judged_on").fillna(exact(reeds, "finished_on"))
    days = (ended.where(known, reeds["tied_on"].max()) - exact(reeds, "tied_on")).dt.days
    use = days.notna() & (days >= 0)
    if (use & known).sum() < 10:
        return float(_FORGOTTEN_DAYS)
    waited, pending = still_pending(days[use].to_numpy(float), known[use].to_numpy())
    reached = np.flatnonzero(pending <= 1 - _NINE_IN_TEN + 1e-12)
    return float(waited[reached[0]]) if len(reached) else float(_FORGOTTEN_DAYS)


def stock(bench: Any) -> pd.DataFrame:
    """Return the good reeds that are neither sold nor returned, the oldest first.

    Where no sale of this bench is noted, nothing says which reeds are still there, and none counts;
    nor does a reed that has lain for longer than nearly all that were sold, see `unsold_long_ago`.
    Columns: reed, lot, style, strength, order, tied_on.
    """
    unsold = _unsold(bench)
    return unsold[~unsold.pop("old")].reset_index(drop=True)


def unsold_long_ago(bench: Any) -> int:
    """Return how many good reeds without a noted sale are too old to be counted as stock."""
    return int(_unsold(bench)["old"].sum())


def _unsold(bench: Any) -> pd.DataFrame:
    """Return what `stock` does, and the old with it, so marked."""
    reeds = first_of_each(bench.reeds, "reed")
    gone = reeds[["sold_on", "sold_for", "returned_on"]].notna().any(axis=1)
    sent = bench.tables["orders"].dropna(subset=["sent_on"])["order"]
    gone |= reeds["order"].astype(object).isin(sent.astype(object))
    kept = reeds["for_sale"].fillna(True).astype(bool)
    there = (reeds["success"] == 1) & ~gone & kept
    if not gone.any():
        there &= False
    days = (exact(reeds, "sold_on") - exact(reeds, "tied_on")).dt.days
    longest = np.nanmax([days.quantile(_NEARLY_ALL), _KEPT_DAYS])
    reeds["old"] = (pd.Timestamp(bench.today) - reeds["tied_on"]).dt.days > longest
    columns = ["reed", "lot", "style", "strength", "order", "tied_on", "old"]
    return reeds.loc[there, columns].sort_values("tied_on", kind="stable", ignore_index=True)
