"""Minimise over θ with a boundary that is the normal case.

The search runs in coordinates in which the criterion is nearly quadratic and which end where θ is
0, never in θ's logarithm. Take a random intercept with L levels, each level's effect seen with a
noise of standard deviation s. In a balanced design the criterion is ``L log t + S / t²`` up to
constants, with ``t² = s² + θ²``. In

    z = √(2L) log(t / s)

its curvature at the minimum is 1 whatever S is. And z = 0 is θ = 0, where the derivative in z is
that in θ² but for a factor, so that it does not vanish and either proves the zero or leaves it: in
θ itself it vanishes by symmetry, and a search creeps up to a zero that it reaches here in a step.

So it is with every diagonal entry of Λ that has no other below it, for the criterion is even in it;
the remaining entries of a Λ of several columns are searched in units of their scale. What proves a
zero among those is the derivative in the covariance Σ = ΛΛ' along the
directions that Σ leaves out, which is looked at when the search has ended.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cross_products import Effects

Evaluate = Callable[[np.ndarray], tuple[float, Effects, np.ndarray]]
"""x -> objective, its derivatives in each Λ, and those in what follows θ in x."""

_FLOOR, _CEILING = 1e-4, 1e5
"""In units of s, the θ at which a zero is evaluated, so that the derivative in θ² can be seen, and
the largest θ: beyond it too little is left of X in double precision, and of a residual."""

_GRADIENT, _FLAT = 1e-5, 1e-3
"""The gradient at which the search ends, and that at which it counts as converged if rounding ends
it sooner; a gradient g is g²/2 of height."""

_AT_BOUND = 1e-9
"""How far from its bound rounding leaves a coordinate that the search has brought there."""

_ZERO = 1e-4
"""The diagonal entry of Λ below which a zero is tried."""

_MAX_STEPS, _ROUNDS = 200, 6
"""Steps of a search, and searches begun anew off the boundary."""


@dataclass(frozen=True)
class Coordinates:
    """The way between x = (θ, others) and z of unit scale."""

    design: Design
    others: np.ndarray  # where the others start; they have z = 0 there
    # the information in a row, or a trial, on its effect: 1 / s² is that times a level's rows
    information: float
    scale: np.ndarray  # (n_theta,) unit of the entries of a Λ of several columns
    whiten: np.ndarray  # columns are steps of the others of unit scale

    @cached_property
    def alone(self) -> np.ndarray:
        """Mask of the θ that are the only ones in their column of Λ."""
        masks = []
        for term in self.design.terms:
            rows, cols = term.theta_rows_cols
            masks.append((rows == cols) & (not term.correlated or cols == term.k - 1))
        return np.concatenate(masks)

    @cached_property
    def root(self) -> np.ndarray:
        """√(2L) of each θ."""
        return np.concatenate(
            [np.full(t.n_theta, np.sqrt(2.0 * t.n_levels)) for t in self.design.terms]
        )

    @cached_property
    def noise(self) -> np.ndarray:
        """The s of each θ."""
        design = self.design
        rows = design.n if design.trials is None else float(design.trials.sum())
        return self.root / np.sqrt(2.0 * self.information * rows)

    @cached_property
    def lowest(self) -> np.ndarray:
        """The least z: 0 for a diagonal entry of Λ."""
        return np.concatenate(
            [np.where(self.design.diagonal, 0.0, -np.inf), np.full(len(self.others), -np.inf)]
        )

    @cached_property
    def highest(self) -> np.ndarray:
        """The greatest z."""
        log = 0.5 * self.root * np.log1p(_CEILING**2)
        return np.concatenate(
            [np.where(self.alone, log, np.inf), np.full(len(self.others), np.inf)]
        )

    def z(self, x: np.ndarray) -> np.ndarray:
        """Coordinates of x."""
        k = self.design.n_theta
        log = 0.5 * self.root * np.log1p((x[:k] / self.noise) ** 2)
        rest = np.linalg.solve(self.whiten, x[k:] - self.others)
        return np.concatenate([np.where(self.alone, log, x[:k] / self.scale), rest])

    def x(self, z: np.ndarray) -> np.ndarray:
        """Parameters at z; a zero of a term with one column is moved off by a hair."""
        k = self.design.n_theta
        power = np.where(self.alone, 2.0 * z[:k] / self.root, 0.0)
        theta = self.noise * np.sqrt(np.maximum(np.expm1(power), _FLOOR**2))
        rest = self.others + self.whiten @ z[k:]
        return np.concatenate([np.where(self.alone, theta, z[:k] * self.scale), rest])

    def gradient(self, x: np.ndarray, d_theta: np.ndarray, d_others: np.ndarray) -> np.ndarray:
        """Carry a gradient at x = x(z) over to z."""
        theta = np.where(self.alone, x[: len(d_theta)], 1.0)
        rate = np.where(self.alone, (self.noise**2 + theta**2) / (theta * self.root), self.scale)
        return np.concatenate([d_theta * rate, self.whiten.T @ d_others])


@dataclass(frozen=True)
class Optimum:
    """Where the search ended."""

    x: np.ndarray  # θ, then the other parameters
    value: float  # the objective there
    converged: bool  # whether the gradient vanished and every zero was proved
    singular: tuple[int, ...]  # terms whose Λ is rank-deficient
    zeros: np.ndarray  # (n_theta,) the θ whose zero the search proved
    unbounded: bool  # whether a θ grew to the largest one that is searched


def minimise(
    design: Design,
    evaluate: Evaluate,
    start: np.ndarray,
    scale: np.ndarray,
    information: float = 1.0,
    whiten: np.ndarray | None = None,
) -> Optimum:
    """Minimise an objective of x = (θ, others), given with its derivatives by `evaluate`.

    `scale` (n_theta,) is how far each θ is expected to move, `information` about that in a row, or
    a trial, on its random effect. The others are ``start + whiten @ z`` with z of unit scale.
    """
    if not len(start):  # a Gaussian model without random terms
        return Optimum(start, evaluate(start)[0], True, (), np.zeros(0, dtype=bool), False)
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
    rank = [
        np.abs(np.diag(lam)).min(initial=np.inf) == 0.0
        for lam in design.lambdas(x[: design.n_theta])
    ]
    singular = tuple(int(t) for t in np.flatnonzero(rank))
    converged = outcome.converged and released is None
    return Optimum(x, value, converged, singular, outcome.zeros, outcome.unbounded)


def theta_scale(design: Design) -> np.ndarray:
    """How far each θ is expected to move: about the standard error of a well-determined one."""
    return np.concatenate(
        [np.full(t.n_theta, 1.0 / np.sqrt(2.0 * t.n_levels)) for t in design.terms]
    )


def _descend(evaluate: Evaluate, start: np.ndarray, coordinates: Coordinates) -> Optimum:
    """Search from one start by L-BFGS-B, whose bounds are the zeros of θ.

    In these coordinates the objective's curvature is near 1 in every direction, so that the
    search's first metric, the identity, is a good one.
    """
    from scipy.optimize import Bounds, minimize

    k = coordinates.design.n_theta

    def objective(z: np.ndarray) -> tuple[float, np.ndarray]:
        x = coordinates.x(z)
        value, d_lambda, d_rest = evaluate(x)
        d_theta = gradient_in_theta(coordinates.design, d_lambda)
        return value, coordinates.gradient(x, d_theta, d_rest)

    found = minimize(
        objective,
        coordinates.z(start),
        jac=True,
        method="L-BFGS-B",
        bounds=Bounds(coordinates.lowest, coordinates.highest),
        options={"maxcor": 20, "ftol": 0.0, "gtol": _GRADIENT, "maxiter": _MAX_STEPS},
    )
    z, gradient = found.x, found.jac
    held = (z <= coordinates.lowest + _AT_BOUND) & (gradient >= 0.0)
    steepest = np.abs(gradient[~held]).max(initial=0.0)
    unbounded = bool((z >= coordinates.highest).any())
    zeros = coordinates.alone & held[:k]
    return Optimum(coordinates.x(z), float(found.fun), bool(steepest < _FLAT), (), zeros, unbounded)


def gradient_in_theta(design: Design, d_lambda: Effects) -> np.ndarray:
    """Pick the derivatives in θ out of those in the entries of Λ."""
    return np.concatenate([d[t.theta_rows_cols] for t, d in zip(design.terms, d_lambda)])


def _snap(design: Design, evaluate: Evaluate, at: Optimum) -> tuple[np.ndarray, float]:
    """Set proved zeros, and a vanishing diagonal entry where that costs nothing."""
    x, value, k = at.x, at.value, design.n_theta
    if at.zeros.any():
        x = np.concatenate([np.where(at.zeros, 0.0, x[:k]), x[k:]])
        value = evaluate(x)[0]
    size = float(np.abs(x[:k]).max(initial=1.0))
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
        if np.diag(lam).min(initial=np.inf) > 0.0 or zeros[share].all():
            continue
        # d/dΣ, from d/dΛ = 2 (d/dΣ) Λ at a Σ lifted by a hair so that Λ has an inverse.
        sigma, step = lam @ lam.T, float(scale[share].max())
        nudged = x.copy()
        lift = max(1e-6 * step**2, 1e-12 * float(np.trace(sigma)))
        nudged[share] = term.theta_from_covariance(sigma + lift * np.eye(term.k))
        d_lambda = evaluate(nudged)[1][t]
        slope = 0.5 * d_lambda @ np.linalg.inv(term.lam(nudged[share]))
        for direction in _left_out(lam, slope, term.correlated):
            if direction @ slope @ direction * step**2 > -1e-6:
                continue
            # Σ + l² d d' goes downhill for small l: look how far.
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
