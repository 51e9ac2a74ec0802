"""Which supplier to buy from next.

A supplier is judged by what its next lot will do at this maker's bench: the chance that a reed of
it turns out well, the minutes and the money that a saleable reed costs, and how sure that is. A
ranking speaks of this bench and these lots, not of a supplier's worth, and few lots say little.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.costs import Rates, cost_per_saleable, net_benefit
from reedlab.decide.draws import interval, share_lowest, stacked
from reedlab.decide.evidence import Evidence, gather, listed
from reedlab.decide.models import Models, fit_models
from reedlab.decide.next_lot import NextLot
from reedlab.decide.suppliers.information import (
    Pace,
    binomial_likelihood,
    expected_regret,
    sampled_likelihood,
    value_of_sample,
)
from reedlab.decide.worth import Worth, worth
from reedlab.errors import DecisionError
from reedlab.mixed.ask.design_table import CANNOT_TELL, contrast_variance

CORRELATIONS = (-0.5, 0.0, 0.5)
SURE = 0.9
"""Probability from which on the answer says buy."""
LIKELY = 0.5
"""Probability from which on the answer leans to a supplier, if no other is half as probable."""
TRIAL_REEDS = 10
"""Reeds with which a new lot is commonly tried (common practice: five to ten, no source)."""
_TRIALS = (5, 10, 20, 40)
"""Reeds of one more lot for which its worth is told."""
_WORTH_A_TRIAL = 1.0
"""Net worth a year of one more lot, in money, below which no lot is recommended for it."""
_SHORTEST_DAYS = 90
"""Days that records count as at least, so that a first busy week is not taken for a year's pace."""


