"""Effects where a reader can weigh them: on the response's own scale, with intervals.

A coefficient on the logit scale is hard to weigh. These functions give the mean response
(of an ordered grade: the chance of each grade) at set conditions, the average change that a
predictor makes to it, and contrasts between a factor's levels.

Groups (suppliers, lots, makers) enter in one of two ways. "integrated" is the mean over the
distribution of their effects: what to expect over many new lots. "typical" holds their effects at
zero: the middle lot, whose chance on the logit scale is further from one half.

Intervals come from the posterior's draws or by the delta method, which takes the estimated
variances of the groups as known and is quick.

References
----------
Benjamini, Y. and Yekutieli, D. (2005). False discovery rate-adjusted multiple confidence intervals
for selected parameters. Journal of the American Statistical Association 100, 71-81. Lenth, R. V.
(2016). Least-squares means: the R package lsmeans. Journal of Statistical Software 69(1).
Arel-Bundock, V., Greifer, N. and Heiss, A. (2024). How to interpret statistical models using
marginaleffects for R and Python. Journal of Statistical Software 111(9).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations, product
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit, ndtri

from reedlab.errors import DataError, ModelError
from reedlab.mixed.ask.cautions import refuse_other_model, refuse_unusable
from reedlab.mixed.ask.intervals import check_choice, refuse_idle
from reedlab.mixed.ask.mean_response import Setting, Source
from reedlab.mixed.ask.satterthwaite import Spread, t_table
from reedlab.mixed.design.matrices import Recipe
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.gaps.pooling import FilledPosterior
from reedlab.mixed.posterior.nested_laplace import Posterior, check_level, posterior, summarise


def effects(
    fitted: Fitted,
    variables: str | Sequence[str] | None = None,
    at: Mapping[str, Any] | None = None,
    method: Posterior | FilledPosterior | str = "posterior",
    *,
    groups: str = "integrated",
    average: str = "rows",
    at_least: bool = False,
    step: float | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return average effects on the response's own scale, or the mean response at set conditions.

    A coefficient on the logit scale is hard to weigh; this says by how much the chance of success
    changes, averaged over the rows of the fit and over new lots. The effect of a measured
    predictor is the slope of the mean response, or its change for a `step`; that of a factor is the
    change from its first level to each other one.

    Parameters
    ----------
    variables : str or sequence of str, optional
        Predictors whose effects are wanted. Without them: every predictor's, or where `at` is given
        the mean response itself.
    at : mapping of str to values, optional
        Values to set, such as ``{"season": ["summer", "winter"]}``; every combination is taken, and
        the effects are given under each.
    method : Posterior, FilledPosterior or {"posterior", "delta"}
        What the intervals come from: draws of the posterior (which may be given, with priors of
        one's own or with missing readings filled in, whose rows then count too), or the delta
        method, with estimated variances treated as known.
    groups : {"integrated", "typical"}
        "integrated" over the groups' distributions, or "typical", their effects at zero.
    average : {"rows", "middle"}
        "rows": every row of the fit is put under the conditions and the means are averaged;
        "middle": the other predictors are at their means, factors with all levels weighing
        alike, averaged on the linear predictor's scale (R's emmeans).
    at_least : bool
        For an ordinal model, whether the chance of at least each grade is meant (the lowest, which
        is certain, left out) or that of the grade itself.
    step : float, optional
        How much more of each measured predictor, in its own unit. Without it their effects are
        slopes, which for a chance may go beyond 1 where a unit is more than the rows range over.
    level : float
        Of the interval. By the delta method a chance's interval is made on the logit scale.

    Returns
    -------
    DataFrame
        The conditions; variable and change, where effects are asked; grade, for an ordinal model;
        then estimate, se, low, high.

    Raises
    ------
    ModelError, DataError, PredictionError
        For a predictor that is not in the fixed part, a column that is missing, a value that the
        fit does not know, or the delta method where the fit has no finite estimates (separation).

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ season + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
    >>> model.effects("season")["change"].tolist()[:2]
    ['summer instead of spring', 'autumn instead of spring']
    >>> model.effects(at={"season": ["summer", "winter"]}).columns.tolist()
    ['season', 'estimate', 'se', 'low', 'high']
    >>> dense = rl.fit("success ~ density_g_cm3 + (1 | lot)", simulate_reeds()[0], "binomial")
    >>> dense.effects("density_g_cm3", step=0.05)["change"].item()
    '0.05 more'
    """
    check_level(level)
    check_choice(groups, ("integrated", "typical"), "choice for groups=")
    check_choice(average, ("rows", "middle"), "choice for average=")
    if step is not None and not (isinstance(step, Real) and 0.0 < step < np.inf):
        raise ModelError(f"step= is {step!r}: give the size of a change, a number above 0.")
    sets: list[tuple[Fitted | Posterior, pd.DataFrame]]
    if isinstance(method, FilledPosterior):
        sets = [(p, method.imputations.completed(i)) for i, p in enumerate(method.posteriors)]
    elif isinstance(method, Posterior):
        sets = [(method, fitted.data)]
    else:
        check_choice(method, ("posterior", "delta"), "method")
        if method == "delta":
            refuse_unusable(fitted, "Effects by the delta method", groups=groups == "integrated")
        sets = [(posterior(fitted) if method == "posterior" else fitted, fitted.data)]
    refuse_other_model(fitted, sets[0][0], filled=isinstance(method, FilledPosterior))
    asked = [
        _Question.of(Source.of(each, at_least), frame, variables, at or {}, groups, average, step)
        for each, frame in sets
    ]
    return pd.concat([asked[0].rows(), _intervals(asked, level)], axis=1)


