"""Pieces from purchase to the customer, and what answers from judged reeds leave out.

Pieces lost before tying, reeds still pending, blanks given up early and reeds that came back as
failures (see `returns.returns`) are counted by supplier, each piece once.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from reedlab.decide.returns import sent_back, sold
from reedlab.elementary import with_wilson

BEFORE_TYING = ("came in", "lost before tying", "not tied yet")
COUNTS = ("came_in", "never_tied", "tied", "pending", "given_up", "returned", "lots_unknown")
STAGES = (
    *BEFORE_TYING,
    "tied",
    "pending",
    "given up",
    "broken",
    "reject",
    "playable",
    "good",
    "sold",
    "returned",
)
"""The stages of `flow`, in the order of the work; the indented ones of a figure are parts."""


def flow(bench: Any) -> pd.DataFrame:
    """Follow each supplier's pieces from purchase to the customer.

    One row a supplier and stage: supplier, stage, pieces, lots_unknown (lots of that supplier for
    which this count is not known). What came in and what was lost before tying are known only for
    lots with a tally or with losses noted on their pieces; a piece not tied yet came through and
    has no reed. Cane that was tied again is one piece, with its last end.
    """
    wide = by_supplier(bench)
    long = wide[list(STAGES)].stack().rename_axis(["supplier", "stage"])
    frame = long.rename("pieces").reset_index()
    unknown = frame["supplier"].map(wide["lots_unknown"])
    return frame.assign(
        stage=pd.Categorical(frame["stage"], STAGES, ordered=True),
        lots_unknown=unknown.where(frame["stage"].isin(BEFORE_TYING), 0),
    )


def by_supplier(bench: Any) -> pd.DataFrame:
    """Count each supplier's pieces at every stage.

    Indexed by supplier: one column for each of `STAGES`, and ``lots_unknown`` (lots of which it is
    not known what came in).
    """
    losses = bench.losses.astype({"supplier": str})
    reeds = bench.reeds.dropna(subset="supplier").astype({"supplier": str})
    reeds = reeds[~reeds["reed"].isin(reeds["retie_of"].dropna())]
    known = losses["pieces_in"].notna() & losses["pieces_lost"].notna()
    through = losses["pieces_lost"] + losses["pieces_tied"]
    came_in = losses["pieces_in"].where(known).clip(lower=through)
    cane = pd.DataFrame(
        {
            "came in": came_in,
            "lost before tying": losses["pieces_lost"],
            "not tied yet": came_in - through,
            "lots_unknown": ~known,
        }
    )
    ends = reeds["outcome"].astype(object).fillna("pending").str.replace("_", " ")
    made = pd.get_dummies(ends, dtype=int).assign(
        tied=1, sold=sold(reeds), returned=sent_back(bench)[reeds.index]
    )
    counts = cane.groupby(losses["supplier"]).sum().join(made.groupby(reeds["supplier"]).sum())
    return counts.reindex(columns=[*STAGES, "lots_unknown"]).fillna(0).astype(int)


def returns(bench: Any, level: float = 0.9) -> pd.DataFrame:
    """Count the reeds that came back and count as failures, by lot and by supplier.

    Columns: supplier, lot ("all" for the supplier's own row), sold, returned, share with low and
    high (Wilson's interval), and the reasons given.
    """
    reeds = bench.reeds.dropna(subset="supplier").astype({"supplier": str, "lot": str})
    reeds = reeds.assign(back=sent_back(bench)[reeds.index])[sold(reeds)]
    reeds["return_reason"] = reeds["return_reason"].where(reeds["back"])
    both = pd.concat([reeds, reeds.assign(lot="all")])
    grouped = both.groupby(["supplier", "lot"])
    table = grouped.agg(sold=("reed", "size"), returned=("back", "sum")).reset_index()
    reasons = grouped["return_reason"].agg(lambda r: ", ".join(sorted(set(r.dropna()))))
    return with_wilson(table, "returned", "sold", level).assign(reasons=reasons.to_numpy())


def left_out(bench: Any) -> tuple[pd.DataFrame, str]:
    """Count what every answer from reeds with an outcome leaves out, and say it in a sentence.

    One row a supplier, in pieces: never_tied (lost before tying or not tied yet) of came_in;
    pending, given_up and returned of tied; lots_unknown (lots of which it is not known what came
    in). The first two are missing where that is known of no lot, returned where neither sales nor
    returns are noted.
    """
    counts = _counts(by_supplier(bench))
    reeds = bench.reeds
    follows_up = bool(reeds["sold_for"].notna().any() or reeds["returned_on"].notna().any())
    if not follows_up:
        counts["returned"] = counts["returned"].astype("Int64").mask(counts["tied"] >= 0)
    n = counts.drop(columns="supplier").sum()
    silent = n["lots_unknown"]
    unknown = f" ({silent} lot{'' if silent == 1 else 's'} without a count)" if silent else ""
    if silent and not n["came_in"]:
        untied = f"How many pieces came in and were never tied is not known{unknown}"
    else:
        untied = (
            f"Of {n['came_in']} pieces that came in, {n['never_tied']} were never tied{unknown}"
        )
    astray = int(reeds["supplier"].isna().sum())
    besides = f" (and {astray} of no known supplier)" if astray else ""
    return counts, (
        f"An answer sees only reeds with an outcome. {untied}; of {n['tied']} tied{besides}, "
        f"{n['pending']} are pending, {n['given_up']} were given up and "
        + (f"{n['returned']} came back." if follows_up else "how many came back is not noted.")
    )


def _counts(wide: pd.DataFrame) -> pd.DataFrame:
    """Count by supplier what a comparison leaves out, each piece once."""
    never = wide["lost before tying"] + wide["not tied yet"]
    named = wide.rename(columns=lambda stage: stage.replace(" ", "_")).assign(never_tied=never)
    known = (named["came_in"] > 0) | (named["lots_unknown"] == 0)
    cane = named[["came_in", "never_tied"]].astype("Int64").where(known)
    return named.assign(**cane)[list(COUNTS)].reset_index()
