"""Models without random terms: what is left of a mixed model when its only grouping is tested."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import minimize
from scipy.special import logit

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.ordinal import CumulativeLogit, cut_points


@dataclass(frozen=True)
class FixedOnly:
    """A fit of the fixed part alone; fields as in :class:`reedlab.mixed.engine.fitted.Fitted`."""

    design: Design
    family: str
    beta: np.ndarray
    sigma: float
    llf: float
    thresholds: np.ndarray = field(default_factory=lambda: np.zeros(0))
    covariances: tuple[np.ndarray, ...] = ()


def fit_fixed(design: Design, family: str, reml: bool) -> FixedOnly:
    """Fit a design that has no random term by maximum likelihood, restricted if ``reml``."""
    if family == "gaussian":
        return _least_squares(design, reml)
    return _logistic(design) if family == "binomial" else _ordered(design)


def _least_squares(design: Design, reml: bool) -> FixedOnly:
    """Return the likelihood of a linear model, restricted as lme4 restricts it."""
    beta, _, _, _ = np.linalg.lstsq(design.X, design.y, rcond=None)
    residual = design.y - design.X @ beta
    df = design.n - design.p if reml else design.n
    variance = float(residual @ residual) / df
    deviance = df * (1.0 + np.log(2.0 * np.pi * variance))
    if reml:
        deviance += float(np.linalg.slogdet(design.X.T @ design.X)[1])
    return FixedOnly(design, "gaussian", beta, float(np.sqrt(variance)), -deviance / 2.0)


def _logistic(design: Design) -> FixedOnly:
    """Return the likelihood of a logistic regression, by statsmodels."""
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    trials = np.ones(design.n) if design.trials is None else design.trials
    counts = np.column_stack([design.y, trials - design.y])
    found = GLM(counts, design.X, family=Binomial()).fit()
    return FixedOnly(design, "binomial", np.asarray(found.params), 1.0, float(found.llf))


def _ordered(design: Design) -> FixedOnly:
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
    return FixedOnly(design, "ordinal", beta, 1.0, -float(found.fun), thresholds)
