"""Models without random terms: what is left of a mixed model when its only grouping is tested."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.special import logit

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.ordinal import CumulativeLogit, cut_points


def fit_fixed(design: Design, family: str, reml: bool) -> dict[str, Any]:
    """Fit a design that has no random term by maximum likelihood, restricted if ``reml``.

    Returns
    -------
    dict
        The fields of :class:`reedlab.mixed.engine.fitted.Fitted` by name.
    """
    if family == "gaussian":
        found = _least_squares(design, reml)
    else:
        found = _logistic(design) if family == "binomial" else _ordered(design)
    none = {"theta": np.zeros(0), "v": [], "factor": None, "singular": (), "sigma": 1.0}
    return {"design": design, "family": family, "reml": reml, **none, **found}


def _least_squares(design: Design, reml: bool) -> dict[str, Any]:
    """Return the likelihood of a linear model, restricted as lme4 restricts it."""
    beta, _, _, _ = np.linalg.lstsq(design.X, design.y, rcond=None)
    residual = design.y - design.X @ beta
    df = design.n - design.p if reml else design.n
    variance = float(residual @ residual) / df
    deviance = df * (1.0 + np.log(2.0 * np.pi * variance))
    if reml:
        deviance += float(np.linalg.slogdet(design.X.T @ design.X)[1])
    sigma = float(np.sqrt(variance))
    return {"beta": beta, "sigma": sigma, "llf": -deviance / 2.0, "converged": True}


def _logistic(design: Design) -> dict[str, Any]:
    """Return the likelihood of a logistic regression, by statsmodels."""
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    trials = np.ones(design.n) if design.trials is None else design.trials
    counts = np.column_stack([design.y, trials - design.y])
    found = GLM(counts, design.X, family=Binomial()).fit()
    beta, llf = np.asarray(found.params), float(found.llf)
    return {"beta": beta, "llf": llf, "converged": bool(found.converged)}


def _ordered(design: Design) -> dict[str, Any]:
    """Return the likelihood of an ordered logit."""
    grade, n_grades, zero = design.y.astype(int), len(design.grades), np.zeros(design.n)
    share = np.cumsum(np.bincount(grade, minlength=n_grades)[:-1]) / design.n
    cuts = logit(np.clip(share, 0.5 / design.n, 1.0 - 0.5 / design.n))
    steps = np.log(np.maximum(np.diff(cuts), 1e-3))
    rows = CumulativeLogit(grade, np.concatenate([cuts[:1], steps]))

    def objective(x: np.ndarray) -> tuple[float, np.ndarray]:
        at, eta = rows.with_extra(x[design.p :]), design.X @ x[: design.p]
        loglik, score, _ = at.steps(eta)
        by_cuts = at.extra_gradient(eta, zero, zero)
        return -loglik, -np.concatenate([design.X.T @ score, by_cuts])

    start = np.concatenate([np.zeros(design.p), rows.phi])
    found = minimize(objective, start, jac=True, method="BFGS", options={"gtol": 1e-6})
    beta, thresholds = found.x[: design.p], cut_points(found.x[design.p :])
    llf = -float(found.fun)
    return {"beta": beta, "thresholds": thresholds, "llf": llf, "converged": bool(found.success)}