def contrasts(
    fitted: Fitted, factor: str, correction: str = "bonferroni", level: float = 0.95
) -> pd.DataFrame:
    """Compare the levels of a factor two by two on the linear predictor's scale.

    The other predictors are in the middle, as in ``effects(average="middle")``, which matters
    only where the factor is in an interaction. Gaussian models are tested by t with Satterthwaite's
    degrees of freedom, others by z.

    p-values and intervals are corrected for the number of comparisons in the same way. By
    "bonferroni" and "sidak" all intervals hold together as often as `level` says, and each leaves 0
    out where its p_corr is below 1 - level. So it is by "fdr_bh", which counts the share of false
    findings among those made (Benjamini and Yekutieli 2005). "holm" has smaller p-values than
    "bonferroni", and no intervals of its own: Bonferroni's are given beside them.

    Parameters
    ----------
    factor : str
        The factor, or a column of yes and no, of the fixed part.
    correction : {"bonferroni", "sidak", "holm", "fdr_bh", "none"}
        For the number of comparisons.
    level : float
        Of the intervals, all together.

    Returns
    -------
    DataFrame
        first, second, estimate (first less second), se, df (infinite for z), t, p (of the one
        comparison alone), then corrected low, high, p_corr.

    Raises
    ------
    ModelError
        When `factor` is no factor of the fixed part, there is no such correction, or one of the
        differences has no finite estimate (separation).

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> made = simulate_reeds(seed=1)[0]
    >>> model = rl.fit("log_scrape_min ~ season + (1 | lot)", made)
    >>> model.contrasts("season", correction="fdr_bh")[["first", "second"]].iloc[0].tolist()
    ['spring', 'summer']
    """
    check_level(level)
    check_choice(correction, ("bonferroni", "sidak", "holm", "fdr_bh", "none"), "correction")
    recipe = fitted.recipe
    found = {name: _levels(recipe, fitted.data, name) for name in sorted(recipe.dtypes)}
    if not found.get(factor):
        known = ", ".join(name for name in found if found[name]) or "none"
        raise ModelError(f"{factor!r} is not a factor of the fixed part: factors are {known}.")
    names = [*found[factor].values()]
    rows = np.vstack(
        [Setting.of(recipe, fitted.data, {factor: v}, "middle").X for v in found[factor]]
    )
    pairs = list(combinations(range(len(names)), 2))
    L = pd.DataFrame([rows[i] - rows[j] for i, j in pairs], columns=list(fitted.design.fixed_names))
    refuse_unusable(fitted, f"Contrasts of {factor}", L.to_numpy())
    df = Spread(fitted).df(L.to_numpy()) if fitted.family == "gaussian" else np.inf
    p_corr, each = _corrected(t_table(fitted, L, df, level)["p"].to_numpy(), correction, level)
    table = t_table(fitted, L, df, each)
    table.insert(0, "first", [names[i] for i, _ in pairs])
    table.insert(1, "second", [names[j] for _, j in pairs])
    return table.assign(p_corr=p_corr)


def _corrected(p: np.ndarray, correction: str, level: float) -> tuple[np.ndarray, float]:
    """Return p-values corrected for their number, and the level of the intervals beside them."""
    from statsmodels.stats.multitest import multipletests

    error, m = 1.0 - level, len(p)
    if correction == "none":
        return p, level
    p_corr = np.asarray(multipletests(p, method=correction)[1])
    if correction == "sidak":
        return p_corr, level ** (1.0 / m)
    # of R selected among m, at 1 - R error / m (Benjamini and Yekutieli 2005, definition 1)
    found = max(int(np.sum(p_corr <= error)), 1) if correction == "fdr_bh" else 1
    return p_corr, 1.0 - found * error / m


