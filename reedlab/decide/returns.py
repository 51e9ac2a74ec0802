"""How often sold reeds come back: by supplier, by time since sale, pooled towards all of them.

`returns` counts, `chance_back` draws, and `stayed_good` turns what tying a piece leads to into what
stays: every question that weighs success in money counts a reed that came back as a failure.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reedlab.decide.next_lot import NextLot
from reedlab.records.tidy.pending_cutoff import still_pending

Floats = NDArray[np.float64]
KEPT = ("adjusted", "worn_out")
"""Results of a return after which the reed still counts as good."""
BACK = ("supplier", "sold", "returned", "adjusted", "exposed", "adjusting")
"""Columns of `returns`."""
_POOLED_REEDS = 20.0
"""Weight, in reeds, of all suppliers' share of returns in the share of one."""


def sold(reeds: pd.DataFrame) -> pd.Series:
    """Whether each reed was good and sold, whichever of its sale is noted."""
    noted = reeds[["sold_for", "sold_on", "returned_on"]].notna().any(axis=1)
    return (reeds["success"] == 1) & noted


def sent_back(bench: Any) -> pd.Series:
    """Whether each reed of a bench came back and counts as a failure, see `returns`."""
    reeds = bench.reeds
    late = (reeds["returned_on"] - _sold_on(reeds)).dt.days > bench.settings.return_days
    failed = reeds["returned_on"].notna() & ~late & ~reeds["return_result"].isin(KEPT)
    return sold(reeds) & failed


def _sold_on(reeds: pd.DataFrame) -> pd.Series:
    return reeds["sold_on"].fillna(reeds["judged_on"]).fillna(reeds["finished_on"])


def returns(bench: Any, arm: str = "supplier") -> pd.DataFrame:
    """Count each supplier's returns among the reeds it sold, by how long they were out.

    A reed that was replaced or refunded, or came back without a result, is a failure. One that was
    adjusted or worn out is not, and none that came back after ``return_days``. A reed sold lately
    counts by the share of returns that come so soon, from the Kaplan-Meier curve of all returns, so
    that the newest lots do not look better because their reeds have not come back yet. A reed
    without a day of sale was sold on the day of its verdict, and where that is not noted either,
    long ago.

    One row a supplier (or form): supplier, sold, returned (failures among them), adjusted (came
    back and still good), exposed (reeds sold, those sold lately in part), adjusting (minutes that
    an adjusted reed counts: those that finishing one takes, in the middle).
    """
    reeds = bench.reeds
    frame = reeds.loc[sold(reeds) & reeds[arm].notna(), [arm]].copy()
    limit, sold_on = float(bench.settings.return_days), _sold_on(reeds)[frame.index]
    out = (pd.Timestamp(bench.today) - sold_on).dt.days
    back = (reeds.loc[frame.index, "returned_on"] - sold_on).dt.days
    failed = sent_back(bench)[frame.index]
    # Time to a failure: the day it came back, or how long it has been out, up to the limit.
    days = back.where(failed, out).astype(float).fillna(limit)
    waited = days.clip(lower=0, upper=limit).to_numpy()
    frame["failed"] = failed.to_numpy()
    frame["adjusted"] = reeds.loc[frame.index, "return_result"].eq("adjusted").fillna(False)
    frame["exposed"] = _share_by(waited, frame["failed"].to_numpy(), limit)
    frame.loc[frame["failed"], "exposed"] = 1.0
    out_of = frame.astype({arm: str}).groupby(arm)
    return pd.DataFrame(
        {
            "sold": out_of.size(),
            "returned": out_of["failed"].sum().astype(int),
            "adjusted": out_of["adjusted"].sum().astype(int),
            "exposed": out_of["exposed"].sum(),
            "adjusting": float(np.nan_to_num(reeds["finish_min"].median())),
        }
    ).reset_index()


def _share_by(waited: Floats, failed: NDArray[np.bool_], limit: float) -> Floats:
    """Share of all failures within the limit that have shown by each wait."""
    if not failed.any():
        return np.minimum(waited / limit, 1.0)
    days, left = still_pending(waited, failed)
    shown = np.concatenate([[0.0], 1.0 - left])
    at: Floats = shown[np.searchsorted(days, waited, side="right")]
    whole = shown[-1]
    return np.where(waited >= limit, 1.0, at / whole if whole > 0 else 1.0)


def chance_back(
    counted: pd.DataFrame, names: list[str], draws: int, rng: np.random.Generator
) -> Floats:
    """Draw each supplier's chance (draws, suppliers) that a sold reed comes back as a failure.

    A beta posterior of what `returns` counts; its prior holds the share of all suppliers with the
    weight of twenty reeds.
    """
    known = counted.set_index(counted.columns[0])[["returned", "exposed"]]
    known = known.reindex(names, fill_value=0.0)
    share = (known["returned"].sum() + 0.5) / (known["exposed"].sum() + 1.0)
    failed = known["returned"].to_numpy() + _POOLED_REEDS * share
    well = (known["exposed"] - known["returned"]).clip(lower=0).to_numpy()
    return rng.beta(failed, well + _POOLED_REEDS * (1 - share), (draws, len(names)))


def stayed_good(lot: NextLot, counted: pd.DataFrame, names: list[str], seed: int) -> NextLot:
    """Turn what tying a piece leads to into what stays good, reeds sent back being failures.

    `counted` is from `returns`: where no sale is noted, nothing is known to come back. The names
    are in the order of the lot's columns.
    """
    if counted.empty:
        return lot
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(51,)))
    back = chance_back(counted, names, len(lot.one.success), rng)
    share = counted["adjusted"].sum() / counted["sold"].sum()
    adjusting = float(share * counted["adjusting"].iloc[0])
    return NextLot(lot.expected.sent_back(back, adjusting), lot.one.sent_back(back, adjusting))
