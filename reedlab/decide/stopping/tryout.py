"""Rules tried against going on with every blank, and what comes of it.

A rule is recommended if it likely saves enough to be noticed on held-out lots.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from reedlab.decide.answer import Verdict, graded
from reedlab.decide.draws import interval
from reedlab.decide.evidence import FEWEST_TIMED
from reedlab.decide.stopping.break_even import Stakes
from reedlab.decide.stopping.folds import held_out, judge
from reedlab.decide.stopping.rules import (
    FittedPrediction,
    Measure,
    Signs,
    fit_prediction,
    fit_rules,
)

FEWEST = {"lots": 6, "reeds": 60, "of each outcome": 15, "timed": FEWEST_TIMED}
"""Below these a rule is not even tried: a fold would hold next to nothing."""


class Lack(Enum):
    """Of what there is too little to try a rule, as a sentence says it of the reeds counted."""

    BLANKS = "are too few"
    GOOD_ONES = f"hold fewer than {FEWEST['of each outcome']} that turned out good, too few"
    FAILURES = f"hold fewer than {FEWEST['of each outcome']} that failed, too few"
    MINUTES = "have too few minutes noted"
    NOTES = "have too little else noted"


@dataclass(frozen=True)
class BestRule:
    """The best rule on held-out lots, corrected for having been chosen, for 100 blanks.

    Attributes
    ----------
    saving, low, high : float
        With its interval.
    optimism : float
        By how much the choice of the best flatters it.
    regret : float
        What is forgone on average by the answer.
    lots : int
        Lots that it was judged on.
    """

    saving: float
    low: float
    high: float
    optimism: float
    regret: float
    lots: int

    @property
    def more_lots(self) -> int:
        """Lots more, in tens, that would settle it if the saving is what it seems to be."""
        half = (self.high - self.low) / 2
        away = max(abs(self.saving), half / 3)
        return max(10 * round(self.lots * ((half / away) ** 2 - 1) / 10), 10)


@dataclass(frozen=True)
class Tryout:
    """What became of the rules."""

    follow: bool  # whether to follow the best rule; if not, go on with every blank
    verdict: Verdict  # grade of `prob`
    # that the best rule saves where it is followed, that it saves too little to be noticed where it
    # is not and that is the likelier; NaN where no rule expects to pay
    prob: float
    rules: pd.DataFrame  # see `Stopping.rules`
    best: BestRule | None  # none where `rules` is empty
    by_lot: pd.DataFrame  # see `Stopping.by_lot`


RULES = (
    "saving",
    "low",
    "high",
    "passed_over",
    "good_passed_over",
    "apparent",
    "minutes",
    "says",
)
SLOPES = (
    "measure",
    "measured",
    "per",
    "unit",
    "odds_ratio",
    "low",
    "high",
    "could_save",
    "pays",
    "expected",
)
BY_LOT = ("lot", "blanks", "passed_over", "saving")


def lacking(cases: pd.DataFrame, minutes: str, measures: Collection[Measure]) -> Lack | None:
    """Return of what there is too little to try a rule on; None where there is enough.

    `minutes` is the column of minutes that stopping a blank saves.
    """
    good = int(cases["good"].sum())
    short = {
        Lack.BLANKS: cases["lot"].nunique() < FEWEST["lots"] or len(cases) < FEWEST["reeds"],
        Lack.GOOD_ONES: good < FEWEST["of each outcome"],
        Lack.FAILURES: len(cases) - good < FEWEST["of each outcome"],
        Lack.MINUTES: (cases[minutes] > 0).sum() < FEWEST["timed"],
        Lack.NOTES: not measures,
    }
    return next((what for what, lacks in short.items() if lacks), None)


def try_rules(
    cases: pd.DataFrame,
    rules: Mapping[str, Signs],
    stakes_of: Callable[[pd.DataFrame], Stakes],
    *,
    level: float = 0.9,
    seed: int = 1,
) -> Tryout:
    """Try rules on held-out lots; `stakes_of` works out the stakes from rows.

    A row of `cases` is a blank: ``lot``, ``good`` (0 or 1), and what the rules measure.
    """
    stakes = stakes_of(cases)
    final = fit_rules(rules, cases, stakes)
    keeps = {name: fitted.keep(cases) for name, fitted in final.items()}
    paying = {name: rule for name, rule in rules.items() if not keeps[name].all()}
    if not paying:
        return _NONE_PAYS
    decided = held_out(cases, paying, stakes_of, seed=seed)
    # A rule that is not found again without some of the lots saved nothing anywhere, and there is
    # no spread to say how sure that is.
    decided = decided[~decided.groupby("rule")["keep"].transform("all")]
    if decided.empty:
        return _NONE_PAYS
    found = judge(decided, level=level, seed=seed)
    good = cases["good"].to_numpy()
    table = found.table.copy()
    table[["saving", "low", "high"]] *= 100
    table["apparent"] = [
        100 * stakes.saving(keeps[name], good, final[name].minutes).mean() for name in table.index
    ]
    table["minutes"] = [final[name].minutes for name in table.index]
    table["says"] = [final[name].sentence() for name in table.index]
    own = decided[decided["rule"] == found.best]
    # What held-out lots show and what the model expects weigh alike (a linear opinion pool): few
    # lots say little by themselves, and a model says too much by itself.
    expected = final[found.best].expected(cases, stakes, seed)
    pooled = np.concatenate([found.resampled, np.resize(expected, len(found.resampled))])
    follow, verdict, prob = _decision(pooled, stakes.notice)
    low, high = interval(pooled, level)
    best = BestRule(
        saving=100 * float(pooled.mean()),
        low=100 * float(low),
        high=100 * float(high),
        optimism=100 * found.optimism,
        regret=100 * float(np.maximum(-pooled if follow else pooled, 0.0).mean()),
        lots=cases["lot"].nunique(),
    )
    by_lot = own.groupby("lot").agg(
        blanks=("good", "size"), kept=("keep", "mean"), saving=("saving", "mean")
    )
    by_lot = by_lot.assign(passed_over=1 - by_lot["kept"], saving=100 * by_lot["saving"])
    by_lot = by_lot.reset_index()[list(BY_LOT)]
    return Tryout(follow, verdict, prob, table, best, by_lot)


def _decision(saving: np.ndarray, notice: float) -> tuple[bool, Verdict, float]:
    """Return whether to follow the best rule, how sure that is, and with which probability."""
    saves = float((saving > 0).mean())
    too_little = float((saving <= notice).mean())
    follow = saving.mean() > notice and graded(saves) is not Verdict.CANNOT_SAY
    if follow or saves > too_little:
        return follow, graded(saves) if follow else Verdict.CANNOT_SAY, saves
    return False, graded(too_little), too_little


def slopes_alone(
    cases: pd.DataFrame, measures: tuple[Measure, ...], stakes: Stakes, level: float = 0.9
) -> pd.DataFrame:
    """Say how each measure goes with success, and what a rule on it alone could save at best.

    One row a measure, taken alone: ``measured`` (blanks), ``per`` (one standard deviation, in its
    ``unit``), ``odds_ratio`` with Wald's ``low`` and ``high``, ``could_save`` (for 100 blanks, by
    the best rule on that measure if its slope were at the end of its interval that helps most),
    ``pays`` (probability that such a rule saves enough to be noticed) and ``expected`` (what it
    saves for 100 blanks if the slope were known and the rule used only where it pays).
    """
    return pd.DataFrame(
        [_slope_alone(cases, m, stakes, level) for m in measures], columns=list(SLOPES)
    )


def _slope_alone(
    cases: pd.DataFrame, measure: Measure, stakes: Stakes, level: float
) -> dict[str, Any]:
    """Fit one measure alone; see `slopes_alone`."""
    column = measure.column
    model = fit_prediction((measure,), cases)
    slope = float(model.coefficients[column])
    se = float(np.sqrt(model.covariance.loc[column, column]))
    design = model.design(cases)
    ends = slope + se * ndtri([(1 - level) / 2, (1 + level) / 2])
    saved = [_saved_at(model, end, design, measure, stakes) for end in ends]
    likely = slope + se * ndtri((np.arange(_PLACES) + 0.5) / _PLACES)
    shares = np.array([_saved_at(model, end, design, measure, stakes) for end in likely])
    return {
        "measure": measure.says,
        "measured": int(cases[column].notna().sum()),
        "per": float(model.scale[column]),
        "unit": measure.unit,
        "odds_ratio": math.exp(slope),
        "low": math.exp(ends[0]),
        "high": math.exp(ends[1]),
        "could_save": 100 * max(0.0, *saved),
        "pays": float((shares > stakes.notice).mean()),
        "expected": 100 * float(np.maximum(shares, 0.0).mean()),
    }


def _saved_at(
    model: FittedPrediction, slope: float, design: np.ndarray, measure: Measure, stakes: Stakes
) -> float:
    """Return what the best rule on one measure saves a blank, were this its slope."""
    coefficients = pd.Series({"Intercept": model.coefficients.iloc[0], measure.column: slope})
    chance = replace(model, coefficients=coefficients, covariance=_SURE).chance_at(design)
    return float(stakes.saving(chance >= stakes.threshold, chance, measure.minutes).mean())


_SURE = pd.DataFrame(np.zeros((2, 2)))
"""Covariance of an intercept and one slope that are taken as known."""
_PLACES = 20
"""Slopes, alike in probability, over which that a rule pays is averaged."""

_NONE_PAYS = Tryout(
    follow=False,
    verdict=Verdict.SURE,
    prob=float("nan"),
    rules=pd.DataFrame(columns=list(RULES), index=pd.Index([], name="rule")),
    best=None,
    by_lot=pd.DataFrame(columns=list(BY_LOT)),
)
