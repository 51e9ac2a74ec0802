"""Predictions for rows old and new, for levels known and unknown, with intervals where asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from reedlab.elementary import normal_nodes
from reedlab.errors import PredictionError
from reedlab.mixed.ask.cautions import refuse_other_model, refuse_unusable
from reedlab.mixed.ask.intervals import check_choice
from reedlab.mixed.design.matrices import level_codes, new_columns, new_offset
from reedlab.mixed.design.new_rows import new_terms
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.cholesky import Factor, factorise
from reedlab.mixed.engine.cross_products import cross_products
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.glmm import likelihood_of
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior.nested_laplace import Posterior, check_level, posterior

_BATCH = 1_000_000  # draws times rows held at once
_BLOCK = 20_000  # means worked out at once, so that they stay in the cache
_DRAWS = 4000


@dataclass(frozen=True)
class _Rows:
    """Rows to predict, as arrays: columns, offset, and what their groups are.

    `codes` has the levels of the known terms, `new` the places of the terms whose levels are new;
    a term in neither has an effect of 0. `size` is what a new response averages: its weight, or its
    trials; `index` labels the rows.
    """

    X: np.ndarray
    bases: list[np.ndarray]
    offset: np.ndarray
    codes: dict[int, np.ndarray]
    new: list[int]
    size: np.ndarray
    index: Any


def predict(
    fitted: Fitted,
    data: pd.DataFrame | None = None,
    new_levels: str | Sequence[str] = (),
    random: bool = True,
    link: bool = False,
    *,
    interval: str | None = None,
    level: float = 0.95,
    method: Posterior | str = "posterior",
) -> Any:
    """Predict the mean response, with an interval for it or for a new response if asked.

    A known level is taken at its conditional mode. A grouping named in ``new_levels`` is taken as
    one not met before, also where the data have it: the prediction is the mean over its
    distribution, closer to one half on the logit scale than that of a typical level.

    Parameters
    ----------
    data : DataFrame, optional
        New rows; the rows of the fit if not given.
    new_levels : str or sequence of str
        Columns or groupings whose levels are new: ``"supplier:lot"`` or ``"lot"``. A new
        ``"supplier"`` makes its lots new too.
    random : bool
        ``False`` sets every random effect to 0: the response at a typical level of everything.
    link : bool
        Predict the linear predictor instead of the mean response.
    interval : {None, "mean", "new"}
        "mean": where the mean response is, over the distribution of new levels where there are
        some. "new": where one new response will be, such as the minutes of the next reed; of a new
        level, if its grouping is in ``new_levels``. A new response that is 0 or 1, or a grade, has
        no interval; one of several trials has, as a share.
    level : float
        Probability of the interval.
    method : Posterior or {"posterior", "delta"}
        What the interval comes from: draws of the posterior (which may be given), or the delta
        method, quick and with estimated variances treated as known. The mean is then that of the
        draws, or the fit's.

    Returns
    -------
    Series, or DataFrame with one column a grade for the ordinal family
        With an interval a DataFrame: mean (or link), low, high; for the ordinal family one row a
        row and grade, with the grade.

    Raises
    ------
    PredictionError
        A column is missing, a factor's level was not seen, a grouping's level is unknown and not
        named in ``new_levels``, there are ``new_levels`` without random effects, or the interval
        asked for does not exist.
    ModelError
        For an interval, a level or a method that there is not, a posterior of another model, or
        the delta method where the fit has no finite estimates (separation).

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> reeds = simulate_reeds(seed=1)[0]
    >>> model = rl.fit("log_scrape_min ~ maker + (1 | supplier/lot)", reeds)
    >>> next_reed = model.predict(reeds.head(1), "lot", interval="new", level=0.9)
    >>> next_reed.columns.tolist()
    ['mean', 'low', 'high']
    """
    if new_levels and not random:
        raise PredictionError(
            "random=False sets every random effect to 0, so new_levels= has no effect: leave one "
            "of them out."
        )
    rows = _read(fitted, data, new_levels, random)
    if interval is None:
        values = _means(fitted, rows, link)
        if values.ndim > 1:
            return pd.DataFrame(values, index=rows.index, columns=list(fitted.design.grades))
        return pd.Series(values, index=rows.index, name=_columns(link)[0])
    check_level(level)
    _check_interval(fitted, interval, method, random, link)
    if method == "delta":
        refuse_unusable(
            fitted, "Intervals by the delta method", rows.X, groups=bool(rows.codes or rows.new)
        )
        table = _by_delta(fitted, rows, interval, level, link)
    else:
        draws = method if isinstance(method, Posterior) else posterior(fitted)
        refuse_other_model(fitted, draws)
        table = _by_draws(draws, rows, interval, level, link)
    if fitted.family != "ordinal" or link:
        return pd.DataFrame(table[:, 0], index=rows.index, columns=_columns(link))
    frame = pd.DataFrame(table.reshape(-1, 3), columns=_columns(link))
    frame.insert(0, "grade", [*fitted.design.grades] * len(table))
    return frame.set_axis(np.repeat(np.asarray(rows.index), len(fitted.design.grades)))


def _columns(link: bool) -> list[str]:
    return ["link" if link else "mean", "low", "high"]


def _read(
    fitted: Fitted, data: pd.DataFrame | None, new_levels: str | Sequence[str], random: bool
) -> _Rows:
    """Turn the fit's own rows, or new ones, into arrays."""
    design, recipe = fitted.design, fitted.recipe
    new = new_terms([term.group for term in design.terms], new_levels)
    known = [t for t in range(len(design.terms)) if random and t not in new]
    if data is None:
        index = np.arange(design.n) if design.rows_used is None else design.rows_used
        size = next(
            (s for s in (design.weights, design.trials) if s is not None), np.ones(design.n)
        )
        offset = np.zeros(design.n) if design.offset is None else design.offset
        codes = {t: design.terms[t].index for t in known}
        return _Rows(design.X, [t.basis for t in design.terms], offset, codes, new, size, index)
    X, bases = new_columns(recipe, data)
    parts = recipe.formula.random
    codes = {t: level_codes(parts[t], data, design.terms[t].levels) for t in known}
    column = recipe.weights or recipe.trials
    size = np.full(len(data), np.nan if column else 1.0)
    if column in data.columns:
        size = pd.to_numeric(data[column], errors="coerce").to_numpy(dtype=float)
    return _Rows(X, bases, new_offset(recipe, data), codes, new, size, data.index)


