"""Successes out of trials, on the logit scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import expit, gammaln

from reedlab.mixed.blocks import Effects
from reedlab.mixed.laplace import BetaPrior, Mode, find_mode
from reedlab.mixed.terms import Design


@dataclass(frozen=True)
class BinomialLogit:
    """Binomial rows in cell order.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Successes.
    trials : ndarray, shape (n,), or None
        Trials; ``None`` when there is one a row.
    constant : float
        Sum of the logarithms of the binomial coefficients.
    """

    y: np.ndarray
    trials: np.ndarray | None
    constant: float
    n_extra: ClassVar[int] = 0

    def steps(self, eta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log-likelihood, score and weight of each row."""
        e = np.exp(-np.abs(eta))
        soft = np.maximum(eta, 0.0) + np.log1p(e)
        upper = 1.0 / (1.0 + e)
        p = np.where(eta >= 0.0, upper, e * upper)
        weight = e * upper * upper
        if self.trials is None:
            return float(self.y @ eta - soft.sum()) + self.constant, self.y - p, weight
        loglik = float(self.y @ eta - self.trials @ soft) + self.constant
        return loglik, self.y - self.trials * p, self.trials * weight

    def row_logliks(self, eta: np.ndarray) -> np.ndarray:
        """Give each row's log-likelihood, without the constant."""
        soft = np.logaddexp(0.0, eta)
        return self.y * eta - (soft if self.trials is None else self.trials * soft)

    def third(self, eta: np.ndarray) -> np.ndarray:
        """Differentiate the weights in η."""
        p = expit(eta)
        out = p * (1.0 - p) * (1.0 - 2.0 * p)
        return out if self.trials is None else self.trials * out

    def with_extra(self, extra: np.ndarray) -> BinomialLogit:
        """Nothing beside θ and β is estimated."""
        return self

    def extra_gradient(
        self, eta: np.ndarray, half_leverage: np.ndarray, shift: np.ndarray
    ) -> np.ndarray:
        """Nothing beside θ and β is estimated."""
        return np.zeros(0)


def likelihood(design: Design) -> BinomialLogit:
    """Set up the binomial likelihood of a design's response."""
    order = design.cells.order
    y = design.y[order]
    if design.trials is None:
        return BinomialLogit(y, None, 0.0)
    m = design.trials[order]
    constant = float((gammaln(m + 1) - gammaln(y + 1) - gammaln(m - y + 1)).sum())
    return BinomialLogit(y, m, constant)


def joint_mode(
    design: Design,
    theta: np.ndarray,
    prior: BetaPrior | None = None,
    start: Mode | None = None,
    tolerance: float = 1e-14,
) -> Mode:
    """Joint mode of β and the random effects at one θ, with a normal prior on β if given.

    Parameters
    ----------
    design : Design
    theta : ndarray, shape (n_theta,)
    prior : tuple of ndarray, optional
        Mean (p,) and precision (p, p) of the prior on β; without it β's prior is flat.
    start : Mode, optional
        A mode found at a θ nearby.
    tolerance : float
        The last Newton step's squared length in the metric of H.

    Returns
    -------
    Mode
        ``mode.laplace`` is, up to a constant in θ, the log marginal likelihood of θ;
        ``mode.factor`` carries the covariance of (u, β) and draws from it.
    """
    beta = np.zeros(design.p) if start is None else start.beta
    v: Effects | None = None if start is None else start.v
    return find_mode(
        design, likelihood(design), np.asarray(theta, float), beta, v, True, prior, tolerance
    )
