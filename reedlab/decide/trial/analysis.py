"""What a trial showed: two settings over pairs of blanks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    SURE_FROM,
    Answer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
)
from reedlab.decide.trial.blanks import Plan, number_needed
from reedlab.decide.trial.looks import level_of_last
from reedlab.decide.trial.sheets import Trial, read_trial
from reedlab.elementary import wilson
from reedlab.errors import DecisionError

_FEWEST_PAIRS = 5
"""Pairs below which no interval is given: flipping four never gives a p-value under 0.12."""
_EFFECTS = ("pairs", "first", "second", "effect", "low", "high", "p")
_COLUMNS = (*_EFFECTS, "level")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TrialAnswer(Answer):
    """What a trial showed; see `Answer` for the rest of it.

    Attributes
    ----------
    table : pandas.DataFrame
        Rows ``success`` (a difference of shares) and ``minutes`` (a ratio), the first setting
        against the second: ``pairs`` (with both sides known), ``first``, ``second`` (share good;
        geometric mean minutes), ``effect``, ``low``, ``high``, ``p``, and ``level``, that of this
        look's interval (see `looks`).
    claims : pandas.DataFrame
        On success, then on minutes: that the setting which did better does better, with one minus
        half the p-value as its probability and the effect as its size (a difference of shares; how
        many times as long). A claim is sure where its interval is clear of no effect, and success
        also where its interval is within the difference that would matter: then the two are alike.
    needed : pandas.DataFrame
        As `number_needed` gives it.
    plan : Plan
        The first trial's plan; its settings name the two sides.
    alike : bool
        Whether the interval of success is within the difference that would matter.
    blanks, pending : int
        How many blanks were drawn, and how many of them are not judged yet.
    """

    table: pd.DataFrame = empty(*_COLUMNS, index="measure")
    needed: pd.DataFrame = empty("difference", "blanks_needed", "detectable", index="measure")
    plan: Plan
    alike: bool = False
    blanks: int = 0
    pending: int = 0

    def _sentence(self) -> str:
        return f"{self._success()} {self._minutes()} {self._next()}"

    def _too_few(self, measure: str, what: str) -> str:
        if math.isfinite(self.table.loc[measure, "low"]):
            return ""
        pairs = self.table.loc[measure, "pairs"]
        return f"Both {what} are known of {pairs:.0f} pairs; it takes {_FEWEST_PAIRS}."

    def _success(self) -> str:
        row, (first, second) = self.table.loc["success"], self.plan.settings
        return self._too_few("success", "verdicts") or (
            f"Of {row['pairs']:.0f} pairs, {_percent(row['first'])} turned out good with "
            f"{first} and {_percent(row['second'])} with {second}: {_points(row['effect'])} "
            f"({_interval(row['level'])} {_points(row['low'])} to {_points(row['high'])})."
        )

    def _minutes(self) -> str:
        row, (first, second) = self.table.loc["minutes"], self.plan.settings
        return self._too_few("minutes", "finished minutes") or (
            f"Scraping took {row['first']:.0f} minutes with {first} and {row['second']:.0f} with "
            f"{second}: {_longer(row['effect'])} ({_interval(row['level'])} {_longer(row['low'])} "
            f"to {_longer(row['high'])})."
        )

    def _next(self) -> str:
        if self.pending > self.blanks / 2:
            return f"Cannot say yet. {self.record_next}"
        if self.verdict is Verdict.CANNOT_SAY:
            return f"Cannot say which does better. {self.record_next}"
        if self.alike:
            return "The two do alike within what would matter: choose by the time they take."
        return f"Work this lot with {_better(self.table, self.plan)}. {self.record_next}"


def read(*folders: str | Path, bench: Any = None, level: float = 0.95) -> TrialAnswer:
    """Read the sheets of one trial, or of several of the same two settings, and analyse them.

    Parameters
    ----------
    *folders : path
        As `plan` wrote them; one named twice counts once.
    bench : Bench, optional
        The records, for what counts as good and the maker's own words for it.
    level : float
        Of the intervals, 0 to 1.

    Returns
    -------
    TrialAnswer

    Raises
    ------
    RecordError
        When a sheet is missing or cannot be read.
    DecisionError
        When the trials compare different settings, or no folder is named.
    """
    apart = {Path(folder).resolve(): folder for folder in folders}.values()
    settings = None if bench is None else bench.settings
    return analyse(*(read_trial(folder, settings) for folder in apart), level=level)


def analyse(*trials: Trial, level: float = 0.95) -> TrialAnswer:
    """Analyse one trial, or several of the same two settings together, as pairs.

    A randomised block design with blocks of two. Success: the difference of paired shares with
    Newcombe's square-and-add interval (1998, Stat Med 17:2635-2650, method 10) and McNemar's mid-p
    (Fagerland, Lydersen and Laake 2013). Minutes: the mean difference of logs within pairs with its
    t interval, and the p-value of the randomisation itself: how often flipping the coins of the
    draw gives as great a difference. A blank that was lost counts as not good; minutes are compared
    over pairs of which neither was lost. Trials read together count as so many looks, in the order
    in which they are named: all their intervals hold together at `level`, so that trials may be
    added until something shows, up to the blanks that it takes (`looks`). Trials past these show
    nothing new: what the looks before had shown stays. Raises DecisionError when the trials compare
    different settings.
    """
    if not trials:
        raise DecisionError("No trial is named: name the folder of at least one.")
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

    needed, blanks = number_needed(plan), len(stacked)
    made = [len(trial.reeds) for trial in trials]
    levels = [level_of_last(made, number, level) for number in needed["blanks_needed"]]
    open_ = [at < 1.0 for at in levels]
    shown = [at if at < 1.0 else level for at in levels]
    table = pd.DataFrame(
        [
            paired_difference(*sides("success").T, level=shown[0]),
            paired_ratio(*sides("scrape_min").T, level=shown[1]),
        ],
        index=needed.index,
    ).assign(level=levels)
    pending = int(stacked["success"].isna().sum())
    success, matters = table.loc["success"], plan.success_difference
    alike = bool(success["low"] > -matters and success["high"] < matters)
    judged = pending <= blanks / 2
    claims = _claims(table, plan, alike, level, [judged and more for more in open_])
    if judged and not all(open_):  # what the looks before had shown is not taken back
        before = analyse(*trials[:-1], level=level).claims
        stays = [
            not more and s == t
            for more, s, t in zip(open_, *(c["statement"] for c in (claims, before)))
        ]
        claims["grade"] = before["grade"].where(stays, claims["grade"])
    sure = claims["grade"].iloc[0] is not Verdict.CANNOT_SAY
    if pending > blanks / 2:
        advice = "Have the rest judged before anyone opens the key."
    elif sure:
        advice = "Try it on a second lot before relying on it."
    elif blanks >= needed.loc["success", "blanks_needed"]:
        advice = (
            f"These {blanks} blanks would have shown a difference of "
            f"{_points(matters, signed=False)}: write no other trial of these settings, and work "
            "with either."
        )
    else:
        more = max(int(needed.loc["success", "blanks_needed"]) - blanks, 10)
        advice = (
            "Write another trial of the same two settings and read both together: a difference of "
            f"{_points(matters, signed=False)} takes about {more} blanks more."
        )
    return TrialAnswer(
        table=table,
        level=level,
        claims=claims,
        record_next=RecordNext(advice),
        needed=needed,
        plan=plan,
        alike=alike,
        blanks=blanks,
        pending=pending,
    )


def _claims(
    table: pd.DataFrame, plan: Plan, alike: bool, level: float, may_say: list[bool]
) -> pd.DataFrame:
    """Claim which setting does better, on success and on minutes; see `TrialAnswer.claims`."""
    clear = Verdict.SURE if level >= SURE_FROM else Verdict.LIKELY
    success, minutes = table.loc["success"], table.loc["minutes"]
    apart = bool(success["low"] > 0 or success["high"] < 0)
    quicker = plan.settings[0 if minutes["effect"] < 1 else 1]
    statement = f"{_better(table, plan)} turns out good more often."
    if alike and not apart:
        statement = "The two turn out good alike, within what would matter."
    least = abs(math.log(plan.minutes_ratio))
    return claims_frame(
        [
            (
                statement,
                level if alike and not apart else 1 - success["p"] / 2,
                clear if may_say[0] and (apart or alike) else Verdict.CANNOT_SAY,
                success["effect"],
                bool(abs(success["effect"]) >= plan.success_difference),
            ),
            (
                f"{quicker} takes less time.",
                1 - minutes["p"] / 2,
                clear
                if may_say[1] and bool(minutes["low"] > 1 or minutes["high"] < 1)
                else Verdict.CANNOT_SAY,
                minutes["effect"],
                bool(abs(np.log(minutes["effect"])) >= least),
            ),
        ]
    )


def _better(table: pd.DataFrame, plan: Plan) -> str:
    return plan.settings[0 if table.loc["success", "effect"] > 0 else 1]


def paired_difference(
    first: np.ndarray, second: np.ndarray, *, level: float = 0.95
) -> dict[str, float]:
    """Compare two shares over pairs, given as 0 and 1.

    Gives ``pairs``, ``first``, ``second``, ``effect`` (their difference), ``low``, ``high``, ``p``;
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

    n = len(first)
    if n == 0:
        return _nothing(0)
    p1, p2 = first.mean(), second.mean()
    found = {"pairs": n, "first": p1, "second": p2, "effect": p1 - p2}
    if n < _FEWEST_PAIRS:
        return {**_nothing(n), **found}
    l1, u1 = (float(end) for end in wilson(first.sum(), n, level))
    l2, u2 = (float(end) for end in wilson(second.sum(), n, level))
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

    Gives ``pairs``, ``first``, ``second`` (geometric means), ``effect`` (their ratio), ``low``,
    ``high`` (t interval on logs), ``p`` (randomisation, two-sided); the last three missing below
    five pairs.

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
    return {**dict.fromkeys(_EFFECTS, math.nan), "pairs": pairs}


def _interval(level: float) -> str:
    return f"{100 * level:.3g}% interval" if level < 1.0 else "a look too many, interval"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _longer(ratio: float) -> str:
    return f"{100 * abs(ratio - 1):.0f} % {'more' if ratio >= 1 else 'less'} time"


def _points(difference: float, *, signed: bool = True) -> str:
    number = f"{100 * difference:+.0f}" if signed else f"{100 * difference:.0f}"
    return f"{number.replace('-', '−')} points"
