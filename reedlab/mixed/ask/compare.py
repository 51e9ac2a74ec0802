"""Two models of the same rows side by side: likelihood ratio, AIC, and predictions of new lots.

A variance that the smaller model sets to 0 is at the boundary there, so the ratio's null is a
mixture: half of a chi-square with the degrees of freedom of the other parameters, half of one with
one more (Self and Liang 1987, case 5; Stram and Lee 1994, case 3). It holds for many levels; with
few it is too large, and a simulated null is right. For two variances at once the mixture's shares
depend on the design, and the null is simulated.

References
----------
Self, S. G. and Liang, K.-Y. (1987). Asymptotic properties of maximum likelihood estimators and
likelihood ratio tests under nonstandard conditions. Journal of the American Statistical Association
82, 605-610. Stram, D. O. and Lee, J. W. (1994). Variance components testing in the longitudinal
mixed effects model. Biometrics 50, 1171-1177.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from reedlab.errors import ModelError
from reedlab.mixed.ask.checks.adequacy import grouping
from reedlab.mixed.ask.checks.held_out import scores
from reedlab.mixed.ask.intervals import check_choice
from reedlab.mixed.ask.term_tests import RatioTest, simulated_ratio
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.fitted import Fitted

MANY_LEVELS = 30
"""Levels of a grouping from which on the mixture is about right (by simulation: with 6 a p-value of
0.08 comes out as 0.13)."""

SENTENCES = {
    "not_nested": (
        "Neither model contains the other, so there is no likelihood-ratio test: compare AIC and "
        "the held-out score."
    ),
    "few_levels": (
        "{group} has {n} levels only, for which the mixture's p is too large: take "
        "method='simulated'."
    ),
    "by_ml": "Both models were fitted anew by maximum likelihood, as their comparison needs.",
}


@dataclass(frozen=True)
class Comparison:
    """Two models of the same rows side by side.

    Attributes
    ----------
    table : DataFrame
        Rows "first" and "second": formula, parameters, log_likelihood, aic, bic, score (of held-out
        levels; the smaller the better).
    test : RatioTest, optional
        The likelihood-ratio test of the smaller model within the larger; none where neither
        contains the other.
    group : str
        The grouping whose levels were held out whole; empty where no model has one.
    gain, gain_se : float
        The first model's score less the second's, so positive where the second predicts better, and
        its standard error over the levels held out.
    notes : tuple of str
        What a reader must know of the comparison.
    """

    table: pd.DataFrame
    test: RatioTest | None
    group: str
    gain: float
    gain_se: float
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return f"{self.table.to_string()}\n\n{self.sentence()}"

    def sentence(self) -> str:
        """Say which model is better by each measure."""
        says = []
        if self.test is not None:
            p = "less than 0.001" if self.test.p < 0.001 else f"{self.test.p:.3f}"
            says.append(
                f"The likelihood ratio is {self.test.statistic:.2f}, p {p} ({self.test.method})."
            )
        low, high = sorted(self.table["aic"])
        better = "first" if self.table["aic"]["first"] == low else "second"
        gap = f"{high - low:.1f} lower for the {better} model"
        says.append(f"AIC is {gap if high - low >= 0.05 else 'the same for both'}.")
        if self.group:
            sure = abs(self.gain) > 2.0 * self.gain_se
            which = "second" if self.gain > 0 else "first"
            says.append(
                f"Held-out levels of {self.group}: "
                + (f"the {which} model predicts better" if sure else "no clear difference")
                + f" (score {self.table['score']['first']:.4f} and "
                f"{self.table['score']['second']:.4f}, standard error of the difference "
                f"{self.gain_se:.4f})."
            )
        return " ".join(says)


def compare_fits(
    first: Fitted,
    second: Fitted,
    group: str | None,
    method: str,
    n: int,
    folds: int,
    seed: int,
    workers: int,
) -> Comparison:
    """Compare two fits of the same rows; see ``rl.compare``."""
    check_choice(method, ("auto", "mixture", "simulated"), "method")
    _check_rows(first, second)
    notes = [SENTENCES["by_ml"]] if first.reml or second.reml else []
    by_ml = [f.refit(f.design, reml=False, start=f.theta) if f.reml else f for f in (first, second)]
    test = None
    order = next((pair for pair in ((0, 1), (1, 0)) if _contains(*(by_ml[i] for i in pair))), None)
    if order is None:
        notes.append(SENTENCES["not_nested"])
    else:
        less, full = by_ml[order[0]], by_ml[order[1]]
        test = _ratio_test(less, full, method, n, seed, workers)
        if test.method == "mixture":
            notes += _few_levels(less.design, full.design)
    columns = {
        "formula": [f.recipe.formula.text for f in (first, second)],
        "parameters": [f.n_parameters for f in by_ml],
        "log_likelihood": [f.llf for f in by_ml],
        "aic": [f.aic for f in by_ml],
        "bic": [f.bic for f in by_ml],
    }
    table = pd.DataFrame(columns, index=["first", "second"])
    term = _held_out_by(first.design, second.design, group)
    if term is None:
        return Comparison(table.assign(score=np.nan), test, "", np.nan, np.nan, tuple(notes))
    found = [scores(f, term, folds, seed) for f in (first, second)]
    size = np.ones(first.design.n) if first.design.trials is None else first.design.trials
    table["score"] = [float(np.average(each, weights=size)) for each in found]
    # the levels are what was drawn: the difference's standard error is that of their sums
    sums = np.bincount(term.index, size * (found[0] - found[1]), term.n_levels)
    se = float(np.sqrt(term.n_levels * sums.var(ddof=1)) / size.sum())
    gain = float(sums.sum() / size.sum())
    return Comparison(table, test, term.group, gain, se, tuple(notes))


def _check_rows(first: Fitted, second: Fitted) -> None:
    """Refuse fits of different families, rows or responses."""
    if first.family != second.family:
        raise ModelError(
            f"A {first.family} and a {second.family} model cannot be compared: their responses are "
            "on different scales."
        )
    one, other = first.design, second.design
    if not _same(one.rows_used, other.rows_used):
        raise ModelError(
            f"The models used {one.n} and {other.n} rows, not the same ones: fit both to rows in "
            "which every column of either is filled in."
        )
    pairs = ((one.y, other.y), (one.trials, other.trials), (one.weights, other.weights))
    if not all(_same(a, b) for a, b in pairs):
        raise ModelError(
            "The models have different responses, trials or weights in the same rows: fit both to "
            "one response."
        )


def _same(one: np.ndarray | None, other: np.ndarray | None) -> bool:
    if one is None or other is None:
        return one is other
    return np.array_equal(one, other)


def _contains(less: Fitted, full: Fitted) -> bool:
    """Whether a model is the other one with some parameters at fixed values."""
    a, b = less.design, full.design
    if not np.array_equal(a.y - a.less_offset, b.y - b.less_offset):
        return False
    size = np.sqrt(np.einsum("np,np->p", a.X, a.X))
    base = b.X if not b.grades else np.column_stack([b.X, np.ones(b.n)])
    left = a.X - base @ np.linalg.lstsq(base, a.X, rcond=None)[0]
    inside = bool((np.linalg.norm(left, axis=0) <= 1e-8 * size).all())
    groups = [_columns(a.terms, term.group) <= _columns(b.terms, term.group) for term in a.terms]
    more = full.n_parameters > less.n_parameters
    return inside and all(groups) and all(_pairs(a, b)) and more


def _columns(terms: Sequence[RandomTerm], group: str) -> set[str]:
    """Names of the columns that vary between a grouping's levels."""
    return {name for term in terms if term.group == group for name in term.names}


