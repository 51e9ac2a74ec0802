"""Which pieces to pass over before tying.

A piece that is passed over costs its cane; a piece that is tied and fails costs a rough scrape,
thread, now and then a staple, and most of an hour. Measuring pays only if it tells the two apart
well enough to cover the minutes that it takes. So the rule to beat is to measure nothing.

Slopes are those within lots: whether a lot is good is the supplier's question, and no reason to
sort the pieces inside it. Density and hardness therefore count as differences from the mean of
their own lot, which the maker knows once a few pieces are measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.costs import Rates
from reedlab.decide.evidence import before_tying, count, listed
from reedlab.decide.stopping.pieces import MEASURES, measured_reeds, sorted_before
from reedlab.decide.stopping.rules import (
    Measure,
    PredictedSuccess,
    Rule,
    Windows,
    fit_prediction,
)
from reedlab.decide.stopping.stakes import Stakes, by_outcome
from reedlab.decide.stopping.tryout import NOTICE, Advice, lacking, try_rules
from reedlab.decide.worth import mean_price, worth
from reedlab.errors import DecisionError


@dataclass(frozen=True, kw_only=True)
class PassingOver(Advice):
    """Whether to pass over pieces before tying, and which; see `Advice` for the rest of it.

    Attributes
    ----------
    answer : str
        ``"pass over"``, ``"measure nothing"`` or ``"cannot tell"``.
    slopes : pandas.DataFrame
        One row a measure, taken alone: ``measured`` (reeds), ``per`` (one standard deviation
        within lots, in its ``unit``), ``odds_ratio`` (of a lot's reeds) with Wald's ``low`` and
        ``high``, ``could_save`` (for 100 pieces, by the best rule on that measure alone if its
        slope were at the end of its interval that helps most).
    sorted_before : pandas.DataFrame
        One row a measure: ``pieces``, ``tied``, ``sd_measured``, ``sd_tied`` and their ``ratio``.
        Under 1, earlier sorting has narrowed what the records can show.
    currency : str
        Of the stakes and of every saving.
    """

    slopes: pd.DataFrame
    sorted_before: pd.DataFrame
    currency: str

    def sentence(self) -> str:
        """Say which pieces to pass over, or that measuring does not pay, or what to record."""
        return f"{self._told()} {self.worth}".strip()

    def _told(self) -> str:
        told = f"{count(self.reeds, 'measured reed')} of {count(self.lots, 'lot')}"
        if self.tryout is None:
            why = self.too_little(
                "pass over",
                "Write down density, hardness, both sides of the gouge and straightness of at "
                f"least ten pieces of each of the next {self.lots_needed} lots before tying, the "
                "poor ones too.",
            )
            return f"Go on tying every piece: {told} {why}"
        best = self.tryout.spelt
        if self.answer == "pass over":
            return (
                f"Pass over pieces unless {self.tryout.rules['says'].iloc[0]}: on lots not seen "
                f"before that saved {best['saving']} {self.currency} for 100 pieces "
                f"({self.level:.0%} interval {best['low']} to {best['high']}), measuring included; "
                f"from {told}."
            )
        if self.answer == "measure nothing":
            return (
                "Tie every piece and spend no time measuring for this: nothing measured tells good "
                "pieces from bad well enough to pay for the minutes it takes. From "
                f"{told}, the best that a rule could save is {self.slopes['could_save'].max():.0f} "
                f"{self.currency} for 100 pieces."
            )
        if not self.tryout.best:
            most = self.slopes.loc[self.slopes["could_save"].idxmax()]
            return (
                f"Go on tying every piece: {told} cannot tell which to pass over. No rule is seen "
                f"to pay, but one by {most['measure'].split(' (')[0]} might save up to "
                f"{most['could_save']:.0f} {self.currency} for 100 pieces: measure it on some lots "
                "more, the poor pieces too."
            )
        return (
            f"Go on tying every piece: {told} cannot tell which to pass over. "
            f"{self.tryout.told(self.currency, 'pieces', self.level)} "
            f"{self.tryout.record('the measures of every piece, the poor ones too,')}"
        )


def passing_over(
    bench: Any,
    *,
    value: float | None = None,
    minutes: Mapping[str, float] | None = None,
    level: float = 0.9,
    folds: int = 10,
    seed: int = 1,
) -> PassingOver:
    """Find which pieces to pass over before tying, if any.

    Every rule is learnt on some lots and judged on others, in money: what a passed-over failure
    would have cost, less what a passed-over good reed would have brought, less the time that
    measuring takes. A saleable reed is worth what `reedlab.decide.worth` says, unless `value` says
    otherwise.

    Parameters
    ----------
    bench : Bench
    value : float, optional
        What a saleable reed is worth, instead of its price or its cost.
    minutes : mapping of str to float, optional
        Minutes that measuring one piece takes, by the column of `MEASURES`.
    level : float
        Of the intervals.
    folds : int
        Into how many parts the lots are split; every lot alone when there are no more.
    seed : int
        Of the folds and the resampling.

    Returns
    -------
    PassingOver

    Raises
    ------
    DecisionError
        When no settled reed was made from a measured piece.

    Notes
    -----
    Pieces that were measured and never tied have no outcome. If they were sorted out by what is
    measured here, the records show less than measuring could do; `PassingOver.sorted_before` says
    how much narrower the tied pieces are.

    References
    ----------
    Vickers and Elkin (2006), Med Decis Making 26:565-574 (net benefit).
    """
    cases = measured_reeds(bench)
    if cases.empty:
        raise DecisionError(
            "No settled reed was made from a measured piece: write the piece's label beside the "
            "reed, and its density or both sides of its gouge in the table of pieces."
        )
    spread = _within_lots(cases, MEASURES).std()
    measures = tuple(
        replace(m, minutes=(minutes or {}).get(m.column, m.minutes))
        for m in MEASURES
        if cases[m.column].notna().mean() >= 0.5 and spread[m.column] > 1e-9
    )
    narrowed = sorted_before(bench, cases, measures)
    before, costs_notes = before_tying(bench.losses, bench.tables["lots"], bench.settings.currency)
    shared = {
        "sorted_before": narrowed,
        "reeds": len(cases),
        "lots": cases["lot"].nunique(),
        "currency": bench.settings.currency,
        "level": level,
        "notes": (*_notes(cases, measures, narrowed), *costs_notes),
    }
    lacks = lacking(cases, "scrape_min", measures)
    if lacks:
        return PassingOver(
            answer="cannot tell", tryout=None, lacks=lacks, slopes=_NO_SLOPES, stakes=None,
            worth="", **shared,
        )  # fmt: skip
    weights = bench.reeds["supplier"].astype(object).value_counts()
    price = mean_price(bench.reeds)

    def counted(rows: pd.DataFrame) -> tuple[Stakes, str]:
        found = money_at_stake(rows, Rates.of(bench.settings), before, weights)
        of_reed = worth(price, found.value, bench.settings.currency)
        return replace(found, value=of_reed.value if value is None else value), of_reed.says

    stakes, says = counted(cases)
    if value is not None:
        says = f"A saleable reed is counted at {value:.2f} {bench.settings.currency}, as asked."
    slopes = slopes_within_lots(cases, measures, stakes, level)
    rules: dict[str, Rule] = {
        "predicted success": PredictedSuccess(measures),
        "windows": Windows(measures),
        **{f"{m.says} alone": Windows((m,)) for m in measures},
    }
    tried = try_rules(
        cases, rules, lambda rows: counted(rows)[0], level=level, folds=folds, seed=seed
    )
    answer = {"follow": "pass over", "go on": "measure nothing"}.get(tried.answer, tried.answer)
    if not tried.best and slopes["could_save"].max() > 100 * NOTICE * stakes.if_bad:
        answer = "cannot tell"
    return PassingOver(
        answer=answer, tryout=tried, lacks="", slopes=slopes, stakes=stakes, worth=says, **shared
    )


def money_at_stake(
    cases: pd.DataFrame,
    rates: Rates,
    before: pd.DataFrame,
    weights: pd.Series,
) -> Stakes:
    """Work out what hangs on tying one of these pieces.

    Parameters
    ----------
    cases : pandas.DataFrame
        ``good`` and ``scrape_min``.
    rates : Rates
    before : pandas.DataFrame
        Indexed by supplier: ``cane`` and ``minutes_before`` per tied piece.
    weights : pandas.Series
        Reeds made, by supplier.

    Returns
    -------
    Stakes
        In money, a saleable reed at what another one costs to make. Cane and the work before tying
        are sunk; a good reed takes its staple with it, a failure gives it back as often as the
        rates say.
    """
    minute = rates.wage_per_hour / 60
    success, if_good, if_bad = by_outcome(cases, "scrape_min")
    of = before.dropna(how="all").fillna(0.0)
    share = weights.reindex(of.index).fillna(0.0).clip(lower=1.0)
    sunk = np.average(of["cane"] + minute * of["minutes_before"], weights=share) if len(of) else 0.0
    return Stakes.at_replacement(
        success,
        if_good=minute * if_good + rates.staple_price + rates.thread_price,
        if_bad=minute * if_bad
        + (1 - rates.staple_recovered) * rates.staple_price
        + rates.thread_price,
        sunk=float(sunk),
        minute=minute,
    )


def slopes_within_lots(
    cases: pd.DataFrame, measures: tuple[Measure, ...], stakes: Stakes, level: float = 0.9
) -> pd.DataFrame:
    """Say how each measure goes with success within lots, and what it could save at best.

    Returns
    -------
    pandas.DataFrame
        See `PassingOver.slopes`.
    """
    centred = _within_lots(cases, measures).assign(good=cases["good"], lot=cases["lot"])
    return pd.DataFrame([_slope_alone(centred, m, stakes, level) for m in measures])


def _slope_alone(
    centred: pd.DataFrame, measure: Measure, stakes: Stakes, level: float
) -> dict[str, Any]:
    """Fit one measure alone, as a rule on it alone would use it; see `PassingOver.slopes`."""
    from scipy.stats import norm

    column = measure.column
    model = fit_prediction((measure,), centred, stakes)
    slope = float(model.coefficients[column])
    reach = float(norm.ppf((1 + level) / 2) * np.sqrt(model.covariance.loc[column, column]))
    savings = [0.0]
    for end in (slope - reach, slope + reach):
        coefficients = pd.Series({"Intercept": model.coefficients["Intercept"], column: end})
        alone = replace(model, coefficients=coefficients, covariance=_SURE)
        saved = stakes.saving(alone.keep(centred), alone.chance(centred), measure.minutes)
        savings.append(100 * float(saved.mean()))
    return {
        "measure": measure.says,
        "measured": int(centred[column].notna().sum()),
        "per": float(model.scale[column]),
        "unit": measure.unit,
        "odds_ratio": math.exp(slope),
        "low": math.exp(slope - reach),
        "high": math.exp(slope + reach),
        "could_save": max(savings),
    }


def _within_lots(cases: pd.DataFrame, measures: tuple[Measure, ...]) -> pd.DataFrame:
    """Return how far each measure lies from the mean of its lot."""
    columns = [m.column for m in measures]
    return cases[columns] - cases.groupby("lot")[columns].transform("mean")


_SURE = pd.DataFrame(np.zeros((2, 2)))
"""Covariance of an intercept and one slope that are taken as known."""


def _notes(
    cases: pd.DataFrame, measures: tuple[Measure, ...], narrowed: pd.DataFrame
) -> tuple[str, ...]:
    notes = [
        "Pieces sorted out before they were measured are in no record: had the bent and the soft "
        "been tied too, measuring might show more."
    ]
    for row in narrowed[narrowed["ratio"] < 0.9].itertuples():
        notes.append(
            f"The tied pieces vary {100 * (1 - row.ratio):.0f} % less than the measured ones in "
            f"{row.measure}, so earlier sorting has narrowed what can be seen of it."
        )
    used = {m.column for m in measures}
    unused = [m.says for m in MEASURES if m.column not in used]
    if unused:
        notes.append(
            f"Not judged, because fewer than half of the {len(cases)} reeds have it or it never "
            f"differs within a lot: {listed(unused)}."
        )
    return tuple(notes)


_NO_SLOPES = pd.DataFrame(
    columns=["measure", "measured", "per", "unit", "odds_ratio", "low", "high", "could_save"]
)
