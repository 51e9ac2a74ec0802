"""What an hour at the bench earns: by supplier, by selling grade, by form of cane.

Profit per bench hour is the price of the saleable reeds, less cane, staples and thread, over all
the hours, those before tying and those spent on failures included; the wage is not yet paid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    About,
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.costs import cost_per_saleable, profit_per_hour
from reedlab.decide.draws import amount, interval, places, share_lowest
from reedlab.decide.evidence import gather, listed
from reedlab.decide.shared_models.models import Models, Spec, fit_models
from reedlab.decide.suppliers.comparison import Suppliers, value_of

_LIKELY = {Verdict.SURE: "surely ", Verdict.LIKELY: "likely "}
_PRIOR_REEDS = 6
"""Weight, in reeds, of all suppliers' shares of the grades in the shares of one."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Earnings(Answer):
    """Profit per bench hour; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        supplier, price (expected, over the grades its saleable reeds get), profit_per_hour with
        low and high, prob_best.
    grades
        supplier, grade, share (of its saleable reeds), price (mean of the reeds sold at that
        grade), profit_per_hour (were every saleable reed of that grade).
    claims
        One row a supplier, in the order of the table: that an hour earns most on its cane, with
        prob_best, and how much more than on any other's, in `currency`. None for one supplier.
    currency
        Of prices and profit.
    """

    table: pd.DataFrame = empty("supplier", "price", "profit_per_hour", "low", "high", "prob_best")
    grades: pd.DataFrame = empty("supplier", "grade", "share", "price", "profit_per_hour")
    currency: str = ""

    def _sentence(self) -> str:
        first = self.table.iloc[0]
        earned = f"{_profit(self, first)}, wage not yet paid"
        if len(self.table) == 1:
            text = f"An hour at the bench earns {earned}, on cane of {first.supplier}."
        elif self.verdict is not Verdict.CANNOT_SAY:
            text = (
                f"An hour at the bench {_LIKELY[self.verdict]}earns most on cane of "
                f"{first.supplier}: {earned}. The chance is {100 * first.prob_best:.0f} in 100."
            )
        else:
            text = (
                "Cannot say yet on whose cane an hour at the bench earns most. The best guess is "
                f"{first.supplier}: {earned}. The chance is {100 * first.prob_best:.0f} in 100."
            )
        own = self.grades[self.grades["supplier"] == first.supplier].dropna(subset="price")
        if len(own) < 2:
            return text
        ends = [
            f"{amount(g.profit_per_hour, self.digits['profit_per_hour'])} at grade {g.grade}"
            for g in own.iloc[[0, -1]].itertuples()
        ]
        return f"{text} Were all its reeds of one grade, it would be {listed(ends)}."


@question(Earnings)
def by_grade(said: Suppliers) -> Earnings:
    """Work out profit per bench hour by supplier and by selling grade.

    A supplier's shares of the grades are drawn from a Dirichlet posterior whose prior holds the
    shares of all suppliers with the weight of six reeds; without grades every reed has the mean
    price. The records cannot answer when no reed has a price, or too few have their minutes.
    """
    basis = said.grounds()
    evidence, lot = basis.evidence, basis.lot
    _refuse_untimed(basis.models)
    reeds = evidence.reeds
    sold = reeds["sold_for"]
    if not sold.notna().any():
        raise CannotAnswer(
            "No reed has a price.",
            RecordNext("Write what each reed sold for under sold_for.", about=About.PRICES),
        )
    names = evidence.arms["supplier"].tolist()
    good = reeds[reeds["success"] == 1.0]
    price = good.groupby(good["grade"].astype(object))["sold_for"].mean().dropna()
    known = good[good["grade"].isin(price.index)]
    rng = np.random.default_rng(basis.models.seed)
    draws = len(lot.expected.success)
    shares = np.zeros((len(names), len(price)))
    expected = np.full((draws, len(names)), float(sold.mean()))
    if len(price):
        counts = pd.crosstab(known["supplier"].astype(str), known["grade"].astype(object))
        counts = counts.reindex(index=names, columns=price.index, fill_value=0)
        pooled = counts.sum() + 0.5
        for i, name in enumerate(names):
            alpha = counts.loc[name] + _PRIOR_REEDS * pooled / pooled.sum()
            share = rng.dirichlet(alpha, draws)
            expected[:, i] = share @ price.to_numpy()
            shares[i] = share.mean(axis=0)
    profit = profit_per_hour(lot.expected, evidence.rates, expected)
    table = _profits(names, profit, "supplier", said.level).assign(price=expected.mean(axis=0))
    table = table.sort_values("profit_per_hour", ascending=False, ignore_index=True)
    rows = []
    for share, (grade, value) in zip(shares.T, price.items()):
        hour = np.median(profit_per_hour(lot.expected, evidence.rates, value), axis=0)
        rows += [(name, grade, s, value, float(h)) for name, s, h in zip(names, share, hour)]
    grades = pd.DataFrame(rows, columns=["supplier", "grade", "share", "price", "profit_per_hour"])
    claims = _claims(table, "An hour earns most on cane of {}.", "supplier")
    return Earnings(
        table=table[["supplier", "price", "profit_per_hour", "low", "high", "prob_best"]],
        level=said.level,
        claims=claims if len(table) > 1 else claims_frame(),
        notes=said.notes,
        record_next=RecordNext(
            "Record grade, price and minutes of more reeds.", about=About.PRICES
        ),
        grades=grades.sort_values(
            ["supplier", "grade"], ascending=[True, False], ignore_index=True
        ),
        currency=said.currency,
        digits=_digits(profit, said.level),
    )


