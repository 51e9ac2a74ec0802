"""Effects where a reader can weigh them: on the response's own scale, with intervals.

A coefficient on the logit scale is nobody's gain or loss. These functions give predictions at set
conditions, the average change that a predictor makes, and contrasts between levels.

Groups (suppliers, lots, makers) enter in one of two ways. "integrated" is the mean over the
distribution of their effects: what to expect over many new lots. "typical" holds their effects at
zero: the middle lot, whose chance on the logit scale lies further from one half.

Intervals come from the posterior's draws or by the delta method, which takes the estimated
variances of the groups as known and is quick.

References
----------
Lenth, R. V. (2016). Least-squares means: the R package lsmeans. Journal of Statistical Software
69(1). Arel-Bundock, V., Greifer, N. and Heiss, A. (2024). How to interpret statistical models using
marginaleffects. Journal of Statistical Software 111(9).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import norm

from reedlab.errors import DataError, ModelError, PredictionError
from reedlab.mixed.fitted import Fitted
from reedlab.mixed.matrices import Recipe, new_columns
from reedlab.mixed.posterior import Posterior

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class _Source:
    """Where coefficients and variances come from: one estimate with its covariance, or draws.

    Attributes
    ----------
    beta
        Coefficients, (1, p) or (S, p).
    covariances
        Of each random term's effects, (1 or S, k, k).
    covariance
        Of the estimate, for the delta method; none for draws.
    """

    family: str
    recipe: Recipe
    groups: tuple[str, ...]
    beta: np.ndarray
    covariances: list[np.ndarray]
    covariance: np.ndarray | None

    def mean(self, data: pd.DataFrame, groups: str, beta: np.ndarray | None = None) -> np.ndarray:
        """Mean response (1 or S, rows)."""
        beta = self.beta if beta is None else beta
        integrated = groups == "integrated" and self.family == "binomial"
        terms = range(len(self.covariances)) if integrated else ()
        X, bases = new_columns(self.recipe, data, terms)
        eta = beta @ X.T
        if self.family == "gaussian":
            return eta
        if not integrated:
            return expit(eta)
        variance = np.zeros((len(self.covariances[0]), len(data)))
        for t in terms:
            variance = variance + np.einsum(
                "nk,skj,nj->sn", bases[t], self.covariances[t], bases[t]
            )
        spread, out = np.sqrt(variance), np.zeros(np.broadcast_shapes(eta.shape, variance.shape))
        for node, weight in zip(_NODES, _WEIGHTS):
            out += weight * expit(eta + node * spread)
        return out


def predictions(
    model: Fitted | Posterior,
    data: pd.DataFrame,
    at: Mapping[str, Sequence[Any]],
    groups: str = "integrated",
    average: str = "rows",
    level: float = 0.95,
) -> pd.DataFrame:
    """Predict the mean response at set conditions.

    Parameters
    ----------
    model
        A fit (intervals by the delta method) or its posterior (intervals from the draws).
    data
        The rows that the other predictors are taken from.
    at
        Values to set, such as ``{"season": ["summer", "winter"]}``; every combination is taken.
    groups
        "integrated" over the groups' distributions, or "typical", their effects at zero.
    average
        "rows": every row of `data` is put under the conditions and the predictions are averaged;
        "middle": the other predictors stand at their means, factors with all levels weighing
        alike, averaged on the linear predictor's scale (R's emmeans).
    level
        Of the interval.

    Returns
    -------
    DataFrame
        The conditions, then estimate, se, low, high.
    """
    source = _source(model)
    _check(groups, ("integrated", "typical"), "groups")
    _check(average, ("rows", "middle"), "average")
    _known_columns(source, data, at)
    conditions = [dict(zip(at, values)) for values in product(*at.values())]
    if average == "middle":
        return _middle(source, data, conditions, groups, level)

    def value(beta: np.ndarray | None = None) -> np.ndarray:
        means = [
            source.mean(data.assign(**condition), groups, beta).mean(axis=1)
            for condition in conditions
        ]
        return np.column_stack(means)

    table = _intervals(source, value, level)
    return pd.concat([pd.DataFrame(conditions), table], axis=1)


def average_effects(
    model: Fitted | Posterior,
    data: pd.DataFrame,
    variables: Sequence[str] | None = None,
    groups: str = "integrated",
    level: float = 0.95,
) -> pd.DataFrame:
    """Return the average effect of each predictor on the response's own scale.

    For a measured predictor it is the mean over the rows of the slope (change of the mean response
    for one unit); for a factor the mean change from its first level to each other one.

    Parameters
    ----------
    model, data, groups, level
        As in `predictions`.
    variables
        Predictors; all of the fixed part unless given.

    Returns
    -------
    DataFrame
        variable, change, estimate, se, low, high.
    """
    source = _source(model)
    _check(groups, ("integrated", "typical"), "groups")
    recipe = source.recipe
    wanted = sorted(recipe.dtypes) if variables is None else list(variables)
    _known_columns(source, data, wanted)
    labels, pairs = [], []
    for name in wanted:
        if name in recipe.factors:
            first, *others = recipe.factors[name]
            for other in others:
                labels.append((name, f"{other} instead of {first}"))
                pairs.append((data.assign(**{name: first}), data.assign(**{name: other}), 1.0))
            continue
        x = data[name].astype(float)
        step = 1e-3 * (float(x.std()) or 1.0)
        labels.append((name, "one unit more"))
        pairs.append((data.assign(**{name: x - step}), data.assign(**{name: x + step}), 2 * step))

    def value(beta: np.ndarray | None = None) -> np.ndarray:
        return np.column_stack(
            [
                (source.mean(b, groups, beta) - source.mean(a, groups, beta)).mean(axis=1) / unit
                for a, b, unit in pairs
            ]
        )

    table = _intervals(source, value, level)
    table.insert(0, "variable", [v for v, _ in labels])
    table.insert(1, "change", [c for _, c in labels])
    return table


def contrasts(
    fitted: Fitted,
    data: pd.DataFrame,
    factor: str,
    correction: str = "holm",
    level: float = 0.95,
) -> pd.DataFrame:
    """Compare the levels of a factor two by two on the linear predictor's scale.

    The other predictors stand in the middle, as in ``predictions(average="middle")``, which matters
    only where the factor is in an interaction.

    Parameters
    ----------
    fitted
        The fit.
    data
        The rows that the other predictors are taken from.
    factor
        The factor.
    correction
        How p-values are corrected for the number of comparisons, by a name that statsmodels'
        ``multipletests`` knows ("holm", "fdr_bh", "bonferroni" ...) or "none".
    level
        Of the interval, which is not corrected.

    Returns
    -------
    DataFrame
        first, second, estimate (first less second), se, low, high, z, p, p_corrected.
    """
    from statsmodels.stats.multitest import multipletests

    source = _source(fitted)
    if factor not in source.recipe.factors:
        known = ", ".join(source.recipe.factors) or "none"
        raise ModelError(f"{factor!r} is not a factor of the fixed part: factors are {known}.")
    levels = source.recipe.factors[factor]
    rows = np.vstack([_middle_row(source, data, {factor: v}) for v in levels])
    pairs = list(combinations(range(len(levels)), 2))
    L = np.array([rows[i] - rows[j] for i, j in pairs])
    estimate = L @ fitted.beta
    se = np.sqrt(np.einsum("rp,pq,rq->r", L, fitted.cov_beta, L))
    half = norm.ppf(0.5 + level / 2.0) * se
    p = 2.0 * norm.sf(np.abs(estimate / se))
    corrected = p if correction == "none" else multipletests(p, method=correction)[1]
    return pd.DataFrame(
        {
            "first": [levels[i] for i, _ in pairs],
            "second": [levels[j] for _, j in pairs],
            "estimate": estimate,
            "se": se,
            "low": estimate - half,
            "high": estimate + half,
            "z": estimate / se,
            "p": p,
            "p_corrected": corrected,
        }
    )


def _source(model: Fitted | Posterior) -> _Source:
    if model.recipe is None:
        raise PredictionError("this fit was made without a formula and cannot read new data.")
    if model.family == "ordinal":
        raise ModelError(
            "effects of an ordinal model are read from posterior.predict, grade by grade."
        )
    groups = tuple(term.group for term in model.design.terms)
    if isinstance(model, Fitted):
        covariances = [c[None] for c in model.covariances]
        return _Source(
            model.family, model.recipe, groups, model.beta[None], covariances, model.cov_beta
        )
    beta = model.draws()[list(model.design.fixed_names)].to_numpy()
    lambdas = model.conditional.scales.lambdas(model.sample.points)
    covariances = [lam @ lam.transpose(0, 2, 1) for lam in lambdas]
    return _Source(model.family, model.recipe, groups, beta, covariances, None)


def _intervals(source: _Source, value: Callable[..., np.ndarray], level: float) -> pd.DataFrame:
    """Estimate, se and interval of values (1 or S, rows), by draws or by the delta method."""
    found = value()
    tail = (1.0 - level) / 2.0
    if source.covariance is None:
        return pd.DataFrame(
            {
                "estimate": found.mean(axis=0),
                "se": found.std(axis=0, ddof=1),
                "low": np.quantile(found, tail, axis=0),
                "high": np.quantile(found, 1.0 - tail, axis=0),
            }
        )
    # the gradient's steps follow the covariance's factor, so that each is about one standard error
    root = np.linalg.cholesky(source.covariance)
    steps = 1e-4 * root.T
    gradient = np.vstack(
        [(value(source.beta + h) - value(source.beta - h))[0] / 2e-4 for h in steps]
    )
    se = np.sqrt(np.sum(gradient**2, axis=0))
    half = norm.ppf(1.0 - tail) * se
    return pd.DataFrame(
        {"estimate": found[0], "se": se, "low": found[0] - half, "high": found[0] + half}
    )


def _middle(
    source: _Source,
    data: pd.DataFrame,
    conditions: list[dict[str, Any]],
    groups: str,
    level: float,
) -> pd.DataFrame:
    rows = np.vstack([_middle_row(source, data, condition) for condition in conditions])
    variance = np.zeros((len(source.covariances[0]), 1))
    if groups == "integrated":
        if any(c.shape[1] > 1 for c in source.covariances):
            raise ModelError("with random slopes average over rows: average='rows'.")
        variance = sum((c[:, :, 0] for c in source.covariances), variance)

    def value(beta: np.ndarray | None = None) -> np.ndarray:
        eta = (source.beta if beta is None else beta) @ rows.T
        if source.family == "gaussian":
            return eta
        nodes = zip(_NODES, _WEIGHTS)
        return np.asarray(sum(w * expit(eta + z * np.sqrt(variance)) for z, w in nodes))

    return pd.concat([pd.DataFrame(conditions), _intervals(source, value, level)], axis=1)


def _middle_row(source: _Source, data: pd.DataFrame, condition: Mapping[str, Any]) -> np.ndarray:
    """Row of X with what is not set at its mean, factors with all levels weighing alike."""
    recipe = source.recipe
    values = []
    for name in sorted(recipe.dtypes):
        if name in condition:
            values.append([condition[name]])
        elif name in recipe.factors:
            values.append(list(recipe.factors[name]))
        else:
            values.append([float(data[name].mean())])
    grid = pd.DataFrame(list(product(*values)), columns=sorted(recipe.dtypes))
    if grid.empty:
        grid = pd.DataFrame(index=[0])
    X, _ = new_columns(recipe, grid, ())
    return X.mean(axis=0)


def _check(value: str, known: tuple[str, ...], what: str) -> None:
    if value not in known:
        raise ModelError(f"{what} is {value!r}: choose {' or '.join(known)}.")


def _known_columns(source: _Source, data: pd.DataFrame, names: Sequence[str] | Mapping) -> None:
    for name in names:
        if name not in source.recipe.dtypes:
            known = ", ".join(sorted(source.recipe.dtypes)) or "nothing"
            raise ModelError(f"{name!r} is not in the fixed part: it holds {known}.")
    missing = [name for name in source.recipe.dtypes if name not in data.columns]
    if missing:
        raise DataError(f"the data have no column {missing[0]!r}, which the model uses.")