@dataclass(frozen=True)
class SupplierAnswer:
    """The suppliers compared.

    Attributes
    ----------
    table
        One row a supplier, the likeliest to be cheapest first: supplier, lots, reeds; success (the
        chance that a reed of its next lot succeeds) with success_low and success_high; minutes
        (bench minutes per saleable reed; missing where too few are recorded); cost (per saleable
        reed, posterior median) with cost_low and cost_high; prob_best (probability of the lowest
        expected cost).
    stakes
        One row a supplier: prob_next_best (that its next lot, not its lots on average, is the
        cheapest), benefit (expected net benefit per tied piece), regret (expected loss per tied
        piece against the best, were it known).
    sensitivity
        correlation, supplier, cost, prob_best: the answer if a lot's effects on success and on
        minutes go together.
    balance
        supplier, against, ratio: variance of the contrast with the likeliest supplier relative to
        the same reeds spread alike over makers and seasons; above 4 the records cannot tell.
    level
        Of the intervals.
    value
        What a saleable reed is counted as being worth.
    currency
        Of cost, benefit, regret and value.
    notes
        What was left out or filled in, sentence by sentence.
    evidence, models, lot
        What the answer stands on, for the questions that follow from it.
    """

    table: pd.DataFrame
    stakes: pd.DataFrame
    sensitivity: pd.DataFrame
    balance: pd.DataFrame
    level: float
    value: float
    currency: str
    notes: tuple[str, ...]
    evidence: Evidence = field(repr=False)
    models: Models = field(repr=False)
    lot: NextLot = field(repr=False)

    @property
    def best(self) -> str:
        """The supplier likeliest to have the lowest expected cost."""
        return str(self.table["supplier"].iloc[0])

    @property
    def verdict(self) -> str:
        """How sure the answer is: ``buy``, ``lean`` or ``cannot tell``."""
        if len(self.table) < 2 or self._untimed or self._runner_up_ratio > CANNOT_TELL:
            return "cannot tell"
        chances = self.table["prob_best"]
        return "buy" if chances.max() >= SURE else "lean" if leans(chances) else "cannot tell"

    @cached_property
    def worth(self) -> pd.DataFrame:
        """What one more lot of each supplier would be worth knowing, its outcomes and minutes.

        By the number of reeds tried: supplier, reeds, per_piece (expected gain per piece tied
        afterwards), per_year (that times the pieces tied a year), trial_cost (expected loss on the
        reeds of the trial itself, against reeds of the likeliest supplier), net (per_year less
        trial_cost).
        """
        one, models = self.lot.one, self.models
        benefit = net_benefit(self.lot.expected, self.evidence.rates, self.value)
        mean, a_year = benefit.mean(axis=0), pieces_a_year(self.evidence.reeds)
        names = self.evidence.arms["supplier"].tolist()
        rows = []
        for name in self.table["supplier"]:
            i = names.index(name)
            for reeds in _TRIALS:
                if models.when_good is None or models.when_failed is None:
                    likely = binomial_likelihood(one.success[:, i], reeds)
                else:
                    paces = (
                        Pace(one.minutes_success[:, i], models.when_good.residual_sd),
                        Pace(one.minutes_failure[:, i], models.when_failed.residual_sd),
                    )
                    likely = sampled_likelihood(one.success[:, i], paces, reeds, models.seed)
                gain = value_of_sample(benefit, likely)
                cost = reeds * (mean.max() - mean[i])
                rows.append((name, reeds, gain, gain * a_year, cost, gain * a_year - cost))
        columns = ["supplier", "reeds", "per_piece", "per_year", "trial_cost", "net"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def _untimed(self) -> bool:
        """Whether bench time would cost something and is not known."""
        return self.models.when_good is None and self.evidence.rates.wage_per_hour > 0

    @property
    def _runner_up_ratio(self) -> float:
        against = self.balance.set_index("against")["ratio"]
        return float(against[self.table["supplier"].iloc[1]])

    def sentence(self) -> str:
        """Say what to buy and how sure that is, or what to record to be able to tell."""
        first = self.table.iloc[0]
        if len(self.table) == 1:
            return (
                f"The records cannot compare suppliers: every settled reed is {self.best}'s. Buy "
                f"one lot elsewhere and record the outcome and minutes of {TRIAL_REEDS} reeds."
            )
        if self._untimed:
            good = self.table.sort_values("success", ascending=False, kind="stable")
            best, then = good.iloc[0], good.iloc[1]
            return (
                "The records cannot tell which supplier is the cheapest, for too few scraping "
                "times are recorded to count bench time. Of a next lot most reeds should turn out "
                f"good from {best.supplier}, {best.success:.0%} ({self.level:.0%} interval "
                f"{best.success_low:.0%} to {best.success_high:.0%}), then from {then.supplier}, "
                f"{then.success:.0%}. Note the minutes of every reed or sitting."
            )
        spelt = (
            f"{first.cost:.2f} {self.currency} ({self.level:.0%} interval {first.cost_low:.2f} to "
            f"{first.cost_high:.2f})"
        )
        second = self.table.iloc[1]
        if self.verdict == "buy":
            return (
                f"Buy {first.supplier} next: a saleable reed of its next lot should cost {spelt}, "
                "and over its lots it is the cheapest with a probability of "
                f"{first.prob_best:.0%}; {second.supplier} comes next at {second.cost:.2f}."
            )
        if self.verdict == "lean":
            return (
                f"Lean to {first.supplier}, at {spelt} a saleable reed of its next lot: over its "
                f"lots it is the cheapest with a probability of {first.prob_best:.0%}, "
                f"{second.supplier} with {second.prob_best:.0%}. {self._record_next()}"
            )
        return (
            f"The records cannot tell which supplier is the cheapest: {first.supplier} is the "
            f"likeliest, at {first.prob_best:.0%}, then {second.supplier}, at "
            f"{second.prob_best:.0%}. {self._record_next()}"
        )

    def _record_next(self) -> str:
        if self._runner_up_ratio > CANNOT_TELL:
            return (
                f"Lots of {self.best} and {self.table['supplier'].iloc[1]} were worked by "
                "different makers or in different seasons: work lots of both side by side, and "
                "record outcome and minutes."
            )
        tried = self.worth[self.worth["reeds"] == TRIAL_REEDS]
        most = tried.loc[tried["net"].idxmax()]
        if most.net < _WORTH_A_TRIAL:
            return (
                f"No lot of {TRIAL_REEDS} reeds is worth buying for what it would tell: keep "
                "recording outcome and minutes, of two suppliers in turn if you can."
            )
        return (
            f"One more lot of {most.supplier} would tell most: record outcome and minutes of "
            f"{TRIAL_REEDS} reeds of it (worth about {most.per_year:.0f} {self.currency} a year, a "
            f"saleable reed counted at {self.value:.2f})."
        )


def compare(bench: Any, seed: int = 1, draws: int = 4000, level: float = 0.9) -> SupplierAnswer:
    """Compare the suppliers of a bench.

    Two models of settled reeds, success and log minutes, with suppliers and lots within suppliers
    as random effects and makers (below five) and seasons as fixed ones; every draw of their
    posteriors is joined by a new lot of each supplier.

    Parameters
    ----------
    bench
        The records.
    seed
        Seed of all draws.
    draws
        Number of posterior draws.
    level
        Of the intervals.

    Returns
    -------
    SupplierAnswer

    Raises
    ------
    DecisionError
        When no settled reed has both a supplier and an outcome, or none turned out well.
    """
    evidence = gather(bench)
    if not evidence.reeds["success"].any():
        raise DecisionError(
            f"None of {len(evidence.reeds)} settled reeds has turned out well, so that nothing can "
            "be said of what a saleable one costs: go on recording, and ask again when some have."
        )
    return answer(evidence, fit_models(evidence, seed, draws), bench.settings.currency, level)


def answer(
    evidence: Evidence, models: Models, currency: str = "EUR", level: float = 0.9
) -> SupplierAnswer:
    """Turn the models' draws into the answer.

    Parameters
    ----------
    evidence, models
        What the bench says, and the models fitted to it.
    currency
        Of every price.
    level
        Of the intervals.

    Returns
    -------
    SupplierAnswer
    """
    lots = {rho: models.next_lot(evidence, rho) for rho in CORRELATIONS}
    lot, rates = lots[0.0], evidence.rates
    tables = {rho: _table(evidence.arms, lots[rho], rates, level) for rho in CORRELATIONS}
    order = tables[0.0].sort_values(["prob_best", "cost"], ascending=[False, True]).index
    table = tables[0.0].loc[order].reset_index(drop=True)
    if models.when_good is None:
        table["minutes"] = np.nan
    counted = value_of(evidence, lot, currency)
    benefit = net_benefit(lot.expected, rates, counted.value)
    stakes = pd.DataFrame(
        {
            "supplier": evidence.arms["supplier"].to_numpy(),
            "prob_next_best": share_lowest(cost_per_saleable(lot.one, rates)),
            "benefit": benefit.mean(axis=0),
            "regret": expected_regret(benefit),
        }
    )
    shown = ["supplier", "cost", "prob_best"]
    thin = table.loc[table["lots"] == 1, "supplier"]
    known = (
        f"Known from one lot only, so that the interval rests on how other suppliers' lots differ: "
        f"{listed(thin)}."
    )
    return SupplierAnswer(
        table,
        stakes.loc[order].reset_index(drop=True),
        stacked({rho: each.loc[order, shown] for rho, each in tables.items()}, "correlation"),
        balance(evidence.reeds, str(table["supplier"].iloc[0])),
        level,
        counted.value,
        currency,
        (*evidence.notes, *models.notes, *([known] if len(thin) else []), counted.says),
        evidence,
        models,
        lot,
    )


def _table(suppliers: pd.DataFrame, lot: NextLot, rates: Rates, level: float) -> pd.DataFrame:
    cost = cost_per_saleable(lot.one, rates)
    low, high = interval(lot.one.success, level)
    cost_low, cost_high = interval(cost, level)
    return suppliers[["supplier", "lots", "reeds"]].assign(
        success=lot.one.success.mean(axis=0),
        success_low=low,
        success_high=high,
        minutes=np.median(lot.one.minutes_per_saleable, axis=0),
        cost=np.median(cost, axis=0),
        cost_low=cost_low,
        cost_high=cost_high,
        prob_best=share_lowest(cost_per_saleable(lot.expected, rates)),
    )


def pieces_a_year(reeds: pd.DataFrame) -> float:
    """Return how many pieces this bench ties in a year, from the dates of its settled reeds.

    Parameters
    ----------
    reeds
        With ``tied_on``; without it all of them count as one year's.
    """
    if "tied_on" not in reeds:
        return float(len(reeds))
    days = (reeds["tied_on"].max() - reeds["tied_on"].min()).days
    return float(len(reeds) * 365.25 / max(days, _SHORTEST_DAYS))


def leans(chances: pd.Series) -> bool:
    """Whether one choice is likely enough to lean to: at least even, and twice any other.

    Examples
    --------
    >>> leans(pd.Series([0.6, 0.3, 0.1])), leans(pd.Series([0.55, 0.45]))
    (True, False)
    """
    first, *others = sorted(chances, reverse=True)
    return bool(first >= LIKELY and first >= 2 * max(others, default=0.0))


def value_of(evidence: Evidence, lot: NextLot, currency: str) -> Worth:
    """Value a saleable reed, another one costing what it does of the cheapest arm."""
    cost = float(np.median(cost_per_saleable(lot.expected, evidence.rates), axis=0).min())
    return worth(evidence.price, cost, currency)


def balance(reeds: pd.DataFrame, best: str) -> pd.DataFrame:
    """Compare each contrast with `best` to the same contrast in a balanced design.

    With supplier, maker and season as factors, the variance of a contrast of two suppliers is
    c'(X'X)⁻¹c; were every supplier's reeds spread alike over makers and seasons, it would be
    1/n₁ + 1/n₂. Suppliers whose reeds were all made by one maker, or in one season, while the
    other's were not, have no contrast of their own.

    Parameters
    ----------
    reeds
        supplier, maker, season.
    best
        The supplier that the others are held against.

    Returns
    -------
    pandas.DataFrame
        supplier, against, ratio (infinite where maker or season and supplier are one).
    """
    names = sorted(reeds["supplier"].astype(str).unique())
    of = pd.get_dummies(reeds["supplier"].astype(str), dtype=float)[names]
    others = [
        pd.get_dummies(reeds[c].astype(str), drop_first=True, dtype=float)
        for c in ("maker", "season")
        if reeds[c].nunique() > 1
    ]
    X = pd.concat([of, *others], axis=1).to_numpy()
    size, information = of.sum(), X.T @ X
    rows = []
    for name in names:
        if name == best:
            continue
        contrast = np.zeros(X.shape[1])
        contrast[[names.index(best), names.index(name)]] = 1.0, -1.0
        ratio = contrast_variance(information, contrast) / (1 / size[best] + 1 / size[name])
        rows.append((best, name, ratio))
    return pd.DataFrame(rows, columns=["supplier", "against", "ratio"])