def _means(fitted: Fitted, rows: _Rows, link: bool) -> np.ndarray:
    """Mean response of each row at the estimates, (n,), or each grade's chance, (n, grades)."""
    eta = rows.X @ fitted.beta + rows.offset
    for t, codes in rows.codes.items():
        eta = eta + np.einsum("nk,nk->n", rows.bases[t], fitted.modes[t][codes])
    if link:
        return np.asarray(eta)
    return _on_response_scale(fitted.family, eta, _new_variance(fitted, rows), fitted.thresholds)


def _new_variance(fitted: Fitted, rows: _Rows) -> np.ndarray:
    """Variance of each row's linear predictor between new levels, z'Σz; (n,)."""
    variance = np.zeros(len(rows.X))
    for t in rows.new:
        variance += np.einsum("nk,kj,nj->n", rows.bases[t], fitted.covariances[t], rows.bases[t])
    return variance


def _on_response_scale(
    family: str, eta: np.ndarray, variance: np.ndarray, cuts: np.ndarray, nodes: int = 80
) -> np.ndarray:
    """Mean response over N(eta, variance), or each grade's chance along a last axis."""
    if family == "gaussian":
        return eta
    if family == "binomial":
        return mean_of_expit(eta, variance, nodes)
    at_most = [mean_of_expit(cut - eta, variance, nodes) for cut in np.moveaxis(cuts, -1, 0)]
    bounds = np.stack([np.zeros_like(eta), *at_most, np.ones_like(eta)], axis=-1)
    return np.diff(bounds, axis=-1)


