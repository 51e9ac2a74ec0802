"""Fit a model that is not Gaussian: maximise over (θ, β, thresholds)."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Any

import numpy as np

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine import binomial, ordinal
from reedlab.mixed.engine.adjusted import adjusted
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.cholesky import Factor
from reedlab.mixed.engine.cross_products import Effects
from reedlab.mixed.engine.laplace import LaplaceObjective, Likelihood, find_mode
from reedlab.mixed.engine.optimise import Evaluate, gradient_in_theta, minimise, theta_scale
from reedlab.mixed.engine.quadrature import QuadratureObjective
from reedlab.mixed.engine.standardise import Standardised

_INFORMATION = 0.2
"""About the weight of a row or a trial on the logit scale: p (1 - p) for most p."""


def likelihood_of(design: Design, family: str) -> Likelihood:
    """Set up the likelihood of a design's rows."""
    rows = binomial.likelihood(design) if family == "binomial" else ordinal.likelihood(design)
    return adjusted(rows, design)


def fit_glmm(
    given: Design,
    inner: Standardised,
    family: str,
    quadrature: int = 1,
    start: np.ndarray | None = None,
) -> dict[str, Any]:
    """Fit a binomial or ordinal design; return the fields of `Fitted` by name.

    `inner` is the `given` design on standardised bases, where the search runs and θ starts.
    """
    design = inner.design
    if quadrature > 1 and (len(design.terms) > 1 or design.terms[0].k > 1):
        raise ModelError(
            "Quadrature needs a model with one random intercept; leave quadrature= out for Laplace."
        )
    likelihood, k, p = likelihood_of(design, family), design.n_theta, design.p
    theta = 0.5 * design.diagonal if start is None else start
    scale = 0.5 * theta_scale(design)
    rest, whiten, laplace = _start(design, family, likelihood, theta)
    objective: LaplaceObjective | QuadratureObjective = laplace
    if start is None and laplace.factor is not None:
        theta = _alike(design, theta, laplace.v, laplace.factor)
    best = minimise(design, objective, np.concatenate([theta, rest]), scale, _INFORMATION, whiten)
    if quadrature > 1:
        objective = QuadratureObjective(design, likelihood, laplace.v, quadrature)
        best = minimise(design, objective, best.x, scale, _INFORMATION, whiten)
    T = np.zeros((len(best.x), len(best.x)))
    T[np.arange(k), np.arange(k)] = scale
    T[k:, k:] = whiten
    at_bound = np.append(design.diagonal, np.zeros(len(rest), dtype=bool)) & (best.x <= 0.0)
    mode, likelihood = objective.mode(best.x)
    theta = inner.back(best.x[:k])
    if given is not design:
        mode = find_mode(given, likelihood, theta, best.x[k : k + p])
    return dict(
        design=given,
        family=family,
        theta=theta,
        beta=best.x[k : k + p],
        sigma=1.0,
        v=mode.v,
        factor=mode.factor,
        llf=-best.value,
        converged=best.converged,
        singular=best.singular,
        quadrature=quadrature,
        thresholds=ordinal.cut_points(best.x[k + p :]),
        curvature=Curvature(objective, best.x, T, np.flatnonzero(~at_bound)),
    )


