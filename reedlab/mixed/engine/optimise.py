"""Minimise over θ with a boundary that is the normal case.

The search runs in coordinates that end where θ is 0 (:mod:`reedlab.mixed.engine.coordinates`),
never in θ's logarithm. At a zero the derivative in θ vanishes by symmetry and proves nothing; what
proves a zero is the derivative in the covariance Σ = ΛΛ' along the directions that Σ leaves out.
For one column that is the one-sided derivative in θ², which the search itself sees.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.coordinates import Coordinates
from reedlab.mixed.engine.cross_products import Effects

Evaluate = Callable[[np.ndarray], tuple[float, Effects, np.ndarray]]
"""x -> objective, its derivatives in each Λ, and those in what follows θ in x."""

_ZERO = 1e-4
_ROUNDS = 6
_MAX_STEPS = 200
_PROMISE = 1e-11
_FLAT = 1e-4
_NEARLY_FLAT = 1e-3
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Optimum:
    """Where the search ended.

    Parameters
    ----------
    x : ndarray
        θ, then the other parameters.
    value : float
        The objective there.
    converged : bool
        Whether the gradient vanished and every zero was proved.
    singular : tuple of int
        Terms whose Λ is rank-deficient.
    message : str
        The optimiser's word where it did not converge.
    zeros : ndarray of bool, shape (n_theta,)
        The θ whose zero the search proved.
    """

    x: np.ndarray
    value: float
    converged: bool
    singular: tuple[int, ...]
    message: str
    zeros: np.ndarray


def minimise(
    design: Design,
    evaluate: Evaluate,
    start: np.ndarray,
    scale: np.ndarray,
    information: float = 1.0,
    whiten: np.ndarray | None = None,
) -> Optimum:
    """Minimise an objective of (θ, others).

    Parameters
    ----------
    design : Design
    evaluate : callable
        Objective and derivatives at x.
    start : ndarray
        Where to begin.
    scale : ndarray, shape (n_theta,)
        How far each θ is expected to move.
    information : float
        About how much a row, or a trial, tells of its random effect.
    whiten : ndarray, shape (m, m), optional
        The other parameters are ``start + whiten @ z`` with z of unit scale.

    Returns
    -------
    Optimum
    """
    x, others = np.array(start, dtype=float), start[design.n_theta :]
    steps = np.eye(len(others)) if whiten is None else whiten
    coordinates = Coordinates(design, others, information, scale, steps)
    outcome = _descend(evaluate, x, coordinates)
    for _ in range(_ROUNDS):
        x, value = _snap(design, evaluate, outcome)
        released = _release(design, evaluate, x, value, scale, outcome.zeros)
        if released is None:
            break
        outcome = _descend(evaluate, released, coordinates)
    rank = [np.abs(np.diag(lam)).min() == 0.0 for lam in design.lambdas(x[: design.n_theta])]
    singular = tuple(int(t) for t in np.flatnonzero(rank))
    converged = outcome.converged and released is None
    return Optimum(x, value, converged, singular, outcome.message, outcome.zeros)


def theta_scale(design: Design) -> np.ndarray:
    """How far each θ is expected to move: about the sd of a well-determined one."""
    return np.concatenate(
        [np.full(t.n_theta, 1.0 / np.sqrt(2.0 * t.n_levels)) for t in design.terms]
    )


def _descend(evaluate: Evaluate, start: np.ndarray, coordinates: Coordinates) -> Optimum:
    """Run projected BFGS from one start.

    In its coordinates the objective's curvature is near 1 in every direction, so the search
    starts from the identity and its first steps are close to Newton's.
    """
    design, bounded, k = coordinates.design, coordinates.bounded, coordinates.design.n_theta
    walked = bounded.copy()
    walked[:k] &= ~coordinates.scalar

    def objective(z: np.ndarray) -> tuple[float, np.ndarray]:
        x = coordinates.x(z)
        value, d_lambda, d_rest = evaluate(x)
        return value, coordinates.gradient(x, gradient_in_theta(design, d_lambda), d_rest)

    z = coordinates.z(start)
    value, gradient = objective(z)
    B, fresh, message = np.eye(len(z)), True, "The steps ran out."
    for _ in range(_MAX_STEPS):
        free = ~(bounded & (z <= 0.0) & (gradient >= 0.0))
        step = np.zeros(len(z))
        step[free] = -np.linalg.solve(B[np.ix_(free, free)], gradient[free])
        promise, steepest = -float(gradient @ step), np.abs(gradient[free]).max(initial=0.0)
        if promise < _PROMISE + 1e-15 * abs(value):
            if steepest < _FLAT:
                message = ""
                break
            B, fresh = np.eye(len(z)), True  # the metric is spoilt: start it anew
            continue
        step *= min(1.0, float((coordinates.reach(z) / np.maximum(np.abs(step[:k]), 1e-300)).min()))
        lowest = np.where(bounded, 0.0, -np.inf)
        if walked.any():
            # A zero of a Λ of several columns is walked up to: its derivative there tells nothing.
            afar = walked & (coordinates.x(z) > 0.1)
            lowest[afar] = 0.3 * z[afar]
        found = _search(objective, z, value, gradient, step, lowest)
        if found is None and not fresh:
            B, fresh = np.eye(len(z)), True
            continue
        if found is None:
            message = "" if steepest < _NEARLY_FLAT else "No step was downhill."
            break
        z_new, value, gradient_new = found
        B, fresh = _update(B, z_new - z, gradient_new - gradient), False
        z, gradient = z_new, gradient_new
    zeros = coordinates.scalar & (z[:k] <= 0.0) & (gradient[:k] >= 0.0)
    return Optimum(coordinates.x(z), value, not message, (), message, zeros)


def _search(
    objective: Callable[[np.ndarray], tuple[float, np.ndarray]],
    z: np.ndarray,
    value: float,
    gradient: np.ndarray,
    step: np.ndarray,
    lowest: np.ndarray,
) -> tuple[np.ndarray, float, np.ndarray] | None:
    """Shorten a step, bent at the lowest values allowed, until the objective comes down."""
    length = 1.0
    for _ in range(25):
        there = np.maximum(z + length * step, lowest)
        promised = float(gradient @ (there - z))
        value_there, gradient_there = objective(there)
        gain = value_there - value
        if gain <= 1e-4 * promised or (gain <= _ROUNDING and abs(promised) < _ROUNDING):
            return there, value_there, gradient_there
        curvature = 2.0 * (gain - promised)
        best = -promised / curvature if np.isfinite(curvature) and curvature > 0.0 else 0.5
        length *= min(0.5, max(0.1, best))
    return None


def _update(B: np.ndarray, s: np.ndarray, y: np.ndarray) -> np.ndarray:
    """BFGS update of the metric, damped as Powell has it so that it stays positive."""
    Bs = B @ s
    sBs = float(s @ Bs)
    if sBs <= 0.0:
        return B
    sy = float(s @ y)
    if sy < 0.01 * sBs:
        y = y + (0.99 * sBs / (sBs - sy)) * (Bs - y)
        sy = float(s @ y)
    return B - np.outer(Bs, Bs) / sBs + np.outer(y, y) / sy


def gradient_in_theta(design: Design, d_lambda: Effects) -> np.ndarray:
    """Pick the derivatives in θ out of those in the entries of Λ."""
    return np.concatenate([d[t.theta_rows_cols] for t, d in zip(design.terms, d_lambda)])


def _snap(design: Design, evaluate: Evaluate, at: Optimum) -> tuple[np.ndarray, float]:
    """Set proved zeros, and a vanishing diagonal entry where that costs nothing."""
    x, value, k = at.x, at.value, design.n_theta
    if at.zeros.any():
        x = np.concatenate([np.where(at.zeros, 0.0, x[:k]), x[k:]])
        value = evaluate(x)[0]
    size = max(1.0, float(np.abs(x[:k]).max()))
    small = np.flatnonzero(design.diagonal & (x[:k] < _ZERO * size) & (x[:k] > 0.0))
    for j in small:
        trial = x.copy()
        trial[j] = 0.0
        there = evaluate(trial)[0]
        if there <= value + 1e-9:
            x, value = trial, min(there, value)
    return x, value


def _release(
    design: Design,
    evaluate: Evaluate,
    x: np.ndarray,
    value: float,
    scale: np.ndarray,
    zeros: np.ndarray,
) -> np.ndarray | None:
    """Find a point off the boundary that is better, if the derivative in Σ promises one."""
    for t, (term, share) in enumerate(zip(design.terms, design.shares)):
        lam = term.lam(x[share])
        if np.diag(lam).min() > 0.0 or zeros[share].all():
            continue
        sigma, step = lam @ lam.T, float(scale[share].max())
        nudged = x.copy()
        nudged[share] = term.theta_from_covariance(sigma + 1e-6 * step**2 * np.eye(term.k))
        d_lambda = evaluate(nudged)[1][t]
        slope = 0.5 * d_lambda @ np.linalg.inv(term.lam(nudged[share]))
        for direction in _left_out(lam, slope, term.correlated):
            if direction @ slope @ direction * step**2 > -1e-6:
                continue
            for length in (1.0, 0.3, 0.1, 0.03):
                trial = x.copy()
                trial[share] = term.theta_from_covariance(
                    sigma + (length * step) ** 2 * np.outer(direction, direction)
                )
                if evaluate(trial)[0] < value - 1e-9:
                    return trial
    return None


def _left_out(lam: np.ndarray, slope: np.ndarray, correlated: bool) -> list[np.ndarray]:
    """Directions that Σ leaves out, the steepest descent among them first."""
    if not correlated:
        return [np.eye(len(lam))[j] for j in np.flatnonzero(np.diag(lam) == 0.0)]
    values, vectors = np.linalg.eigh(lam @ lam.T)
    null = vectors[:, values <= 1e-12 * max(values[-1], 1.0)]
    inner = null.T @ (slope + slope.T) @ null / 2.0
    return [null @ direction for direction in np.linalg.eigh(inner)[1].T[:1]]
