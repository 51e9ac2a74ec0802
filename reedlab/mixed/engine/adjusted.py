"""Rows of a family with an offset and with weights, where a model has them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.laplace import Likelihood, Rows


@dataclass(frozen=True)
class Adjusted:
    """A family's rows, each at η plus its offset and counted by its weight."""

    rows: Likelihood  # the family's own rows, in cell order
    offset: np.ndarray  # (n,) in cell order
    weight: np.ndarray  # (n,) in cell order

    @property
    def n_extra(self) -> int:
        """Number of parameters beside θ and β."""
        return self.rows.n_extra

    @property
    def constant(self) -> float:
        """What the log-likelihood holds beside the rows' shares."""
        return self.rows.constant

    def with_extra(self, extra: np.ndarray) -> Adjusted:
        """Give the same rows at other values of the extra parameters."""
        return replace(self, rows=self.rows.with_extra(extra))

    def steps(self, eta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log-likelihood, score and weight of each row."""
        _, score, weight = self.rows.steps(eta + self.offset)
        loglik = float(self.row_logliks(eta).sum()) + self.constant
        return loglik, self.weight * score, self.weight * weight

    def row_logliks(self, eta: np.ndarray) -> np.ndarray:
        """Give each row's log-likelihood, without the constant."""
        return self.weight * self.rows.row_logliks(eta + self.offset)

    def log_likelihoods(self, eta: np.ndarray) -> np.ndarray:
        """Log-likelihoods (S,), without the constant, at many η (S, n)."""
        return np.asarray(self.row_logliks(eta).sum(axis=1))

    def third(self, eta: np.ndarray, score: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Differentiate the weights in η."""
        own = score / self.weight, weight / self.weight
        return self.weight * self.rows.third(eta + self.offset, *own)

    def extra_gradient(
        self, eta: np.ndarray, half_leverage: Rows, shift: Rows, share: Rows = 1.0
    ) -> np.ndarray:
        """Sum over rows of share dl - half_leverage dw - shift dr, by each extra parameter."""
        w = self.weight
        return self.rows.extra_gradient(eta + self.offset, w * half_leverage, w * shift, w * share)


def adjusted(rows: Any, design: Design, order: np.ndarray | None = None) -> Any:
    """Give rows the offset and the weights of their design; as they are where it has neither.

    `order` is the design's row that each belongs to; they are in cell order unless given.
    """
    if design.offset is None and design.weights is None:
        return rows
    order = cells_of(design).order if order is None else order
    offset = np.zeros(len(order)) if design.offset is None else design.offset[order]
    weight = np.ones(len(order)) if design.weights is None else design.weights[order]
    return Adjusted(rows, offset, weight)
