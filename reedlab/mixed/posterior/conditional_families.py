"""The conditional density of each family of responses; see `conditional.py`."""

from __future__ import annotations

import numpy as np
from scipy.special import expit, log_expit, logit

from reedlab.mixed.design.terms import Design
from reedlab.mixed.posterior.arrow import Arrow
from reedlab.mixed.posterior.conditional import Conditional, Modes, NewtonConditional
from reedlab.mixed.posterior.priors import Priors, coefficient_prior
from reedlab.mixed.posterior.scales import Scales

_PRODUCT = 1000  # a product of so many numbers between 1 and 2 does not overflow


def conditional(design: Design, family: str, priors: Priors, scales: Scales) -> Conditional:
    """Return the conditional density of (v, β) of a family."""
    kinds = {
        "gaussian": GaussianConditional,
        "binomial": BinomialConditional,
        "ordinal": OrdinalConditional,
    }
    return kinds[family](design, family, priors, scales)


class GaussianConditional(Conditional):
    """A Gaussian response: the conditional is a normal, found in one solve."""

    def __init__(self, design: Design, family: str, priors: Priors, scales: Scales) -> None:
        super().__init__(design, family, priors, scales)
        # Sums of squares are taken about the least-squares fit, so that nothing large cancels.
        self._origin = np.zeros(self.m)
        self._origin[self.q :] = np.linalg.lstsq(design.X, design.y, rcond=None)[0]
        residual = design.y - design.X @ self._origin[self.q :]
        self._rr = float(residual @ residual)
        self._Cr = self._Ct @ residual
        self._CC = (self._Ct @ self.C).tocsr()
        self._inner = self.crossproduct(np.ones((design.n, 1)))

    def log_joint(self, x: np.ndarray, points: np.ndarray) -> np.ndarray:
        """See `Conditional.log_joint`."""
        d = self.scale(x, self.scales.lambdas(points)) - self._origin
        squares = self._rr - 2.0 * d @ self._Cr + np.sum(d * (self._CC @ d.T).T, axis=1)
        sigma = self.scales.sigma(points)
        return self.log_prior(x) - self.design.n * np.log(sigma) - 0.5 * squares / sigma**2

    def modes(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """See `Conditional.modes`."""
        lambdas = self.scales.lambdas(points)
        x = np.tile(self._origin, (len(points), 1))
        precision = self.scales.sigma(points)[:, None] ** -2.0
        gradient = self._prior_gradient(x)
        gradient += self._scale_transposed((precision * self._Cr)[:, :, None], lambdas)[:, :, 0]
        inner, by = self._inner, precision[:, :, None]
        weighted = Arrow(by[..., None] * inner.head, by[..., None] * inner.arm, by * inner.rest)
        factor = self._hessian(weighted, lambdas).factor()
        x += factor.solve(gradient)
        return Modes(x, factor, self.log_joint(x, points) - factor.half_log_det)


class BinomialConditional(NewtonConditional):
    """Successes out of trials on the logit scale."""

    def __init__(self, design: Design, family: str, priors: Priors, scales: Scales) -> None:
        super().__init__(design, family, priors, scales)
        self._trials = None if design.trials is None else np.asarray(design.trials, dtype=float)
        self._y = np.asarray(design.y, dtype=float)

    def _log_likelihood(self, linear: np.ndarray) -> np.ndarray:
        # log(1 + exp(x)) = max(x, 0) + log(1 + exp(-|x|)); the logarithm is taken of the product
        # of many rows at once, for it costs more than all the rest.
        size = np.abs(linear)
        trials = np.ones(len(size)) if self._trials is None else self._trials
        out = self._y @ linear - 0.5 * (trials @ size + trials @ linear)
        np.negative(size, out=size)
        np.exp(size, out=size)
        if self._trials is not None:
            return out - self._trials @ np.log1p(size)
        size += 1.0
        for at in range(0, len(size), _PRODUCT):
            out -= np.log(np.multiply.reduce(size[at : at + _PRODUCT], axis=0))
        return out

    def _derivatives(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        with np.errstate(over="ignore"):
            mu = 1.0 / (1.0 + np.exp(-linear))
        weight = mu * (1.0 - mu)
        if self._trials is not None:
            mu *= self._trials[:, None]
            weight *= self._trials[:, None]
        return self._y[:, None] - mu, weight


class OrdinalConditional(NewtonConditional):
    """Ordered grades by a cumulative logit, the thresholds α behind β among the unknowns.

    A row of grade k has probability F(α_k - η) - F(α_(k-1) - η). C holds two rows for each reed,
    one for either difference. Each threshold has a normal prior of twice the intercept's sd where
    every column stands at its mean, and they stay in order.
    """

    def __init__(self, design: Design, family: str, priors: Priors, scales: Scales) -> None:
        self._grade = design.y.astype(np.intp)
        self._cuts = len(design.grades) - 1
        super().__init__(design, family, priors, scales)

    def _fixed_prior(self, priors: Priors) -> tuple[np.ndarray, np.ndarray]:
        design, cuts = self.design, self._cuts
        mean, precision = coefficient_prior(design.X, design.fixed_names, priors)
        centred = np.eye(design.p + cuts)
        centred[design.p :, : design.p] = -design.X.mean(axis=0)
        own = np.zeros_like(centred)
        own[: design.p, : design.p] = precision
        own[design.p :, design.p :] = np.eye(cuts) / (2.0 * priors.intercept_sd) ** 2
        return np.concatenate([mean, np.zeros(cuts)]), centred.T @ own @ centred

    def _rows(self, columns: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        first, last = self.q + self.design.p, self.m - 1
        upper = np.minimum(first + self._grade, last)[:, None]
        lower = np.maximum(first + self._grade - 1, first)[:, None]
        ones = np.ones_like(upper, dtype=float)
        return (
            np.concatenate([np.hstack([columns, upper]), np.hstack([columns, lower])]),
            np.tile(np.hstack([-values, ones]), (2, 1)),
        )

    def _first(self) -> np.ndarray:
        x = np.zeros(self.m)
        counts = np.bincount(self._grade, minlength=self._cuts + 1) + 0.5
        x[self.m - self._cuts :] = logit(np.cumsum(counts)[:-1] / counts.sum())
        return x

    def _bounds(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Differences of the upper and of the lower threshold to η, infinite at the ends."""
        upper, lower = np.split(linear, 2)
        top, bottom = self._grade == self._cuts, self._grade == 0
        upper, lower = upper.copy(), lower.copy()
        upper[top], lower[bottom] = np.inf, -np.inf
        return upper, lower

    def _log_likelihood(self, linear: np.ndarray) -> np.ndarray:
        upper, lower = self._bounds(linear)
        gap = lower - upper
        with np.errstate(invalid="ignore", divide="ignore"):
            # F - E = F (1 - E) (1 - exp(lower - upper)), which loses nothing to cancellation
            between = np.where(gap < 0, np.log1p(-np.exp(np.minimum(gap, 0.0))), -np.inf)
        return np.sum(log_expit(upper) + log_expit(-lower) + between, axis=0)

    def _derivatives(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        upper, lower = self._bounds(linear)
        F, E = expit(upper), expit(lower)
        pull = self._pull(upper, lower)
        score = np.concatenate([1.0 - F + pull, -E - pull])
        score[:, :] = np.where(np.isfinite(np.concatenate([upper, lower])), score, 0.0)
        return score, np.concatenate([F * (1.0 - F), E * (1.0 - E)])

    @staticmethod
    def _pull(upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
        with np.errstate(over="ignore"):
            pull: np.ndarray = 1.0 / np.expm1(upper - lower)
        return pull

    def _tie(self, rest: np.ndarray, linear: np.ndarray) -> None:
        """Add what ties the two thresholds of a grade together, which has no part in η."""
        pull = self._pull(*self._bounds(linear))
        tie = np.eye(self._cuts + 1)[self._grade].T @ (pull * (1.0 + pull))
        first = rest.shape[1] - self._cuts
        for k in range(1, self._cuts):
            i, j = first + k, first + k - 1
            rest[:, i, i] += tie[k]
            rest[:, j, j] += tie[k]
            rest[:, i, j] -= tie[k]
            rest[:, j, i] -= tie[k]
