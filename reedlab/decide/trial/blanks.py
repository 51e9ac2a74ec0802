"""What a trial compares, the order that chance gave it, and the blanks that it takes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.draws import interval
from reedlab.errors import DecisionError

CODES = range(100, 1000)
"""What a judge sees of a reed: three digits."""


@dataclass(frozen=True)
class Plan:
    """What a trial compares, and the differences that it is meant to detect.

    Attributes
    ----------
    lot : str
        The one lot from which every blank comes.
    settings : tuple of str
        The two settings in the maker's words; effects are the first against the second.
    blanks : int
        Even, ten or more, and no more than there are `CODES`.
    seed : int
        What the random order was drawn from, so that anyone can draw it again.
    usual_success : float
        Share of blanks that turn out good today, for the number needed.
    success_difference : float
        The smallest difference in that share that would change what the maker does.
    minutes_ratio : float
        The smallest ratio of scraping minutes that would.
    log_minutes_sd : float
        Standard deviation of log minutes from reed to reed within a lot.
    """

    lot: str
    settings: tuple[str, str]
    blanks: int = 20
    seed: int = 1
    usual_success: float = 0.6
    success_difference: float = 0.2
    minutes_ratio: float = 1.15
    log_minutes_sd: float = 0.25

    def __post_init__(self) -> None:
        if not self.lot.strip():
            raise DecisionError("A trial takes its blanks from one lot: name it.")
        if not 10 <= self.blanks <= len(CODES) or self.blanks % 2:
            raise DecisionError(
                f"A trial needs an even number of blanks, from 10 to {len(CODES)}, not "
                f"{self.blanks}."
            )
        if self.seed < 0:
            raise DecisionError(f"The seed is {self.seed}: give a whole number, 0 or more.")
        if len(set(self.settings)) != 2 or not all(s.strip() for s in self.settings):
            raise DecisionError("A trial compares two settings with different names: name both.")
        if not 0 < self.usual_success < 1 or not 0 < self.success_difference < 1:
            raise DecisionError(
                "The usual share of good reeds and the difference that would matter must be "
                "between 0 and 1: give 0.2 for twenty points."
            )
        if self.minutes_ratio <= 0 or self.minutes_ratio == 1 or self.log_minutes_sd <= 0:
            raise DecisionError(
                "The ratio of minutes that would matter must be positive and not 1, and the "
                "spread of log minutes positive."
            )


@dataclass(frozen=True)
class Usual:
    """What a bench's records let a trial of one lot expect.

    Attributes
    ----------
    success, low, high : float
        Share of blanks that turn out good in a next lot like this one, with its 90 % interval: how
        much lots differ is in it.
    log_minutes_sd : float or None
        Of log minutes, from one good reed of a lot to another; None where too few were timed.
    of : str
        Whose lots these are: one supplier, or "any supplier".
    """

    success: float
    low: float
    high: float
    log_minutes_sd: float | None
    of: str


def usual(bench: Any, lot: str) -> Usual:
    """Read from the models of a bench what blanks of a lot may be expected to do.

    Its supplier's lots are read; those of all suppliers where the bench does not have the lot.
    Raises CannotAnswer when no settled reed has both a supplier and an outcome.
    """
    from reedlab.decide.evidence import gather
    from reedlab.decide.shared_models.models import fit_models

    evidence = gather(bench)
    models = fit_models(evidence, seed=1, draws=2000)
    chance = models.next_lot(evidence).one.success
    lots = bench.tables["lots"].astype({"lot": str, "supplier": str})
    names = evidence.arms["supplier"].tolist()
    own = [names.index(s) for s in lots.loc[lots["lot"] == lot, "supplier"] if s in names][:1]
    chance = chance[:, own] if own else chance
    low, high = interval(chance.ravel(), 0.9)
    good = models.when_good
    sd = None if good is None else float(good.residual_sd.mean())
    of = names[own[0]] if own else "any supplier"
    return Usual(float(chance.mean()), float(low), float(high), sd or None, of)


def draw(plan: Plan) -> pd.DataFrame:
    """Draw the random order and the codes of a trial.

    One row a blank in the order of making: ``order``, ``pair``, ``setting``, ``code``.

    Examples
    --------
    >>> frame = draw(Plan("L07", ("tip 0.10 mm", "tip 0.12 mm"), blanks=10, seed=3))
    >>> frame.groupby("pair")["setting"].nunique().unique().tolist()
    [2]
    """
    rng = np.random.default_rng(plan.seed)
    first = rng.integers(2, size=plan.blanks // 2)
    setting = np.column_stack([first, 1 - first]).ravel()
    codes = rng.choice(CODES, size=plan.blanks, replace=False)
    order = np.arange(1, plan.blanks + 1)
    return pd.DataFrame(
        {
            "order": order,
            "pair": (order + 1) // 2,
            "setting": np.array(plan.settings, dtype=object)[setting],
            "code": codes,
        }
    )


def number_needed(plan: Plan) -> pd.DataFrame:
    """Count the blanks that it takes to detect the difference that would matter.

    Success is counted by the arcsine difference of two proportions (Cohen 1988, chapter 6), minutes
    by the t test on pairs of log minutes (chapter 2); both two-sided at 5 %, power 80 %. Rows
    ``success`` and ``minutes``: ``difference`` (in share, or as a ratio), ``blanks_needed`` (both
    settings together) and ``detectable`` (the smallest difference that the planned number detects;
    NaN if none does).

    Examples
    --------
    >>> number_needed(Plan("L07", ("thin", "thick"), blanks=20))["blanks_needed"].tolist()
    [162, 106]
    """
    from statsmodels.stats.power import NormalIndPower, TTestPower
    from statsmodels.stats.proportion import proportion_effectsize

    aims = {"alpha": 0.05, "power": 0.8}
    better = min(plan.usual_success + plan.success_difference, 1.0)
    h = abs(proportion_effectsize(better, plan.usual_success))
    per_setting = NormalIndPower().solve_power(effect_size=h, **aims)
    # The arcsine difference turned back into a share; NaN where not even all good would show it.
    seen_h = NormalIndPower().solve_power(nobs1=plan.blanks / 2, **aims)
    angle = math.asin(math.sqrt(plan.usual_success)) + seen_h / 2
    seen = math.sin(angle) ** 2 - plan.usual_success if angle <= math.pi / 2 else math.nan

    pair_sd = plan.log_minutes_sd * math.sqrt(2)
    pairs = TTestPower().solve_power(
        effect_size=abs(math.log(plan.minutes_ratio)) / pair_sd, **aims
    )
    seen_d = TTestPower().solve_power(nobs=plan.blanks / 2, **aims)
    return pd.DataFrame(
        {
            "difference": [plan.success_difference, plan.minutes_ratio],
            "blanks_needed": [2 * math.ceil(per_setting), 2 * math.ceil(pairs)],
            "detectable": [seen, math.exp(seen_d * pair_sd)],
        },
        index=pd.Index(["success", "minutes"], name="measure"),
    )