@dataclass(frozen=True)
class _Question:
    """What is asked of one source: labels, and for each two settings and the units between.

    Without a first setting it is the mean response at the second.
    """

    source: Source
    labels: list[dict[str, Any]]
    pairs: list[tuple[Setting | None, Setting, float]]
    groups: str

    @classmethod
    def of(
        cls,
        source: Source,
        data: pd.DataFrame,
        variables: str | Sequence[str] | None,
        at: Mapping[str, Any],
        groups: str,
        average: str,
        step: float | None,
    ) -> _Question:
        recipe, at = source.recipe, {name: _listed(values) for name, values in at.items()}
        wanted = _predictors(recipe) if variables is None and not at else _listed(variables or ())
        _known_columns(recipe, data, [*at, *wanted])
        if step is not None and all(_levels(recipe, data, name) for name in wanted):
            refuse_idle({"step": step}, "effects without a measured predictor")
        both = [name for name in wanted if name in at and name in recipe.factors]
        if both:
            raise ModelError(f"{both[0]!r} cannot be set and changed at once: leave it out of at=.")
        labels: list[dict[str, Any]] = []
        pairs: list[tuple[Setting | None, Setting, float]] = []
        for values in product(*at.values()):
            condition = dict(zip(at, values))
            if not wanted:
                labels.append(condition)
                pairs.append((None, Setting.of(recipe, data, condition, average), 1.0))
            for name in wanted:
                under = data.assign(**condition)
                for change, low, high, unit in _changes(recipe, under, name, average, step):
                    labels.append({**condition, "variable": name, "change": change})
                    ends = ({**condition, name: x} for x in (low, high))
                    a, b = (Setting.of(recipe, data, end, average) for end in ends)
                    pairs.append((a, b, unit))
        return cls(source, labels, pairs, groups)

    @property
    def chances(self) -> bool:
        """Whether what is asked for is a chance, between 0 and 1."""
        return self.pairs[0][0] is None and self.source.family != "gaussian"

    def rows(self) -> pd.DataFrame:
        """Return the labels of the values, one row each."""
        grades = [{"grade": grade} for grade in self.source.outcomes] or [{}]
        return pd.DataFrame([{**label, **grade} for label in self.labels for grade in grades])

    def values(self, x: np.ndarray) -> np.ndarray:
        """Return what is asked (len(x), rows) at coefficients and thresholds x."""
        found, mean = [], partial(self.source.mean, x=x, groups=self.groups)
        for low, high, unit in self.pairs:
            found.append(mean(high) if low is None else (mean(high) - mean(low)) / unit)
        return np.concatenate(found, axis=1)


def _levels(recipe: Recipe, data: pd.DataFrame, name: str) -> dict[Any, Any]:
    """Levels of a factor or of a column of yes and no, and their names; none of a measured one."""
    if name not in recipe.factors and pd.api.types.is_bool_dtype(data[name].dtype):
        return {False: "no", True: "yes"}
    return {level: level for level in recipe.factors.get(name, ())}


def _changes(
    recipe: Recipe, data: pd.DataFrame, name: str, average: str, step: float | None
) -> list[tuple[str, Any, Any, float]]:
    """Say what is compared for a predictor's effect: words, two values, units between them."""
    if levels := _levels(recipe, data, name):
        (first, usual), *others = levels.items()
        return [(f"{word} instead of {usual}", first, other, 1.0) for other, word in others]
    x = data[name].astype(float)
    middle = x if average == "rows" else float(x.mean())
    if step is not None:
        return [(f"{step:g} more", middle, middle + step, 1.0)]
    near = 1e-3 * (float(x.std()) or 1.0)
    return [("slope, per unit", middle - near, middle + near, 2.0 * near)]


def _intervals(asked: Sequence[_Question], level: float) -> pd.DataFrame:
    """Estimate, se and interval of each value, by all sources' draws or by the delta method."""
    columns, first = ["estimate", "se", "low", "high"], asked[0]
    source, value = first.source, first.values
    found = np.concatenate([each.values(each.source.x) for each in asked])
    if source.covariance is None:
        return summarise(pd.DataFrame(found), level).set_axis(columns, axis=1)
    # Delta method: variance = g' V g (Oehlert 1992, The American Statistician 46, 27-29). With
    # V = LL' it is the sum of (g' L)², central differences along the columns of L.
    steps = 1e-4 * np.linalg.cholesky(source.covariance).T
    gradient = np.vstack([(value(source.x + h) - value(source.x - h))[0] / 2e-4 for h in steps])
    estimate, se = found[0], np.sqrt(np.sum(gradient**2, axis=0))
    half = ndtri(0.5 + level / 2.0) * se
    ends = estimate - half, estimate + half
    if first.chances:
        # on the logit scale, where d logit(p) = dp / (p (1 - p)), and back: within 0 and 1
        stretch = half / (estimate * (1.0 - estimate))
        ends = expit(logit(estimate) - stretch), expit(logit(estimate) + stretch)
    return pd.DataFrame(np.column_stack([estimate, se, *ends]), columns=columns)


def _listed(values: Any) -> list[Any]:
    return [values] if isinstance(values, str) or np.isscalar(values) else list(values)


def _predictors(recipe: Recipe) -> list[str]:
    """Columns of the fixed part, without the groupings of within() and between()."""
    groups = {column for part in recipe.formula.random for column in part.columns}
    return [c for c in sorted(recipe.dtypes) if c in recipe.factors or c not in groups]


def _known_columns(recipe: Recipe, data: pd.DataFrame, names: Sequence[str]) -> None:
    for name in names:
        if name not in recipe.dtypes:
            known = ", ".join(sorted(recipe.dtypes)) or "nothing"
            raise ModelError(f"{name!r} is not in the fixed part: it holds {known}.")
    missing = [name for name in recipe.dtypes if name not in data.columns]
    if missing:
        raise DataError(f"the data have no column {missing[0]!r}, which the model uses.")