def _correlations(terms: Sequence[RandomTerm], group: str) -> set[frozenset[str]]:
    """Pairs of columns whose effects are correlated in a grouping."""
    return {
        frozenset((term.names[i], term.names[j]))
        for term in terms
        if term.group == group
        for i, j in term.pairs
    }


def _pairs(less: Design, full: Design) -> list[bool]:
    """For each grouping of the smaller model, whether its correlations are in the larger one."""
    return [
        _correlations(less.terms, term.group) <= _correlations(full.terms, term.group)
        for term in less.terms
    ]


def _added(less: Design, full: Design) -> list[tuple[str, str]]:
    """List groupings and columns whose variance the smaller model sets to 0."""
    groups = dict.fromkeys(term.group for term in full.terms)
    return [
        (group, name)
        for group in groups
        for name in sorted(_columns(full.terms, group) - _columns(less.terms, group))
    ]


def _ratio_test(
    less: Fitted, full: Fitted, method: str, n: int, seed: int, workers: int
) -> RatioTest:
    """Test the smaller model within the larger."""
    boundary = len(_added(less.design, full.design))
    if method == "mixture" and boundary > 1:
        raise ModelError(
            f"The larger model has {boundary} more variances, for which there is no mixture that "
            "holds in general: take method='simulated'."
        )
    others = full.n_parameters - less.n_parameters - boundary
    if method == "simulated" or boundary > 1:
        return simulated_ratio(less.design, full, less, np.nan, n, seed, workers, False)
    statistic = max(2.0 * (full.llf - less.llf), 0.0)
    inner = float(chdtrc(others, statistic)) if others else float(statistic <= 0.0)
    if not boundary:
        return RatioTest(statistic, inner, np.zeros(0), others, "chi-square")
    p = 0.5 * inner + 0.5 * float(chdtrc(others + 1, statistic))
    return RatioTest(statistic, p, np.zeros(0), np.nan, "mixture")


def _few_levels(less: Design, full: Design) -> list[str]:
    """Say where a grouping that is tested has too few levels for the mixture."""
    levels = {term.group: term.n_levels for term in full.terms}
    return [
        SENTENCES["few_levels"].format(group=group, n=levels[group])
        for group, _ in _added(less, full)
        if levels[group] < MANY_LEVELS
    ]


def _held_out_by(one: Design, other: Design, group: str | None) -> RandomTerm | None:
    """Return the grouping whose levels are held out: the one named, or that with most levels."""
    terms = (*one.terms, *other.terms)
    if group is not None:
        known = {name for t in one.terms for name in (t.group, t.group.split(":")[-1])}
        return grouping(one if group in known else other, group)
    return max(terms, key=lambda term: term.n_levels, default=None)
