"""Adaptive Gauss-Hermite quadrature, where the model has one term with one column.

The integral over each level's effect is summed over nodes laid around its mode in units of its
conditional sd; one node is Laplace's approximation (Pinheiro and Bates 1995, Journal of
Computational and Graphical Statistics 4, 12-35). The gradient is taken by central differences.
"""

from __future__ import annotations

import numpy as np

from reedlab.mixed.blocks import Effects
from reedlab.mixed.laplace import LaplaceObjective, Likelihood
from reedlab.mixed.terms import Design

_STEP = 1e-5


class QuadratureObjective(LaplaceObjective):
    """Minus the log-likelihood of x = (θ, β, extra) by quadrature.

    Parameters
    ----------
    design : Design
        With one random term of one column.
    likelihood : Likelihood
    start : list of ndarray
        Where the first search for the modes starts.
    nodes : int
        Number of nodes.
    steps : ndarray, shape (len(x),)
        The scale of each parameter, for the differences.
    """

    def __init__(
        self,
        design: Design,
        likelihood: Likelihood,
        start: Effects,
        nodes: int,
        steps: np.ndarray,
    ) -> None:
        super().__init__(design, likelihood, start)
        self.steps = steps
        self.nodes, weights = np.polynomial.hermite_e.hermegauss(nodes)
        self.log_weights = np.log(weights / np.sqrt(2.0 * np.pi)) + 0.5 * self.nodes**2

    def loglik(self, x: np.ndarray) -> float:
        """Log-likelihood at x."""
        mode, likelihood = self.mode(x)
        cells, lam = self.design.cells, mode.factor.lambdas[0]
        sd = mode.factor.head_inverse[:, :, 0]
        fixed = mode.eta - cells.expand(mode.u)
        logs = np.empty((len(self.nodes), len(sd)))
        for row, (node, weight) in enumerate(zip(self.nodes, self.log_weights)):
            v = mode.v[0] + node * sd
            rows = likelihood.row_logliks(fixed + cells.expand([v @ lam.T]))
            by_level = np.bincount(cells.level[0], cells.sums(rows), len(sd))
            logs[row] = weight + by_level - 0.5 * v[:, 0] ** 2
        top = logs.max(axis=0)
        by_level = top + np.log(np.exp(logs - top).sum(axis=0)) + np.log(sd[:, 0])
        return float(by_level.sum()) + likelihood.constant

    def __call__(self, x: np.ndarray) -> tuple[float, Effects, np.ndarray]:
        """Objective, its derivative in θ, and those in (β, extra), by central differences."""
        gradient = np.empty(len(x))
        for j, scale in enumerate(self.steps):
            h = np.zeros(len(x))
            h[j] = _STEP * scale
            # The likelihood is even in θ, so a step below zero is one above it.
            low = x - h
            low[0] = abs(low[0])
            gradient[j] = (self.loglik(low) - self.loglik(x + h)) / (2.0 * h[j])
        return -self.loglik(x), [gradient[:1].reshape(1, 1)], gradient[1:]
