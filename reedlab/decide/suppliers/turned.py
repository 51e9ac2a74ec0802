"""Where an adjustment turns the order of plain counts round, and why."""

from __future__ import annotations

import pandas as pd

from reedlab.decide.evidence import Evidence

_BY = {"maker": "made by {level}", "season": "tied in {level}"}
_LEAST = 0.01
"""Difference between two shares of good reeds from which on one is ahead in print."""


def said(evidence: Evidence, table: pd.DataFrame) -> str:
    """Say that plain counts order the two likeliest suppliers the other way round, and why.

    What turns the order is the one of returns, maker and season that explains most of the
    difference between plain counts and the answer: of maker and season, the difference that a
    supplier's mix of them alone would make (direct standardisation, with the bench's own shares).
    "" where both orders are the same.
    """
    if len(table) < 2:
        return ""
    first, second = (str(name) for name in table["supplier"].iloc[:2])
    reeds = evidence.reeds.astype({"supplier": str})
    plain = reeds.groupby("supplier")["success"].mean()
    stays = table.set_index("supplier")["stayed_good"]
    if plain[second] - plain[first] < _LEAST or stays[first] - stays[second] <= 0:
        return ""
    return (
        f"By plain counts {second} is ahead: {100 * plain[second]:.0f} of 100 judged reeds turned "
        f"out good, and {100 * plain[first]:.0f} of {first}. {_why(evidence, reeds, first, second)}"
    )


def _why(evidence: Evidence, reeds: pd.DataFrame, first: str, second: str) -> str:
    """Name what favours the second in plain counts most."""
    favours = {name: _by_mix(reeds, name, first, second) for name in _BY if name in reeds}
    back = _back(evidence, first, second)
    most = max(favours, key=lambda name: favours[name], default="")
    if back > max(favours.get(most, 0.0), 0.0):
        return f"But more of its reeds came back ({100 * back:.0f} of 100 more)."
    if not most or favours[most] <= 0:
        return "But its lots differ more, so less of that is expected of its next."
    share = pd.crosstab(reeds["supplier"], reeds[most].astype(str), normalize="index")
    good = reeds["success"].groupby(reeds[most].astype(str)).mean()
    easier = ((share.loc[second] - share.loc[first]) * (good - good.mean())).idxmax()
    more = "more" if share.loc[second, easier] > share.loc[first, easier] else "fewer"
    what = _BY[most].format(level=easier)
    return (
        f"But {more} of its reeds were {what} ({100 * share.loc[second, easier]:.0f} of 100, and "
        f"{100 * share.loc[first, easier]:.0f} of {first}), which counts {_WAY[more]} it here."
    )


_WAY = {"more": "for", "fewer": "against"}


def _by_mix(reeds: pd.DataFrame, name: str, first: str, second: str) -> float:
    """Difference of the two shares of good reeds that their mix of makers or seasons makes."""
    good = reeds["success"].groupby(reeds[name].astype(str)).mean()
    expected = reeds[name].astype(str).map(good).groupby(reeds["supplier"]).mean()
    return float(expected[second] - expected[first])


def _back(evidence: Evidence, first: str, second: str) -> float:
    """Difference of the shares that came back."""
    if evidence.back.empty:
        return 0.0
    known = evidence.back.set_index("supplier")
    share = (known["returned"] / known["exposed"]).reindex([first, second]).fillna(0.0)
    return float(share[second] - share[first])