def _claims(table: pd.DataFrame, statement: str, arm: str, known: bool = True) -> pd.DataFrame:
    """Claim of each arm that it pays the hour best; only the likeliest can be sure or likely."""
    rows = []
    for i, row in enumerate(table.itertuples()):
        more = row.profit_per_hour - table["profit_per_hour"].drop(i).max()
        grade = graded(row.prob_best) if known and i == 0 else Verdict.CANNOT_SAY
        name = getattr(row, arm)
        rows.append((statement.format(name), row.prob_best, grade, more, bool(more > 0)))
    return claims_frame(rows)


def _digits(profit: np.ndarray, level: float) -> dict[str, int]:
    return dict.fromkeys(("profit_per_hour", "low", "high"), places(profit, level))


def _profit(said: Earnings | Forms, row: pd.Series) -> str:
    """Write the profit of an hour and its range."""
    ends = ("profit_per_hour", "low", "high")
    profit, low, high = (amount(row[name], said.digits[name]) for name in ends)
    return f"{profit} {said.currency} ({said.level:.0%} interval {low} to {high})"


def _refuse_untimed(models: Models) -> None:
    if models.when_good is None:
        raise CannotAnswer(
            "Too few scraping times are recorded to say what an hour at the bench earns.",
            RecordNext("Write the minutes of each sitting.", about=About.MINUTES),
        )


def _profits(names: list[str], profit: np.ndarray, arm: str, level: float) -> pd.DataFrame:
    low, high = interval(profit, level)
    return pd.DataFrame(
        {
            arm: names,
            "profit_per_hour": np.median(profit, axis=0),
            "low": low,
            "high": high,
            "prob_best": share_lowest(-profit),
        }
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Forms(Answer):
    """The forms that cane is bought in; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        form, suppliers, lots, reeds, cane (cost per tied piece), minutes_before (per tied piece),
        success, minutes and cost per saleable reed, profit_per_hour with low and high, prob_best.
    claims
        One row a form, in the order of the table: that it pays the hour best, with prob_best, and
        how much more than any other, in `currency`. Likely only where the forms are separable.
    separable
        Whether any supplier sold more than one form; if not, what is the form's and what is the
        supplier's cannot be distinguished.
    currency
        Of cost and profit.
    """

    table: pd.DataFrame = empty(
        "form",
        "suppliers",
        "lots",
        "reeds",
        "cane",
        "minutes_before",
        "profit_per_hour",
        "low",
        "high",
        "prob_best",
        "success",
        "minutes",
        "cost",
    )
    separable: bool = False
    currency: str = ""

    def _sentence(self) -> str:
        first = self.table.iloc[0]
        if len(self.table) == 1:
            return f"All cane came {first.form}."
        if self.verdict is not Verdict.CANNOT_SAY:
            known = pd.notna(first.minutes_before)
            before = f"{first.minutes_before:.0f}" if known else "no"
            return (
                f"Cane bought {first.form} {_LIKELY[self.verdict]}pays the hour best: "
                f"{_profit(self, first)}, with {before} minutes of work before scraping "
                f"counted for each tied piece. The chance is {100 * first.prob_best:.0f} in 100."
            )
        why = (
            f"the best guess is {first.form}, with a chance of {100 * first.prob_best:.0f} in 100"
            if self.separable
            else "no supplier sold two forms, so form and supplier cannot be distinguished"
        )
        return f"Cannot say yet which form of cane pays the hour best: {why}."


@question(Forms)
def by_form(said: Suppliers) -> Forms:
    """Compare the forms of cane: tube, split, gouged, shaped.

    Form is a fixed effect, suppliers and their lots are random: a form is judged at a new lot of a
    new supplier. Its minutes and losses before tying come from the tally. The records cannot answer
    when no settled reed comes from a lot whose form is known, or too few have their minutes.
    """
    basis = said.grounds()
    evidence = gather(basis.bench, "form")
    models = fit_models(evidence, basis.models.seed, spec=Spec(arm="form"))
    _refuse_untimed(models)
    lot, rates = models.next_lot(evidence), evidence.rates
    price = evidence.price
    value = price if np.isfinite(price) else value_of(evidence, lot, said.currency).value
    profit = profit_per_hour(lot.expected, rates, value)
    table = evidence.arms.merge(
        _profits(evidence.arms["form"].tolist(), profit, "form", said.level)
    )
    sellers = evidence.reeds.groupby("form", observed=True)["supplier"].nunique()
    table.insert(1, "suppliers", table["form"].map(sellers))
    table = table.assign(
        success=lot.one.success.mean(axis=0),
        minutes=np.median(lot.one.minutes_per_saleable, axis=0),
        cost=np.median(cost_per_saleable(lot.one, rates), axis=0),
    ).sort_values("prob_best", ascending=False, ignore_index=True)
    forms = evidence.reeds.groupby("supplier", observed=True)["form"].nunique()
    separable = bool((forms > 1).any())
    advice = "Buy one lot of one supplier in two forms, and keep the tally of each."
    if len(table) == 1:
        advice = "Buy one lot in another form to compare."
    return Forms(
        table=table,
        level=said.level,
        claims=_claims(table, "Cane bought {} pays the hour best.", "form", separable),
        notes=(*evidence.notes, *models.notes),
        record_next=RecordNext(advice, about=About.CANE),
        separable=separable,
        currency=said.currency,
        digits={"cost": said.digits["cost"], "minutes": 0, **_digits(profit, said.level)},
    )
