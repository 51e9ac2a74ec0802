"""What an hour at the bench earns: by supplier, by selling grade, by form of cane.

Profit per bench hour is the price of the saleable reeds, less cane, staples and thread, over all
the hours, those before tying and those spent on failures included; the wage is not yet paid.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.costs import cost_per_saleable, profit_per_hour
from reedlab.decide.draws import interval, share_lowest
from reedlab.decide.evidence import gather, listed
from reedlab.decide.models import Models, Spec, fit_models
from reedlab.decide.next_lot import NextLot
from reedlab.decide.suppliers.comparison import SupplierAnswer, leans, value_of
from reedlab.errors import DecisionError

_PRIOR_REEDS = 6
"""Weight, in reeds, of all suppliers' shares of the grades in the shares of one."""
LEVEL = 0.9
"""Of the intervals."""


@dataclass(frozen=True)
class Earnings:
    """Profit per bench hour.

    Attributes
    ----------
    suppliers
        supplier, price (expected, over the grades its saleable reeds get), profit_per_hour with
        low and high, prob_best.
    grades
        supplier, grade, share (of its saleable reeds), price (mean of the reeds sold at that
        grade), profit_per_hour (were every saleable reed of that grade).
    currency
        Of prices and profit.
    """

    suppliers: pd.DataFrame
    grades: pd.DataFrame
    currency: str

    def sentence(self) -> str:
        """Say whose cane pays the hour best and how much the grade is worth."""
        first = self.suppliers.iloc[0]
        earned = (
            f"{first.profit_per_hour:.2f} {self.currency} ({LEVEL:.0%} interval {first.low:.2f} to "
            f"{first.high:.2f}), wage not yet paid"
        )
        if len(self.suppliers) == 1:
            text = f"An hour at the bench earns {earned}, on cane of {first.supplier}."
        elif leans(self.suppliers["prob_best"]):
            text = (
                f"An hour at the bench earns most on cane of {first.supplier}, with a probability "
                f"of {first.prob_best:.0%}: {earned}."
            )
        else:
            text = (
                "The records cannot tell on whose cane an hour at the bench earns most: most is "
                f"expected of {first.supplier}, {earned}, with a probability of "
                f"{first.prob_best:.0%}. Record grade, price and minutes of more reeds."
            )
        own = self.grades[self.grades["supplier"] == first.supplier].dropna(subset="price")
        if len(own) < 2:
            return text
        ends = [
            f"{g.profit_per_hour:.2f} at grade {g.grade}" for g in own.iloc[[0, -1]].itertuples()
        ]
        return f"{text} Were all its reeds of one grade, it would be {listed(ends)}."


def by_grade(said: SupplierAnswer, seed: int = 1) -> Earnings:
    """Work out profit per bench hour by supplier and by selling grade.

    A supplier's shares of the grades are drawn from a Dirichlet posterior whose prior holds the
    shares of all suppliers with the weight of six reeds; without grades every reed has the mean
    price.

    Raises
    ------
    DecisionError
        When no reed has a price, or too few have their minutes.
    """
    evidence, lot = said.evidence, said.lot
    _refuse_untimed(said.models)
    reeds = evidence.reeds
    sold = reeds["sold_for"] if "sold_for" in reeds else pd.Series(dtype=float)
    if not sold.notna().any():
        raise DecisionError(
            "no reed has a price: fill in sold_for for the reeds that were sold, and ask again."
        )
    names = evidence.arms["supplier"].tolist()
    good = reeds[reeds["success"] == 1.0]
    price = good.groupby(good["grade"].astype(object))["sold_for"].mean().dropna()
    graded = good[good["grade"].isin(price.index)]
    rng = np.random.default_rng(seed)
    draws = len(lot.expected.success)
    shares = np.zeros((len(names), len(price)))
    expected = np.full((draws, len(names)), float(sold.mean()))
    if len(price):
        counts = pd.crosstab(graded["supplier"].astype(str), graded["grade"].astype(object))
        counts = counts.reindex(index=names, columns=price.index, fill_value=0)
        pooled = counts.sum() + 0.5
        for i, name in enumerate(names):
            alpha = counts.loc[name] + _PRIOR_REEDS * pooled / pooled.sum()
            share = rng.dirichlet(alpha, draws)
            expected[:, i] = share @ price.to_numpy()
            shares[i] = share.mean(axis=0)
    profit = profit_per_hour(lot.expected, evidence.rates, expected)
    suppliers = _profits(names, profit, "supplier").assign(price=expected.mean(axis=0))
    suppliers = suppliers.sort_values("profit_per_hour", ascending=False, ignore_index=True)
    rows = []
    for share, (grade, value) in zip(shares.T, price.items()):
        hour = np.median(profit_per_hour(lot.expected, evidence.rates, value), axis=0)
        rows += [(name, grade, s, value, float(h)) for name, s, h in zip(names, share, hour)]
    grades = pd.DataFrame(rows, columns=["supplier", "grade", "share", "price", "profit_per_hour"])
    return Earnings(
        suppliers[["supplier", "price", "profit_per_hour", "low", "high", "prob_best"]],
        grades.sort_values(["supplier", "grade"], ascending=[True, False], ignore_index=True),
        said.currency,
    )


