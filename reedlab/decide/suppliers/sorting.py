"""How far a supplier's success is the maker's own sorting: pieces passed over before tying."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reedlab.decide.evidence import Evidence
from reedlab.decide.piece_flow import by_supplier

UNLIKE = 0.05
"""Difference in the share lost before tying from which on it is said."""


def said(bench: Any, evidence: Evidence, names: Sequence[str]) -> tuple[str, ...]:
    """Say of the two likeliest suppliers how many pieces were tied at all, where that differs.

    One sentence with good reeds of 100 tied and of 100 taken up, or none.
    """
    counts = by_supplier(bench).reindex(names[:2])
    if len(counts) < 2 or (counts["lots_unknown"] > 0).any() or (counts["tied"] == 0).any():
        return ()
    lost = counts["lost before tying"] / (counts["lost before tying"] + counts["tied"])
    if abs(lost.iloc[0] - lost.iloc[1]) < UNLIKE:
        return ()
    reeds = evidence.reeds
    tied = reeds["success"].groupby(reeds["supplier"].astype(str)).mean().reindex(names[:2])
    a, b = (f"{100 * share:.0f}" for share in lost)
    c, d = (f"{100 * share:.0f}" for share in tied)
    e, f = (f"{100 * share:.0f}" for share in tied * (1 - lost))
    return (
        f"Before tying you passed over or lost {a} of 100 pieces of {names[0]} and {b} of "
        f"{names[1]}. Of 100 tied, {c} and {d} turned out good; of 100 taken up, {e} and {f}. The "
        "difference between the two is your sorting, not their cane alone.",
    )
