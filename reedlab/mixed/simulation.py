"""Responses made up from a fitted model, for bootstraps, simulated nulls and residuals."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from reedlab.mixed.fitted import Fitted
from reedlab.mixed.terms import Design


def linear_predictor(
    design: Design, beta: np.ndarray, covariances: list[np.ndarray], rng: np.random.Generator
) -> np.ndarray:
    """Return Xβ plus effects drawn anew for every level, shape (n,)."""
    eta = design.X @ beta
    for term, covariance in zip(design.terms, covariances):
        theta = term.theta_from_covariance(covariance)
        effects = rng.standard_normal((term.n_levels, term.k)) @ term.lam(theta).T
        eta = eta + np.einsum("nk,nk->n", term.basis, effects[term.index])
    return eta


def respond(
    eta: np.ndarray,
    family: str,
    rng: np.random.Generator,
    sigma: float = 1.0,
    trials: np.ndarray | None = None,
    thresholds: np.ndarray | None = None,
) -> np.ndarray:
    """Return one response for each linear predictor, by the family's distribution."""
    if family == "gaussian":
        return eta + sigma * rng.standard_normal(eta.shape)
    if family == "binomial":
        if trials is None:
            return (rng.random(eta.shape) < expit(eta)).astype(float)
        return rng.binomial(trials.astype(int), expit(eta)).astype(float)
    assert thresholds is not None
    latent = eta + rng.logistic(size=eta.shape)
    return np.searchsorted(thresholds, latent).astype(float)


def simulate(fitted: Fitted, rng: np.random.Generator) -> np.ndarray:
    """Return one response (n,) from the fitted model, every group's effects drawn anew."""
    eta = linear_predictor(fitted.design, fitted.beta, fitted.covariances, rng)
    return respond(eta, fitted.family, rng, fitted.sigma, fitted.design.trials, fitted.thresholds)
