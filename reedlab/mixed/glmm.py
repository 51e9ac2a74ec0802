"""Fit a model that is not Gaussian: Laplace over (θ, β, thresholds), with its gradient."""

from __future__ import annotations

from typing import Any

import numpy as np

from reedlab.mixed import binomial
from reedlab.mixed.blocks import Effects
from reedlab.mixed.laplace import Likelihood, Mode, find_mode, laplace_gradient
from reedlab.mixed.optimise import gradient_in_theta, minimise
from reedlab.mixed.terms import Design


class LaplaceObjective:
    """Minus the Laplace log-likelihood of x = (θ, β, extra), started from the last mode.

    Parameters
    ----------
    design : Design
    likelihood : Likelihood
    start : list of ndarray
        Where the first search for the mode starts.
    """

    def __init__(self, design: Design, likelihood: Likelihood, start: Effects) -> None:
        self.design, self.likelihood, self.v = design, likelihood, start

    def mode(self, x: np.ndarray) -> tuple[Mode, Likelihood]:
        """The mode of the random effects at x."""
        k, p = self.design.n_theta, self.design.p
        likelihood = self.likelihood.with_extra(x[k + p :])
        mode = find_mode(self.design, likelihood, x[:k], x[k : k + p], self.v)
        self.v = mode.v
        return mode, likelihood

    def __call__(self, x: np.ndarray) -> tuple[float, Effects, np.ndarray]:
        """Objective, its derivatives in each Λ, and those in (β, extra)."""
        mode, likelihood = self.mode(x)
        d_lambda, d_beta, d_extra = laplace_gradient(self.design, likelihood, mode)
        return -mode.laplace_u, [-d for d in d_lambda], -np.concatenate([d_beta, d_extra])


def fit_laplace(
    design: Design, family: str, *, quadrature: int = 1, start: np.ndarray | None = None
) -> dict[str, Any]:
    """Fit a binomial design by Laplace's approximation; see :func:`fitted.fit_design`."""
    likelihood = binomial.likelihood(design)
    theta0 = 0.5 * design.diagonal if start is None else start
    joint = binomial.joint_mode(design, theta0)
    whiten = np.linalg.inv(joint.factor.chol_beta).T
    objective = LaplaceObjective(design, likelihood, joint.v)
    scale = np.concatenate(
        [np.full(t.n_theta, 0.5 / np.sqrt(2.0 * t.n_levels)) for t in design.terms]
    )
    best = minimise(design, objective, np.concatenate([theta0, joint.beta]), scale, whiten)
    mode, _ = objective.mode(best.x)
    covariance = _covariance(design, objective, best.x, scale, whiten)
    k, p = design.n_theta, design.p
    return dict(
        design=design,
        family=family,
        theta=best.x[:k],
        beta=best.x[k : k + p],
        cov_beta=covariance[:p, :p],
        sigma=1.0,
        v=mode.v,
        factor=mode.factor,
        llf=mode.laplace_u,
        converged=best.converged,
        singular=best.singular,
        quadrature=quadrature,
    )


def _covariance(
    design: Design,
    objective: LaplaceObjective,
    x: np.ndarray,
    scale: np.ndarray,
    whiten: np.ndarray,
) -> np.ndarray:
    """Covariance of what follows θ in x, from differences of the gradient inside the bounds."""
    k = design.n_theta
    T = np.zeros((len(x), len(x)))
    T[np.arange(k), np.arange(k)] = scale
    T[k:, k:] = whiten
    free = np.flatnonzero(~(np.r_[design.diagonal, np.zeros(len(x) - k, bool)] & (x <= 0.0)))

    def gradient(at: np.ndarray) -> np.ndarray:
        _, d_lambda, d_rest = objective(at)
        return (T.T @ np.concatenate([gradient_in_theta(design, d_lambda), d_rest]))[free]

    hessian = np.empty((len(free), len(free)))
    for row, j in enumerate(free):
        h = 1e-3 * T[:, j]
        hessian[row] = (gradient(x + h) - gradient(x - h)) / 2e-3
    hessian = (hessian + hessian.T) / 2.0
    covariance = np.zeros((len(x), len(x)))
    covariance[np.ix_(free, free)] = np.linalg.inv(hessian)
    return (T @ covariance @ T.T)[k:, k:]