def _start(
    design: Design, family: str, likelihood: Likelihood, theta: np.ndarray
) -> tuple[np.ndarray, np.ndarray, LaplaceObjective]:
    """Where β and the thresholds start, their unit steps, and the objective made ready there."""
    zero = [np.zeros((t.n_levels, t.k)) for t in design.terms]
    if family == "binomial":
        # A step of squared length d is followed by one of about 20 d² / n, so the last is taken
        # without a look at where it leads.
        at, close = np.zeros(design.p), 0.03 * np.sqrt(design.n)
        joint = find_mode(design, likelihood, theta, at, zero, free_beta=True, tolerance=close)
        g_v = [z @ lam - a for z, lam, a in zip(joint.z_score, joint.factor.lambdas, joint.v)]
        step_v, step_beta = joint.factor.solve(g_v, cells_of(design).XT @ joint.score)
        v = [a + d for a, d in zip(joint.v, step_v)]
        objective = LaplaceObjective(design, likelihood, v, joint.factor.of_effects())
        return joint.beta + step_beta, np.linalg.inv(joint.factor.chol_beta).T, objective
    x = np.concatenate([theta, np.zeros(design.p), ordinal.likelihood(design).phi])
    objective, k = LaplaceObjective(design, likelihood, zero), design.n_theta
    size = np.sqrt(np.einsum("np,np->p", design.X, design.X))
    unit = np.diag(np.concatenate([1.0 / size, np.full(len(x) - k - design.p, design.n**-0.5)]))
    return x[k:], unit @ _root_of_inverse(_hessian(objective, x, k, unit), 1e-4), objective


def _alike(design: Design, theta: np.ndarray, v: Effects, factor: Factor) -> np.ndarray:
    """Take one step towards the θ at which random effects vary as much as they are said to.

    The mean of v² over a term's levels, plus what each is uncertain by, is 1 at the optimum, about;
    θ times its root is where the search starts. A level's uncertainty is that of its own rows.
    """
    out = theta.copy()
    for t, (share, lam) in enumerate(zip(design.shares, factor.lambdas)):
        if len(lam) == 1:
            uncertain = 1.0 / (1.0 + lam[0, 0] ** 2 * factor.cross.own_weights(t))
            out[share] *= np.sqrt(np.mean(v[t][:, 0] ** 2 + uncertain))
    return out


def _hessian(objective: Evaluate, x: np.ndarray, k: int, unit: np.ndarray) -> np.ndarray:
    """Second derivatives in what follows θ, in steps of ``unit``, from the gradient."""
    out = np.empty_like(unit)
    for j, column in enumerate(unit.T):
        h = np.concatenate([np.zeros(k), 0.01 * column])
        out[j] = (objective(x + h)[2] - objective(x - h)[2]) @ unit / 0.02
    return (out + out.T) / 2.0


def _root_of_inverse(hessian: np.ndarray, floor: float) -> np.ndarray:
    """Find a T with T T' the inverse of a Hessian, small or negative curvatures lifted."""
    values, vectors = np.linalg.eigh(hessian)
    return vectors / np.sqrt(np.maximum(values, floor * max(float(values[-1]), 1e-12)))


@dataclass(frozen=True)
class Curvature:
    """The objective around its minimum, from which standard errors come when they are asked for."""

    # :class:`LaplaceObjective` or :class:`QuadratureObjective`
    objective: LaplaceObjective | QuadratureObjective
    x: np.ndarray  # the minimum, (θ, β, extra)
    T: np.ndarray  # (len(x) columns are steps of about one standard error
    free: np.ndarray  # parameters that are not at a bound

    def covariance(self) -> np.ndarray:
        """Covariance of all parameters, the inverse of the Hessian inside the bounds.

        The Hessian is a difference of exact gradients over steps of a ten-thousandth of a
        standard error; parameters at a bound have no variance.
        """
        base, h = self._gradient(self.objective, self.x), 1e-4

        def slope(j: int) -> np.ndarray:
            shifted = self._gradient(copy(self.objective), self.x + h * self.T[:, j])
            return (shifted - base) / h

        hessian = np.array([slope(j) for j in self.free])
        covariance = np.zeros_like(self.T)
        root = _root_of_inverse((hessian + hessian.T) / 2.0, 1e-9)
        covariance[np.ix_(self.free, self.free)] = root @ root.T
        return self.T @ covariance @ self.T.T

    def _gradient(self, objective: LaplaceObjective, x: np.ndarray) -> np.ndarray:
        _, d_lambda, d_rest = objective(x)
        d_theta = gradient_in_theta(objective.design, d_lambda)
        return (self.T.T @ np.concatenate([d_theta, d_rest]))[self.free]
