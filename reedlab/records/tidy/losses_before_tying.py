"""What was bought of each lot, what of it was lost before tying, and what that took."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.records.tidy.frames import Tables, first_of_each, lots_of, with_categories

PIECES_FROM_A_TUBE = 3  # common practice: a tube is split in three


def losses(tables: Tables) -> pd.DataFrame:
    """Return one row a lot: what was bought, what was lost before tying, minutes and cost.

    Counts come from ``tally`` if the lot has one, else from the pieces marked as lost: never from
    both, since one loss would count twice. The yield is the product over the stages of pieces out
    over pieces in, so pieces between two stages do not count as lost. Minutes per piece tied divide
    each stage's minutes a piece by the yields of the later stages.

    The columns are lot, supplier, pieces_bought (a tube counts three), pieces_in, pieces_tied,
    pieces_lost, yield_before_tying, minutes_before_tying, minutes_per_tied, cost_landed and
    cost_per_piece; NaN where unknown.
    """
    lots = tables["lots"].dropna(subset="lot").drop_duplicates("lot").reset_index(drop=True)
    frame = lots[["lot", "supplier"]].copy()
    frame["pieces_bought"] = bought(lots)
    tied = first_of_each(tables["reeds"], "reed")
    tied = tied[tied["retie_of"].isna()]
    lot_of = lots_of(tied, tables["pieces"])
    frame["pieces_tied"] = frame["lot"].map(lot_of.value_counts()).fillna(0).astype(int)
    counted = _tallied(tables["tally"])
    noted = _noted(tables["pieces"], frame.set_index("lot")["pieces_tied"])
    noted = noted[~noted.index.isin(counted.index)]
    known = pd.concat([counted, noted]) if len(noted) else counted
    known = known.reindex(frame["lot"].astype(object)).reset_index(drop=True)
    frame = pd.concat([frame, known], axis=1)
    pieces = frame["pieces_bought"].where(frame["pieces_bought"] > 0)
    price = lots["price"].fillna(lots["price_per_piece"] * pieces)
    frame["cost_landed"] = price + lots["freight"].fillna(0)
    frame["cost_per_piece"] = (frame["cost_landed"] / pieces).fillna(lots["price_per_piece"])
    order = ["lot", "supplier", "pieces_bought", "pieces_in", "pieces_tied", "pieces_lost"]
    order += ["yield_before_tying", "minutes_before_tying", "minutes_per_tied"]
    return with_categories(frame[[*order, "cost_landed", "cost_per_piece"]])


def bought(lots: pd.DataFrame) -> pd.Series:
    """Return how many pieces each lot was, a tube counting three; NaN where that is not known."""
    unit = lots["quantity_unit"].astype(object)
    unit = unit.where(unit.notna() | lots["form"].isna() | lots["form"].eq("tube"), "piece")
    return lots["quantity"] * unit.map({"piece": 1, "tube": PIECES_FROM_A_TUBE}).astype(float)


_KNOWN = (
    "pieces_in",
    "pieces_lost",
    "yield_before_tying",
    "minutes_before_tying",
    "minutes_per_tied",
)


def _tallied(tally: pd.DataFrame) -> pd.DataFrame:
    """Sum a tally's stages before tying for each lot."""
    work = tally[tally["stage"].astype(object).ne("tie")].dropna(
        subset=["lot", "stage", "pieces_in", "pieces_out"]
    )
    stages = work.groupby(["lot", "stage"], observed=True)[["pieces_in", "pieces_out"]].sum()
    timed = work.dropna(subset="minutes").groupby(["lot", "stage"], observed=True)
    pace = timed["minutes"].sum() / timed["pieces_out"].sum().replace(0, np.nan)
    by_lot = {"level": "lot", "observed": True}
    kept = stages["pieces_out"] / stages["pieces_in"].replace(0, np.nan)
    later = kept[::-1].groupby(**by_lot).cumprod()[::-1]  # of a piece kept here, up to tying
    later = later.groupby(**by_lot).shift(-1, fill_value=1.0).replace(0, np.nan)
    unknown = kept.isna().groupby(**by_lot).any()
    known = {
        "pieces_in": stages["pieces_in"].groupby(**by_lot).first(),
        "pieces_lost": (stages["pieces_in"] - stages["pieces_out"]).groupby(**by_lot).sum(),
        "yield_before_tying": kept.groupby(**by_lot).prod().mask(unknown),
        "minutes_before_tying": work.groupby("lot")["minutes"].sum(min_count=1),
        "minutes_per_tied": (pace.reindex(stages.index) / later).groupby(**by_lot).sum(min_count=1),
    }
    return pd.DataFrame(known, columns=list(_KNOWN)).astype(float)


def _noted(pieces: pd.DataFrame, tied: pd.Series) -> pd.DataFrame:
    """Count for each lot the measured pieces that are marked as lost before tying."""
    lost = pieces["lost_at"].notna() & pieces["lost_at"].astype(object).ne("tie")
    lost_by_lot = pieces.loc[lost, "lot"].value_counts().astype(float)
    gone = lost_by_lot + tied.reindex(lost_by_lot.index).fillna(0)
    known = pd.DataFrame(
        {
            "pieces_in": gone,
            "pieces_lost": lost_by_lot,
            "yield_before_tying": 1 - lost_by_lot / gone,
        }
    )
    return known.reindex(columns=list(_KNOWN)).astype(float)