def _check_interval(
    fitted: Fitted, interval: str, method: Posterior | str, random: bool, link: bool
) -> None:
    """Refuse an interval that does not exist, in one sentence that names what does."""
    check_choice(interval, ("mean", "new"), "interval")
    if not isinstance(method, Posterior):
        check_choice(method, ("posterior", "delta"), "method")
    single = fitted.family == "binomial" and fitted.design.trials is None
    if interval == "new" and (single or fitted.family == "ordinal"):
        what = "0 or 1" if single else "a grade"
        raise PredictionError(
            f"A new response of this model is {what}, which has no interval: take interval='mean' "
            "for its chance."
        )
    if interval == "new" and (link or not random):
        option = "link=True" if link else "random=False"
        raise PredictionError(
            f"A new response has every random effect and is on the response's own scale: leave "
            f"{option} out."
        )
    if method == "delta" and fitted.family == "ordinal":
        raise PredictionError(
            "The delta method is not offered for chances of grades: take method='posterior'."
        )


def _by_draws(post: Posterior, rows: _Rows, interval: str, level: float, link: bool) -> np.ndarray:
    """Mean, low and high (n, outcomes, 3) by a posterior's draws, a batch of rows at a time."""
    draws, family, design = post.draws(), post.family, post.design
    cuts = draws.to_numpy()[:, design.p : design.p + len(design.threshold_names)]
    lambdas = post.conditional.scales.lambdas(post.sample.points)
    rng = np.random.default_rng(np.random.SeedSequence(post.seed, spawn_key=(2,)))
    step, out = max(1, _BATCH // len(draws)), []
    for start in range(0, len(rows.X), step):
        at = slice(start, start + step)
        n = len(rows.X[at])
        # a term in neither `codes` nor `new` has no effect: a basis of 0 at any level
        bases = [b[at] * (t in rows.codes) for t, b in enumerate(rows.bases)]
        codes = [
            rows.codes[t][at] if t in rows.codes else np.zeros(n, dtype=np.intp)
            for t in range(len(bases))
        ]
        eta = post.assemble(rows.X[at], bases, codes) + rows.offset[at]
        variance = np.zeros((1, n))
        for t in rows.new:  # z'Σz for each draw's Σ = ΛΛ'
            variance = variance + np.sum((rows.bases[t][at] @ lambdas[t]) ** 2, axis=2)
        if interval == "new":
            eta = eta + np.sqrt(variance) * rng.standard_normal(eta.shape)
            values = _new_responses(family, eta, draws.get("sd Residual"), rows.size[at], rng)
        elif link:
            values = eta
        else:
            values = _on_response_scale(family, eta, variance, cuts[:, None, :], nodes=15)
        out.append(_summed_up(values.reshape(len(draws), n, -1), level))
    return np.concatenate(out) if out else np.zeros((0, 1, 3))


def _summed_up(values: np.ndarray, level: float) -> np.ndarray:
    """Mean and equal-tailed ends of draws (S, n, outcomes); (n, outcomes, 3)."""
    tail = (1.0 - level) / 2.0
    ends = np.quantile(values, [tail, 1.0 - tail], axis=0)
    return np.stack([values.mean(axis=0), *ends], axis=-1)


def _new_responses(
    family: str, eta: np.ndarray, sigma: Any, size: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Draw one response for each draw of its linear predictor (S, n): a number, or a share."""
    _refuse_unknown(size, family)
    if family == "gaussian":
        spread = np.asarray(sigma)[:, None] / np.sqrt(size)
        return eta + spread * rng.standard_normal(eta.shape)
    return rng.binomial(size.astype(int), expit(eta)) / size


def _refuse_unknown(size: np.ndarray, family: str) -> None:
    """Refuse rows that do not say of how many readings or trials a new response is."""
    known, what = (size > 0.0, "weights=") if family == "gaussian" else (size >= 1.0, "trials=")
    if not known.all():
        raise PredictionError(
            f"A new response needs a number in the column that {what} names, in every row of the "
            "new data; fill it in."
        )


def _by_delta(fitted: Fitted, rows: _Rows, interval: str, level: float, link: bool) -> np.ndarray:
    """Mean, low and high (n, 1, 3), the estimated variances taken as known."""
    eta, se = _means(fitted, rows, link=True), _standard_errors(fitted, rows)
    variance, family = _new_variance(fitted, rows), fitted.family
    if interval == "new" and family == "binomial":
        rng = np.random.default_rng(1)
        noise = rng.standard_normal((_DRAWS, len(eta)))
        made = eta + np.sqrt(se**2 + variance) * noise
        return _summed_up(_new_responses(family, made, None, rows.size, rng)[..., None], level)
    if interval == "new":
        _refuse_unknown(rows.size, family)
        se = np.sqrt(se**2 + variance + fitted.sigma**2 / rows.size)
    half = ndtri(0.5 + level / 2.0) * se
    # the mean response grows with η, so its interval is that of η carried over
    ends = np.stack([eta, eta - half, eta + half])
    if not link:
        ends = _on_response_scale(family, ends, variance, fitted.thresholds)
    return ends.T[:, None, :]


def _standard_errors(fitted: Fitted, rows: _Rows) -> np.ndarray:
    """Find the standard error of each row's linear predictor, θ held; (n,).

    With known levels it is that of x'β + z'(û - u): σ² a' H^-1 a for a = (Λ'z, x) and the joint H
    of effects and coefficients (Henderson 1975, Biometrics 31, 423-447); without, x'Vx.
    """
    if not rows.codes:
        return np.sqrt(np.einsum("np,pq,nq->n", rows.X, fitted.cov_beta, rows.X))
    lambdas, terms = fitted.design.lambdas(fitted.theta), fitted.design.terms
    both = [rows.bases[t] for t in rows.codes] + [c[:, None] for c in rows.codes.values()]
    distinct, back = np.unique(np.hstack([rows.X, *both]), axis=0, return_inverse=True)
    first = np.zeros(len(distinct), dtype=np.intp)
    first[back.ravel()] = np.arange(len(rows.X))
    variances = np.empty(len(distinct))
    with one_thread():
        factor = _joint_factor(fitted)
        for i, at in enumerate(first):
            g = [np.zeros((term.n_levels, term.k)) for term in terms]
            for t, codes in rows.codes.items():
                g[t][codes[at]] = rows.bases[t][at] @ lambdas[t]
            v, beta = factor.solve(g, rows.X[at])
            inner = sum(float(np.vdot(a, b)) for a, b in zip(g, v)) + float(rows.X[at] @ beta)
            variances[i] = fitted.sigma**2 * inner
    return np.sqrt(variances)[back.ravel()]


def _joint_factor(fitted: Fitted) -> Factor:
    """Factor H of the effects and the coefficients together, at the fit."""
    if fitted.family == "gaussian":
        return fitted.factor
    design, cells = fitted.design, cells_of(fitted.design)
    likelihood = likelihood_of(design, fitted.family)
    eta = cells.expand(fitted.modes) + fitted.beta @ cells.XT
    weight = likelihood.steps(eta)[2]
    return factorise(cross_products(cells, weight, True), design.lambdas(fitted.theta))


def mean_of_expit(
    eta: np.ndarray,
    variance: np.ndarray,
    nodes: int = 80,
    inverse_logit: Callable[[np.ndarray], np.ndarray] = expit,
) -> np.ndarray:
    """Mean of the inverse logit of N(eta, variance), by Gauss-Hermite quadrature.

    Fifteen nodes are exact to 1e-8 at a variance of 1 and to 1e-3 at 9.

    >>> mean_of_expit(np.array([0.0, 1.0]), np.array([1.0, 0.0])).round(3)
    array([0.5  , 0.731])
    """
    if not variance.any():
        return np.asarray(inverse_logit(eta))
    eta, sd = np.broadcast_arrays(np.atleast_1d(eta), np.sqrt(variance))
    out = np.zeros(eta.shape)
    step = max(1, _BLOCK * len(out) // (out.size or 1))
    for at in range(0, len(out), step):
        rows = slice(at, at + step)
        # E expit(η + σz) = Σ w_i expit(η + σ z_i), z standard normal (Gauss-Hermite)
        for node, weight in zip(*normal_nodes(nodes)):
            there = inverse_logit(eta[rows] + node * sd[rows])
            there *= weight
            out[rows] += there
    return out
