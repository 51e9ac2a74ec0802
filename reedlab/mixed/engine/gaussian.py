"""Gaussian responses: the deviance profiled over β and σ, by REML or ML.

θ is relative to the residual's standard deviation σ. With r the penalised residual sum of squares
at the solution of the normal equations, the deviance is ``log det H_u + n (1 + log(2π r / n))`` by
ML; by REML the log-determinant is that of H with β's part and n is n - p (Bates, Mächler, Bolker
and Walker 2015, Journal of Statistical Software 67(1), section 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.cholesky import Factor, factorise
from reedlab.mixed.engine.cross_products import Effects, cross_products
from reedlab.mixed.engine.inverse import invert

NO_RESIDUAL = (
    "The response is explained without any residual, so there is no variance to estimate; leave "
    "out a term."
)


@dataclass(frozen=True)
class Profile:
    """The profiled fit at one θ."""

    theta: np.ndarray  # (n_theta,)
    deviance: float  # minus twice the (restricted) log-likelihood
    beta: np.ndarray  # (p,)
    v: Effects  # each (levels, k) standardised modes; the random effects are Λ v
    rss: float  # penalised residual sum of squares
    sigma: float  # the residual's standard deviation
    factor: Factor


class GaussianProfile:
    """Cross-products of a design, taken once, and the deviance at any θ.

    The response is taken less its least-squares fit on X, so that nothing is lost to cancellation
    when its mean is large. Weights and offset are in the rows of ``design.whitened``.
    """

    def __init__(self, design: Design, reml: bool) -> None:
        weights, design = design.weights, design.whitened
        self.design, self.reml = design, reml
        self.log_weights = 0.0 if weights is None else float(np.log(weights).sum())
        cells = cells_of(design)
        self.cross = cross_products(cells, None, True)
        # β = b₀ + b: only b, the rest of a least-squares fit, is solved for below.
        y = design.y[cells.order]
        self.base = np.linalg.lstsq(cells.XT @ cells.XT.T, cells.XT @ y, rcond=None)[0]
        y = y - self.base @ cells.XT
        self.zy, self.xy, self.yy = cells.project(y), cells.XT @ y, float(y @ y)
        self.df = design.n - design.p if reml else design.n

    def at(self, theta: np.ndarray) -> Profile:
        """Solve the normal equations at θ."""
        lambdas = self.design.lambdas(theta)
        try:
            factor = factorise(self.cross, lambdas)
        except np.linalg.LinAlgError as error:
            raise ModelError(
                "The fixed effects' columns cannot be distinguished; leave out the one that "
                "repeats others."
            ) from error
        rhs = [z @ lam for z, lam in zip(self.zy, lambdas)]
        v, beta = factor.solve(rhs, self.xy)
        # Penalised residual sum of squares: |y|² less what the normal equations explain.
        explained = sum(float((a * b).sum()) for a, b in zip(rhs, v)) + float(self.xy @ beta)
        rss = self.yy - explained
        if not rss > 1e-13 * self.yy:
            raise ModelError(NO_RESIDUAL)
        # Part 1: the log-determinant of the random effects' block; part 2: β and σ profiled out.
        deviance = factor.logdet_u + self.df * (1.0 + np.log(2.0 * np.pi * rss / self.df))
        deviance -= self.log_weights
        if self.reml:  # part 3: β integrated out, the log-determinant of its precision
            deviance += factor.logdet_x
        return Profile(
            theta, float(deviance), self.base + beta, v, rss, float(np.sqrt(rss / self.df)), factor
        )

    def deviance(self, at: Profile, sigma: float) -> float:
        """Minus twice the (restricted) log-likelihood at a σ that need not be the best one."""
        log_det = at.deviance - self.df * (1.0 + np.log(2.0 * np.pi * at.rss / self.df))
        return float(log_det + self.df * np.log(2.0 * np.pi * sigma**2) + at.rss / sigma**2)

    def gradient(self, at: Profile, sigma: float | None = None) -> Effects:
        """Differentiate the deviance by the entries of each Λ, at the best σ or a given one.

        The log-determinant brings twice the trace of `Inverse.traces`; the penalised sum of
        squares over σ², which v and β minimise, brings -2 (Z'(y - fit))' v / σ².
        """
        lambdas = at.factor.lambdas
        sigma = at.sigma if sigma is None else sigma
        fitted = self._fitted([v @ lam.T for v, lam in zip(at.v, lambdas)], at.beta - self.base)
        return [
            2.0 * trace - (2.0 / sigma**2) * (zy - fit).T @ v
            for trace, zy, fit, v in zip(
                invert(at.factor, with_x=self.reml).traces(), self.zy, fitted, at.v
            )
        ]

    def _fitted(self, u: Effects, beta: np.ndarray) -> Effects:
        """Z'(Zu + Xβ) for each term."""
        cells = cells_of(self.design)
        return cells.project(cells.expand(u) + beta @ cells.XT)
