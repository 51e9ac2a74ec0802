"""Responses simulated from a fitted model, for bootstraps, simulated nulls and residuals."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from reedlab.mixed.engine.fitted import Fitted


def simulate(fitted: Fitted, rng: np.random.Generator) -> np.ndarray:
    """Return one response (n,) from the fitted model, every group's effects drawn anew.

    It holds numbers, 0 and 1, counts of successes, or grades' codes, as in ``fitted.design.y``.
    """
    design = fitted.design
    eta = design.X @ fitted.beta
    if design.offset is not None:
        eta = eta + design.offset
    for term, covariance in zip(design.terms, fitted.covariances):
        theta = term.theta_from_covariance(covariance)
        effects = rng.standard_normal((term.n_levels, term.k)) @ term.lam(theta).T
        eta = eta + np.einsum("nk,nk->n", term.basis, effects[term.index])
    if fitted.family == "gaussian":
        spread = fitted.sigma if design.weights is None else fitted.sigma / np.sqrt(design.weights)
        return np.asarray(eta + spread * rng.standard_normal(design.n))
    if fitted.family == "ordinal":
        latent = eta + rng.logistic(size=design.n)
        return np.searchsorted(fitted.thresholds, latent).astype(float)
    if design.trials is None:
        return (rng.random(design.n) < expit(eta)).astype(float)
    return rng.binomial(design.trials.astype(int), expit(eta)).astype(float)