def _refuse_untimed(models: Models) -> None:
    if models.when_good is None:
        raise DecisionError(
            "Too few scraping times are recorded to say what an hour at the bench earns: note the "
            "minutes of every reed or sitting, and ask again."
        )


def _profits(names: list[str], profit: np.ndarray, arm: str) -> pd.DataFrame:
    low, high = interval(profit, LEVEL)
    return pd.DataFrame(
        {
            arm: names,
            "profit_per_hour": np.median(profit, axis=0),
            "low": low,
            "high": high,
            "prob_best": share_lowest(-profit),
        }
    )


@dataclass(frozen=True)
class Forms:
    """The forms that cane is bought in.

    Attributes
    ----------
    table
        form, suppliers, lots, reeds, cane (cost per tied piece), minutes_before (per tied piece),
        success, minutes and cost per saleable reed, profit_per_hour with low and high, prob_best.
    separable
        Whether any supplier sold more than one form; if not, what is the form's and what is the
        supplier's cannot be told apart.
    currency
        Of cost and profit.
    notes
        What was left out or filled in.
    """

    table: pd.DataFrame
    separable: bool
    currency: str
    notes: tuple[str, ...]
    lot: NextLot = field(repr=False)

    @property
    def verdict(self) -> str:
        """``lean`` or ``cannot tell``."""
        told = self.separable and leans(self.table["prob_best"])
        return "lean" if told else "cannot tell"

    def sentence(self) -> str:
        """Say which form pays the hour best, or what to buy to be able to tell."""
        first = self.table.iloc[0]
        if len(self.table) == 1:
            return f"All cane came {first.form}: buy one lot in another form to compare."
        if self.verdict == "lean":
            return (
                f"Cane bought {first.form} pays the hour best, {first.profit_per_hour:.2f} "
                f"{self.currency} ({LEVEL:.0%} interval {first.low:.2f} to {first.high:.2f}), with "
                f"a probability of {first.prob_best:.0%}; its work before tying, "
                f"{first.minutes_before:.0f} minutes a tied piece, is counted."
            )
        why = (
            f"the likeliest, {first.form}, has a probability of {first.prob_best:.0%}"
            if self.separable
            else "no supplier sold two forms, so form and supplier are one in these records"
        )
        return (
            f"The records cannot tell which form of cane pays the hour best: {why}. Buy one lot of "
            "one supplier in two forms, and keep the tally of each."
        )


def by_form(bench: Any, seed: int = 1, draws: int = 4000) -> Forms:
    """Compare the forms of cane: tube, split, gouged, shaped.

    Form is a fixed effect, suppliers and their lots are random: a form is judged at a new lot of a
    new supplier. Its minutes and losses before tying come from the tally.

    Raises
    ------
    DecisionError
        When no settled reed comes from a lot whose form is known, or too few have their minutes.
    """
    evidence = gather(bench, "form")
    models = fit_models(evidence, seed, draws, Spec(arm="form"))
    _refuse_untimed(models)
    lot, rates = models.next_lot(evidence), evidence.rates
    price = evidence.price
    value = price if np.isfinite(price) else value_of(evidence, lot, bench.settings.currency).value
    profit = profit_per_hour(lot.expected, rates, value)
    table = evidence.arms.merge(_profits(evidence.arms["form"].tolist(), profit, "form"))
    sellers = evidence.reeds.groupby("form", observed=True)["supplier"].nunique()
    table.insert(1, "suppliers", table["form"].map(sellers))
    table = table.assign(
        success=lot.one.success.mean(axis=0),
        minutes=np.median(lot.one.minutes_per_saleable, axis=0),
        cost=np.median(cost_per_saleable(lot.one, rates), axis=0),
    ).sort_values("prob_best", ascending=False, ignore_index=True)
    forms = evidence.reeds.groupby("supplier", observed=True)["form"].nunique()
    return Forms(
        table, bool((forms > 1).any()), bench.settings.currency, (*evidence.notes, *models.notes),
        lot,
    )  # fmt: skip
