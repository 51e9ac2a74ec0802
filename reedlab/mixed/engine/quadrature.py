"""Adaptive Gauss-Hermite quadrature, where the model has one term with one column.

The integral over each level's effect is summed over nodes laid around its mode in units of its
conditional standard deviation; one node is Laplace's approximation (Pinheiro and Bates 1995,
Journal of Computational and Graphical Statistics 4, 12-35). The gradient is exact: it follows the
modes and the conditional standard deviations as they move with the parameters.
"""

from __future__ import annotations

import numpy as np

from reedlab.elementary import normal_nodes
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.cross_products import Effects
from reedlab.mixed.engine.laplace import LaplaceObjective, Likelihood


class QuadratureObjective(LaplaceObjective):
    """Minus the log-likelihood of x = (θ, β, extra) by quadrature, of one term of one column."""

    def __init__(self, design: Design, likelihood: Likelihood, start: Effects, nodes: int) -> None:
        super().__init__(design, likelihood, start)
        self.nodes, weights = normal_nodes(nodes)
        self.log_weights = np.log(weights) + 0.5 * self.nodes**2

    def evaluate(self, x: np.ndarray) -> tuple[float, Effects, np.ndarray]:
        """Objective, its derivative in θ, and those in (β, extra).

        With v_k = m + z_k s the nodes of a level, s² = 1 / (1 + λ² Σ w) and π_k a node's share of
        the integral, the derivative is that of each node's log density with v held, weighted by π;
        then what the nodes' movement brings, through m and through s.
        """
        mode, likelihood = self.mode(x)
        cells, lam = cells_of(self.design), float(mode.factor.lambdas[0][0, 0])
        m, sd = mode.v[0][:, 0], mode.factor.head_inverse[:, 0, 0]
        basis = np.ones(self.design.n) if cells.F is None else cells.F[0]
        fixed = mode.eta - cells.expand(mode.u)

        def by_level(rows: np.ndarray) -> np.ndarray:
            return cells.by_level(0, cells.sums(rows))

        def at_rows(levels: np.ndarray) -> np.ndarray:
            return cells.spread(levels[cells.level[0]])

        # The integral of each level: nodes laid out around its mode, in units of s.
        v = m + self.nodes[:, None] * sd
        etas = [fixed + lam * basis * at_rows(row) for row in v]
        logs = self.log_weights[:, None] - 0.5 * v**2
        logs += [by_level(likelihood.row_logliks(eta)) for eta in etas]
        top = logs.max(axis=0)
        density = np.exp(logs - top)
        value = top + np.log(density.sum(axis=0)) + np.log(sd)
        share = density / density.sum(axis=0)

        scores = [likelihood.steps(eta)[1] for eta in etas]
        slope = np.array([by_level(basis * score) for score in scores])
        # What the nodes' movement brings: with m, and with s = h^-1/2 for h = 1 + λ² Σ w.
        by_m = (share * (lam * slope - v)).sum(axis=0)
        by_sd = (share * (lam * slope - v) * self.nodes[:, None]).sum(axis=0) + 1.0 / sd
        by_h = -0.5 * sd**3 * by_sd
        third = basis**2 * likelihood.third(mode.eta, mode.score, mode.weight)
        weight, bend = by_level(basis**2 * mode.weight), by_level(basis * third)
        # The mode moves with the parameters so that its own score stays 0: one adjoint a level.
        adjoint = sd**2 * (by_m + by_h * lam**3 * bend)
        total = lam**2 * at_rows(by_h) * third - lam * at_rows(adjoint) * basis * mode.weight
        total += sum(at_rows(row) * score for row, score in zip(share, scores))
        d_lambda = (share * v * slope).sum() + by_h @ (2.0 * lam * weight + lam**2 * m * bend)
        d_lambda += adjoint @ (by_level(basis * mode.score) - lam * m * weight)
        d_extra = likelihood.extra_gradient(
            mode.eta, -(lam**2) * basis**2 * at_rows(by_h), -lam * basis * at_rows(adjoint), 0.0
        )
        for eta, row in zip(etas, share):
            d_extra += likelihood.extra_gradient(eta, 0.0, 0.0, at_rows(row))
        rest = np.concatenate([cells.XT @ total, d_extra])
        return -float(value.sum()) - likelihood.constant, [np.array([[-d_lambda]])], -rest
