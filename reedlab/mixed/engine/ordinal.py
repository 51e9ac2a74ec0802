"""Ordered grades, by a cumulative logit.

``P(grade <= k) = logit^-1(α_k - η)`` with thresholds α_1 < ... < α_{K-1} and no intercept in η, as
R's ordinal::clmm has it: a positive coefficient goes with higher grades. Thresholds are estimated
as the first one and the logarithms of the steps between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar

import numpy as np
from scipy.special import expit, log_expit, logit

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.laplace import Rows


@dataclass(frozen=True)
class CumulativeLogit:
    """Graded rows in cell order."""

    grade: np.ndarray  # (n,) grades from 0
    phi: np.ndarray  # (K - 1,) the first threshold and the logarithms of the steps to the next
    constant: ClassVar[float] = 0.0

    @property
    def n_extra(self) -> int:
        """Number of thresholds."""
        return len(self.phi)

    @cached_property
    def bounds(self) -> np.ndarray:
        """Thresholds with -inf before and +inf behind; (K + 1,)."""
        return np.concatenate([[-np.inf], cut_points(self.phi), [np.inf]])

    def with_extra(self, extra: np.ndarray) -> CumulativeLogit:
        """Give the same rows at other thresholds."""
        return replace(self, phi=np.asarray(extra, dtype=float))

    def _at_most(self, eta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Probability of a grade no higher than the row's, and of one lower."""
        upper, lower = self.bounds[self.grade + 1], self.bounds[self.grade]
        return expit(upper - eta), expit(lower - eta)

    def steps(self, eta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log-likelihood, score and weight of each row."""
        F, E = self._at_most(eta)
        loglik = float(self.row_logliks(eta).sum())
        return loglik, F + E - 1.0, F * (1.0 - F) + E * (1.0 - E)

    def row_logliks(self, eta: np.ndarray) -> np.ndarray:
        """Give each row's log-likelihood."""
        upper, lower = self.bounds[self.grade + 1], self.bounds[self.grade]
        # F - E = F (1 - E) (1 - exp(lower - upper)), which loses nothing to cancellation.
        return log_expit(upper - eta) + log_expit(eta - lower) + np.log1p(-np.exp(lower - upper))

    def third(self, eta: np.ndarray, score: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Differentiate the weights in η."""
        F, E = self._at_most(eta)
        return -_bend(F) - _bend(E)

    def extra_gradient(
        self, eta: np.ndarray, half_leverage: Rows, shift: Rows, share: Rows = 1.0
    ) -> np.ndarray:
        """Sum over rows of share dl - half_leverage dw - shift dr, by each of φ."""
        F, E = self._at_most(eta)
        with np.errstate(over="ignore"):
            between = 1.0 / np.expm1(self.bounds[self.grade + 1] - self.bounds[self.grade])
        by_upper = share * ((1.0 - F) + between) - half_leverage * _bend(F) - shift * F * (1.0 - F)
        by_lower = -share * (E + between) - half_leverage * _bend(E) - shift * E * (1.0 - E)
        size = len(self.bounds)
        by_bound = np.bincount(self.grade + 1, by_upper, size)
        by_bound += np.bincount(self.grade, by_lower, size)
        return by_bound[1:-1] @ cut_jacobian(self.phi)


def _bend(F: np.ndarray) -> np.ndarray:
    """Second derivative of the logistic distribution function where it is F."""
    return F * (1.0 - F) * (1.0 - 2.0 * F)


def cut_points(phi: np.ndarray) -> np.ndarray:
    """Find the thresholds (K - 1,) from the first one and the logarithms of the steps."""
    return np.cumsum(np.concatenate([phi[:1], np.exp(phi[1:])]))


def cut_parameters(cuts: np.ndarray) -> np.ndarray:
    """Find the first threshold and the logarithms of the steps: the inverse of `cut_points`."""
    return np.concatenate([cuts[:1], np.log(np.diff(cuts))])


def cut_jacobian(phi: np.ndarray) -> np.ndarray:
    """Differentiate the thresholds (rows) by their parameters (columns)."""
    out = np.tril(np.ones((len(phi), len(phi))))
    out[:, 1:] *= np.exp(phi[1:])
    return out


def likelihood(design: Design) -> CumulativeLogit:
    """Set up the likelihood of a design's grades, its thresholds at the grades' frequencies."""
    grade = design.y[cells_of(design).order].astype(np.intp)
    counts = np.bincount(grade, minlength=len(design.grades))
    cuts = logit(np.cumsum(counts)[:-1] / counts.sum())
    return CumulativeLogit(grade, cut_parameters(cuts))
