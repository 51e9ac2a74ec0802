"""Is it the supplier or the cane: suppliers compared with a property of the cane held equal.

A supplier may do well because its cane is lighter, and then any light cane would do. Whether that
is so is a question about lots: the slope of success on a lot's mean property (`between`), which is
not the slope among the pieces of one lot (`within`, what passing over pieces needs). The suppliers'
next lots are predicted at one and the same property, and the difference to the prediction as bought
is what the property accounts for. It is association: lots are not dealt out at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.draws import interval, share_lowest
from reedlab.decide.evidence import count, gather
from reedlab.decide.models import Spec, ability, success_posterior
from reedlab.decide.suppliers.comparison import leans
from reedlab.errors import DecisionError
from reedlab.records.tables import UNITS, in_words, stem

_LOTS = 4
"""Measured lots below which a slope between lots is not asked."""
LEVEL = 0.9
"""Of the intervals."""


@dataclass(frozen=True)
class EqualCane:
    """Suppliers as bought and with a property of the cane held equal.

    Attributes
    ----------
    table
        supplier, lots, reeds (of measured lots), mean (of the property), success (as bought),
        success_equal, prob_highest, prob_highest_equal.
    slopes
        One row for `between` and one for `within`: odds_ratio (per `unit` of the property) with
        low and high.
    accounts_for
        How much of the lead of the best supplier over the worst, as bought, goes when the property
        is held equal: median share, low, high; below 0 the lead grows.
    name, unit
        The property and the step that the odds ratios stand for (one sd of its lots' means).
    """

    table: pd.DataFrame
    slopes: pd.DataFrame
    accounts_for: pd.Series
    name: str
    unit: float

    def sentence(self) -> str:
        """Say whether the property explains the suppliers, or that the lots cannot tell."""
        slope, share = self.slopes.loc["between"], self.accounts_for
        best, worst = self.table["supplier"].iloc[[0, -1]]
        words = in_words(self.name)
        step = f"{self.unit:.2g} {UNITS.get(self.name.removeprefix(stem(self.name)), '')}".strip()
        text = (
            f"lots {step} higher in {words} went with {slope.odds_ratio:.2f} times the odds of "
            f"success ({LEVEL:.0%} interval {slope.low:.2f} to {slope.high:.2f})"
        )
        more = f"measure the pieces of more lots, of every supplier ({int(self.table.lots.sum())} "
        more += "lots are measured)."
        if slope.low < 1 < slope.high:
            return f"The records cannot tell whether {words} is behind it: {text}; {more}"
        text = text[0].upper() + text[1:]
        goes = f"{share['low']:.0%} to {share['high']:.0%}"
        if share["low"] < 0:
            return (
                f"{text}, but how much of the lead of {best} over {worst} that accounts for, the "
                f"records cannot tell ({LEVEL:.0%} interval {goes}): {more}"
            )
        return (
            f"{text}; with it held equal, {share['median']:.0%} of the lead of {best} over {worst} "
            f"goes ({LEVEL:.0%} interval {goes})."
        )

    @property
    def verdict(self) -> str:
        """``lean`` where one supplier stays likeliest, else ``cannot tell``."""
        return "lean" if leans(self.table["prob_highest_equal"]) else "cannot tell"


def hold_equal(
    bench: Any, name: str = "density_g_cm3", seed: int = 1, draws: int = 4000
) -> EqualCane:
    """Compare suppliers with a property of the cane held equal.

    Only reeds whose piece was measured count, in both comparisons, so that they differ in nothing
    but the property.

    Parameters
    ----------
    bench
        The records.
    name
        A numeric column of `Bench.reeds`.
    seed, draws
        Of the posterior.

    Returns
    -------
    EqualCane

    Raises
    ------
    DecisionError
        When fewer than four lots, or fewer than two suppliers, are measured.
    """
    evidence = gather(bench)
    reeds = evidence.reeds.dropna(subset=name).reset_index(drop=True)
    lots, suppliers = reeds["lot"].nunique(), reeds["supplier"].nunique()
    if lots < _LOTS or suppliers < 2:
        raise DecisionError(
            f"{in_words(name).capitalize()} is measured in {count(lots, 'lot')} of "
            f"{count(suppliers, 'supplier')}: measure pieces of at least {_LOTS} lots of two "
            "suppliers, and ask again."
        )
    terms = (f"between({name}, lot)", f"within({name}, lot)")
    names = sorted(reeds["supplier"].astype(str).unique())
    bought = success_posterior(reeds, Spec(), seed, draws)
    equal = success_posterior(reeds, Spec(terms=terms), seed, draws)
    fixed = list(equal.design.fixed_names)
    held = {t: equal.design.X[:, fixed.index(t)].mean() for t in terms}
    chance = [
        ability(bought, names, seed=seed).expected_chance(),
        ability(equal, names, seed=seed, held=held).expected_chance(),
    ]
    means = reeds.groupby("lot", observed=True)[name].mean()
    unit = float(means.std())
    odds = np.exp(equal.draws()[list(terms)] * unit)
    low, high = interval(odds, LEVEL)
    slopes = pd.DataFrame(
        {"odds_ratio": odds.median().to_numpy(), "low": low, "high": high},
        index=["between", "within"],
    )
    table = (
        reeds.groupby("supplier", observed=True)
        .agg(lots=("lot", "nunique"), reeds=("reed", "size"), mean=(name, "mean"))
        .loc[names]
        .assign(
            success=chance[0].mean(axis=0),
            success_equal=chance[1].mean(axis=0),
            prob_highest=share_lowest(-chance[0]),
            prob_highest_equal=share_lowest(-chance[1]),
        )
        .rename_axis("supplier")
        .reset_index()
    )
    best, worst = int(table["success"].argmax()), int(table["success"].argmin())
    lead = chance[0][:, best].mean() - chance[0][:, worst].mean()
    share = 1 - (chance[1][:, best] - chance[1][:, worst]) / lead
    goes = pd.Series([np.median(share), *interval(share, LEVEL)], ["median", "low", "high"])
    table = table.astype({"supplier": str}).sort_values("success", ascending=False)
    return EqualCane(table.reset_index(drop=True), slopes, goes, name, unit)
