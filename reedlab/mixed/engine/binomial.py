"""Successes out of trials, on the logit scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import expit, gammaln

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.laplace import Rows

_FAR = 40.0
"""Beyond this η a probability is 0 or 1 to the last digit."""

_FACTORS = 1000
"""A product of so many numbers between 1 and 2 does not overflow."""

_BLOCK = 65_536
"""Rows worked on at a time, so that what is between the steps stays in the cache."""


@dataclass(frozen=True)
class BinomialLogit:
    """Binomial rows in cell order."""

    y: np.ndarray  # (n,) successes
    trials: np.ndarray | None  # (n,) trials; ``None`` when there is one a row
    constant: float  # sum of the logarithms of the binomial coefficients
    n_extra: ClassVar[int] = 0

    def steps(self, eta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log-likelihood, score and weight of each row."""
        score, weight, loglik = np.empty_like(eta), np.empty_like(eta), self.constant
        for at in range(0, len(eta), _BLOCK):
            rows = slice(at, at + _BLOCK)
            m = None if self.trials is None else self.trials[rows]
            loglik += _block_steps(self.y[rows], m, eta[rows], score[rows], weight[rows])
        return loglik, score, weight

    def many_steps(
        self, eta: np.ndarray, y: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Log-likelihoods (G,), scores and weights (G, n) at many η (G, n), each with its own y."""
        p = expit(np.clip(eta, -_FAR, _FAR))
        trials = 1.0 if self.trials is None else self.trials
        weight = trials * p * (1.0 - p)
        log_lik = self.log_likelihoods(eta) + self.constant
        return log_lik + np.einsum("gn,gn->g", eta, y - self.y), y - trials * p, weight

    def row_logliks(self, eta: np.ndarray) -> np.ndarray:
        """Give each row's log-likelihood, without the constant."""
        soft = np.logaddexp(0.0, eta)
        return self.y * eta - (soft if self.trials is None else self.trials * soft)

    def log_likelihoods(self, eta: np.ndarray) -> np.ndarray:
        """Log-likelihoods (S,), without the constant, at many η (S, n)."""
        trials = np.ones(len(self.y)) if self.trials is None else self.trials
        size = np.abs(eta)
        # log(1 + exp(η)) = (η + |η|) / 2 + log(1 + exp(-|η|))
        out: np.ndarray = eta @ (self.y - 0.5 * trials) - 0.5 * (size @ trials)
        np.negative(size, out=size)
        np.exp(size, out=size)
        if self.trials is not None:
            return out - np.log1p(size) @ trials
        size += 1.0
        for at in range(0, size.shape[1], _FACTORS):
            out -= np.log(np.multiply.reduce(size[:, at : at + _FACTORS], axis=1))
        return out

    def third(self, eta: np.ndarray, score: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Differentiate the weights in η: w (1 - 2 p), with p from the score."""
        out = self.y - score
        if self.trials is not None:
            out /= self.trials
        out *= -2.0
        out += 1.0
        out *= weight
        return out

    def with_extra(self, extra: np.ndarray) -> BinomialLogit:
        """Nothing beside θ and β is estimated."""
        return self

    def extra_gradient(
        self, eta: np.ndarray, half_leverage: Rows, shift: Rows, share: Rows = 1.0
    ) -> np.ndarray:
        """Nothing beside θ and β is estimated."""
        return np.zeros(0)


def _block_steps(
    y: np.ndarray, trials: np.ndarray | None, eta: np.ndarray, score: np.ndarray, weight: np.ndarray
) -> float:
    """Fill in score and weight of a block of rows and give its log-likelihood."""
    near = np.maximum(eta, -_FAR)
    np.minimum(near, _FAR, out=near)
    p = np.negative(near, out=weight)
    np.exp(p, out=p)
    p += 1.0
    np.divide(1.0, p, out=p)
    if trials is None:
        # log p - (1 - y) η, with one logarithm for the product of sixteen probabilities.
        loglik = _log_product(p) + float(np.subtract(y, 1.0, out=score) @ eta)
        if eta.min() < -_FAR:
            loglik += float(np.minimum(eta - near, 0.0).sum())
        np.subtract(y, p, out=score)
    else:
        log_p = np.log(p) + np.minimum(eta - near, 0.0)
        loglik = float(trials @ log_p + (y - trials) @ eta)
        np.subtract(y, trials * p, out=score)
    weight *= np.subtract(1.0, p, out=near)
    if trials is not None:
        weight *= trials
    return loglik


def _log_product(p: np.ndarray) -> float:
    """Sum of logarithms of numbers in (1e-18, 1], taken of products of sixteen."""
    whole = len(p) // 16 * 16
    products = np.multiply.reduce(p[:whole].reshape(16, -1), axis=0)
    return float(np.log(products).sum() + np.log(p[whole:]).sum())


def likelihood(design: Design) -> BinomialLogit:
    """Set up the binomial likelihood of a design's response."""
    order = cells_of(design).order
    y = design.y[order]
    if design.trials is None:
        return BinomialLogit(y, None, 0.0)
    m = design.trials[order]
    constant = float((gammaln(m + 1) - gammaln(y + 1) - gammaln(m - y + 1)).sum())
    return BinomialLogit(y, m, constant)
