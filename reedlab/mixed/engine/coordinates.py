"""Coordinates in which the criterion is nearly quadratic, with θ = 0 at their end.

Take a random intercept with L levels, each level's effect seen with a noise of sd s. In a balanced
design the criterion is ``L log t + S / t²`` up to constants, with ``t² = s² + θ²``. In

    z = √(2L) log(t / s)

its curvature at the minimum is 1 whatever S is. And z = 0 is θ = 0, where the derivative in z is
that in θ² but for a factor, so that it does not vanish and either proves the zero or leaves it: in
θ itself it vanishes by symmetry, and a search creeps up to a zero that it reaches here in a step.

The entries of a Λ of several columns are searched in units of their scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reedlab.mixed.design.terms import Design

_FLOOR = 1e-4
"""In units of s, the θ at which a zero is evaluated, so that the derivative in θ² can be seen."""


@dataclass(frozen=True)
class Coordinates:
    """The way between x = (θ, others) and z of unit scale.

    Parameters
    ----------
    design : Design
    others : ndarray
        Where the others start; they have z = 0 there.
    information : float
        What a row, or a trial, tells of its effect: 1 / s² is that times a level's rows.
    scale : ndarray, shape (n_theta,)
        Unit of the entries of a Λ of several columns.
    whiten : ndarray
        Columns are steps of the others of unit scale.
    """

    design: Design
    others: np.ndarray
    information: float
    scale: np.ndarray
    whiten: np.ndarray

    @cached_property
    def scalar(self) -> np.ndarray:
        """Mask of the θ that are their term's only one."""
        return np.concatenate([np.full(t.n_theta, t.k == 1) for t in self.design.terms])

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
    def bounded(self) -> np.ndarray:
        """Mask of the z that may not be negative."""
        return np.concatenate([self.design.diagonal, np.zeros(len(self.others), dtype=bool)])

    def z(self, x: np.ndarray) -> np.ndarray:
        """Coordinates of x."""
        k = self.design.n_theta
        log = 0.5 * self.root * np.log1p((x[:k] / self.noise) ** 2)
        rest = np.linalg.solve(self.whiten, x[k:] - self.others)
        return np.concatenate([np.where(self.scalar, log, x[:k] / self.scale), rest])

    def x(self, z: np.ndarray) -> np.ndarray:
        """Parameters at z; a zero of a term with one column is moved off by a hair."""
        k = self.design.n_theta
        power = np.where(self.scalar, 2.0 * z[:k] / self.root, 0.0)
        theta = self.noise * np.sqrt(np.maximum(np.expm1(power), _FLOOR**2))
        rest = self.others + self.whiten @ z[k:]
        return np.concatenate([np.where(self.scalar, theta, z[:k] * self.scale), rest])

    def gradient(self, x: np.ndarray, d_theta: np.ndarray, d_others: np.ndarray) -> np.ndarray:
        """Carry a gradient at x = x(z) over to z."""
        theta = np.where(self.scalar, x[: len(d_theta)], 1.0)
        rate = np.where(self.scalar, (self.noise**2 + theta**2) / (theta * self.root), self.scale)
        return np.concatenate([d_theta * rate, self.whiten.T @ d_others])

    def reach(self, z: np.ndarray) -> np.ndarray:
        """How far each θ's z may go in a step.

        As far as t changes by a factor of e; in a Λ of several columns by an entry's own size, or
        by 1 where it is smaller.
        """
        size = np.maximum(1.0 / self.scale, np.abs(z[: len(self.scale)]))
        return np.where(self.scalar, self.root, size)
