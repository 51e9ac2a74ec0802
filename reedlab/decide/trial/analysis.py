"""What a trial showed: two settings over pairs of blanks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.decide.trial.plan import Plan, number_needed
from reedlab.decide.trial.sheets import Trial
from reedlab.errors import DecisionError

_FEWEST_PAIRS = 5
"""Pairs below which no interval is told: flipping four never gives a p-value under 0.12."""


@dataclass(frozen=True)
class TrialAnswer:
    """What a trial showed.

    Attributes
    ----------
    plan : Plan
        The first trial's plan; its settings name the two sides.
    effects : pandas.DataFrame
        Rows ``success`` (a difference of shares) and ``minutes`` (a ratio), the first setting
        against the second: ``pairs`` (with both sides known), ``first``, ``second`` (share good;
        geometric mean minutes), ``effect``, ``low``, ``high``, ``p``.
    needed : pandas.DataFrame
        As `number_needed` gives it.
    blanks, pending : int
        How many blanks were drawn, and how many of them have no verdict yet.
    level : float
        Of the intervals.
    """

    plan: Plan
    effects: pd.DataFrame
    needed: pd.DataFrame
    blanks: int
    pending: int
    level: float

    def sentence(self) -> str:
        """Say what the trial showed and what to do next."""
        return " ".join([self._about("success"), self._about("minutes"), self._next()]).strip()

    def _about(self, measure: str) -> str:
        row = self.effects.loc[measure]
        first, second = self.plan.settings
        if not math.isfinite(row["low"]):
            what = "verdicts" if measure == "success" else "finished minutes"
            return f"Both {what} are known of {row['pairs']:.0f} pairs, and it takes five."
        if measure == "success":
            return (
                f"Of {row['pairs']:.0f} pairs, {_percent(row['first'])} turned out good with "
                f"{first} and {_percent(row['second'])} with {second}: {_points(row['effect'])} "
                f"({self.level:.0%} interval {_points(row['low'])} to {_points(row['high'])})."
            )
        return (
            f"Scraping took {row['first']:.0f} minutes with {first} and {row['second']:.0f} with "
            f"{second}: {row['effect']:.2f} times as long ({row['low']:.2f} to "
            f"{row['high']:.2f})."
        )

    def _next(self) -> str:
        if self.pending > self.blanks / 2:
            return "Cannot tell yet: have the rest judged before anyone opens the key."
        row, matters = self.effects.loc["success"], self.plan.success_difference
        first, second = self.plan.settings
        more = int(self.needed.loc["success", "blanks_needed"]) - self.blanks
        if row["low"] > 0 or row["high"] < 0:
            better = first if row["low"] > 0 else second
            return f"Work this lot with {better}, and try it on a second lot before relying on it."
        if row["low"] > -matters and row["high"] < matters:
            return "The two do alike within what would matter: choose by the time they take."
        more = max(more, 10)
        return (
            "Cannot tell which does better: a difference of "
            f"{_points(matters, signed=False)} takes about {more} blanks more; write another "
            "trial of the same two settings and read both together."
        )


def analyse(*trials: Trial, level: float = 0.95) -> TrialAnswer:
    """Analyse one trial, or several of the same two settings together, as pairs.

    A randomised block design with blocks of two. Success: the difference of paired shares with
    Newcombe's square-and-add interval (1998, Stat Med 17:2635-2650, method 10) and McNemar's
    mid-p (Fagerland, Lydersen and Laake 2013). Minutes: the mean difference of logs within pairs
    with its t interval, and the p-value of the randomisation itself: how often flipping the coins
    of the draw gives as great a difference. A blank that was lost counts as not good; minutes
    are compared over pairs of which neither was lost. The intervals are those of one look at a
    number of blanks that was set beforehand: who adds trials until something shows will be shown
    something.

    Parameters
    ----------
    *trials : Trial
        Read by `read_trial`.
    level : float
        Of the intervals.

    Returns
    -------
    TrialAnswer

    Raises
    ------
    DecisionError
        When the trials compare different settings.
    """
    if len({frozenset(trial.plan.settings) for trial in trials}) != 1:
        raise DecisionError("Only trials of the same two settings can be read together.")
    plan = trials[0].plan
    stacked = pd.concat([t.reeds for t in trials], keys=range(len(trials)), names=["trial", None])

    def sides(column: str) -> np.ndarray:
        wide = stacked.astype({"setting": str}).pivot_table(
            index=["trial", "pair"], columns="setting", values=column, dropna=False
        )
        wide = wide.reindex(columns=list(plan.settings))
        return wide.dropna().to_numpy()

    effects = pd.DataFrame(
        [
            paired_difference(*sides("success").T, level=level),
            paired_ratio(*sides("scrape_min").T, level=level),
        ],
        index=pd.Index(["success", "minutes"], name="measure"),
    )
    return TrialAnswer(
        plan,
        effects,
        number_needed(plan),
        blanks=len(stacked),
        pending=int(stacked["success"].isna().sum()),
        level=level,
    )


def paired_difference(
    first: np.ndarray, second: np.ndarray, *, level: float = 0.95
) -> dict[str, float]:
    """Compare two shares over pairs.

    Parameters
    ----------
    first, second : ndarray of 0 and 1, shape (pairs,)
    level : float

    Returns
    -------
    dict
        ``pairs``, ``first``, ``second``, ``effect`` (their difference), ``low``, ``high``, ``p``;
        the last three missing below five pairs.

    Examples
    --------
    Airway hyper-responsiveness before and after a transplant (Bentur et al. 2009, as worked in
    Fagerland, Lydersen and Laake 2014, Stat Med 33:2850-2875).

    >>> import numpy as np
    >>> before = np.repeat([1, 1, 0, 0], [1, 1, 7, 12])
    >>> after = np.repeat([1, 0, 1, 0], [1, 1, 7, 12])
    >>> found = paired_difference(before, after)
    >>> [round(float(found[name]), 3) for name in ("effect", "low", "high", "p")]
    [-0.286, -0.507, -0.026, 0.039]
    """
    from scipy.stats import binom
    from statsmodels.stats.proportion import proportion_confint

    n = len(first)
    if n == 0:
        return _nothing(0)
    p1, p2 = first.mean(), second.mean()
    found = {"pairs": n, "first": p1, "second": p2, "effect": p1 - p2}
    if n < _FEWEST_PAIRS:
        return {**_nothing(n), **found}
    l1, u1 = proportion_confint(first.sum(), n, 1 - level, method="wilson")
    l2, u2 = proportion_confint(second.sum(), n, 1 - level, method="wilson")
    spread = math.sqrt(p1 * (1 - p1) * p2 * (1 - p2))
    covariance = float(np.mean(first * second) - p1 * p2)
    if covariance > 0:  # method 10's continuity correction of the correlation
        covariance = max(covariance - 1 / (2 * n), 0.0)
    phi = covariance / spread if spread > 0 else 0.0
    down = (p1 - l1) ** 2 - 2 * phi * (p1 - l1) * (u2 - p2) + (u2 - p2) ** 2
    up = (u1 - p1) ** 2 - 2 * phi * (u1 - p1) * (p2 - l2) + (p2 - l2) ** 2
    apart = int(np.sum(first != second))
    fewer = int(min(np.sum(first > second), np.sum(first < second)))
    p = 2 * binom.cdf(fewer, apart, 0.5) - binom.pmf(fewer, apart, 0.5)
    return {
        **found,
        "low": p1 - p2 - math.sqrt(down),
        "high": p1 - p2 + math.sqrt(up),
        "p": min(float(p), 1.0),
    }


def paired_ratio(first: np.ndarray, second: np.ndarray, *, level: float = 0.95) -> dict[str, float]:
    """Compare minutes over pairs, as a ratio.

    Parameters
    ----------
    first, second : ndarray of minutes, shape (pairs,)
    level : float

    Returns
    -------
    dict
        ``pairs``, ``first``, ``second`` (geometric means), ``effect`` (their ratio), ``low``,
        ``high`` (t interval on logs), ``p`` (randomisation, two-sided); the last three missing
        below five pairs.

    Examples
    --------
    Two materials for the soles of ten boys' shoes (Box, Hunter and Hunter 1978, chapter 4, on
    logs here).

    >>> import numpy as np
    >>> a = np.array([13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3])
    >>> b = np.array([14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6])
    >>> round(float(paired_ratio(b, a)["effect"]), 3)
    1.038
    """
    from scipy.stats import permutation_test, sem, t

    n = len(first)
    if n == 0:
        return _nothing(0)
    difference = np.log(first) - np.log(second)
    found = {
        "pairs": n,
        "first": math.exp(np.log(first).mean()),
        "second": math.exp(np.log(second).mean()),
        "effect": math.exp(difference.mean()),
    }
    if n < _FEWEST_PAIRS:
        return {**_nothing(n), **found}
    reach = t.ppf((1 + level) / 2, n - 1) * sem(difference)
    low, high = difference.mean() - reach, difference.mean() + reach
    flips = permutation_test(
        (difference,),
        np.mean,
        permutation_type="samples",
        n_resamples=2**14,  # every flip of up to 14 pairs, so that their p-values are exact
        vectorized=True,
        rng=np.random.default_rng(0),
    )
    return {**found, "low": math.exp(low), "high": math.exp(high), "p": float(flips.pvalue)}


def _nothing(pairs: int) -> dict[str, float]:
    names = ("first", "second", "effect", "low", "high", "p")
    return {"pairs": pairs, **dict.fromkeys(names, math.nan)}


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _points(difference: float, *, signed: bool = True) -> str:
    number = f"{100 * difference:+.0f}" if signed else f"{100 * difference:.0f}"
    return f"{number.replace('-', '−')} points"
