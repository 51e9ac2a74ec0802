"""β and the groups' effects given the sds, at many sds at once.

At each point of the sds the unknowns x = (v, β) have the joint density

    p(y | Z Λ v + X β) · N(v; 0, I) · N(β; mean, precision⁻¹)

whose mode and curvature this file finds for a whole batch of points together: the design is a
sparse matrix C = [Z X], so that one product serves every point, and the dense Hessians are factored
in one call. The Laplace approximation of the sds' own density falls out of it. For a Gaussian
response it is exact and takes one step.

An ordered response has its thresholds behind β among the unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.linalg import cho_solve
from scipy.sparse import csr_matrix

from reedlab.errors import ModelError
from reedlab.mixed.priors import Priors, coefficient_prior
from reedlab.mixed.scales import Scales
from reedlab.mixed.terms import Design

_STEPS = 40


@dataclass(frozen=True)
class Modes:
    """What is known at G points of the sds.

    Attributes
    ----------
    x
        Modes of (v, β), shape (G, m).
    chol
        Lower Cholesky factors of the negative Hessians there, shape (G, m, m).
    log_density
        Log of the Laplace approximation of p(y | sds), up to one constant, shape (G,).
    """

    x: np.ndarray
    chol: np.ndarray
    log_density: np.ndarray

    def take(self, order: np.ndarray) -> Modes:
        """Return the points in another order."""
        return Modes(self.x[order], self.chol[order], self.log_density[order])

    def join(self, other: Modes) -> Modes:
        """Return these points and the other ones behind them."""
        return Modes(
            np.concatenate([self.x, other.x]),
            np.concatenate([self.chol, other.chol]),
            np.concatenate([self.log_density, other.log_density]),
        )


class Conditional:
    """The density of (v, β) given the sds for one design, family and prior.

    Attributes
    ----------
    q, m
        Number of groups' effects, and of all unknowns.
    blocks
        For each random term the slice of its effects, level by level, among the unknowns.
    close
        Newton decrement (twice the height still to gain) of the last step towards a mode.
    """

    close: float = 1e-4

    def __init__(self, design: Design, family: str, priors: Priors, scales: Scales) -> None:
        self.design, self.family, self.scales = design, family, scales
        self.mean, self.precision = self._fixed_prior(priors)
        sizes = [term.n_levels * term.k for term in design.terms]
        ends = np.cumsum([0, *sizes])
        self.blocks = [slice(int(a), int(b)) for a, b in pairwise(ends)]
        self.q, self.m = int(ends[-1]), int(ends[-1]) + len(self.mean)
        columns = [
            block.start + term.index[:, None] * term.k + np.arange(term.k)
            for block, term in zip(self.blocks, design.terms)
        ]
        columns.append(np.tile(self.q + np.arange(design.p), (design.n, 1)))
        self._columns, self._values = self._rows(
            np.concatenate(columns, axis=1),
            np.concatenate([*(t.basis for t in design.terms), design.X], axis=1),
        )
        n, r = self._columns.shape
        self.C = csr_matrix(
            (self._values.ravel(), self._columns.ravel(), np.arange(0, n * r + 1, r)),
            shape=(n, self.m),
        )
        self._Ct = self.C.T.tocsr()

    def _fixed_prior(self, priors: Priors) -> tuple[np.ndarray, np.ndarray]:
        """Mean and precision of the normal prior on what is not a group's effect."""
        return coefficient_prior(self.design.X, self.design.fixed_names, priors)

    def _rows(self, columns: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places and values of the entries of each row of C."""
        return columns, values

    @cached_property
    def _products(self) -> tuple[csr_matrix, np.ndarray, np.ndarray]:
        """K, i, j with K @ w = the distinct entries (i, j) of C' diag(w) C."""
        n, r = self._columns.shape
        a, b = np.triu_indices(r)
        low = np.minimum(self._columns[:, a], self._columns[:, b]).astype(np.int64)
        high = np.maximum(self._columns[:, a], self._columns[:, b])
        entries, place = np.unique((low * self.m + high).ravel(), return_inverse=True)
        values = (self._values[:, a] * self._values[:, b]).ravel()
        rows = np.repeat(np.arange(n), len(a))
        K = csr_matrix((values, (place, rows)), shape=(len(entries), n))
        return K, entries // self.m, entries % self.m

    def crossproduct(self, weights: np.ndarray) -> np.ndarray:
        """C' diag(w) C for weights (n, G), shape (G, m, m)."""
        K, i, j = self._products
        values = (K @ weights).T
        out = np.zeros((weights.shape[1], self.m, self.m))
        out[:, i, j] = values
        out[:, j, i] = values
        return out

    def scale(self, x: np.ndarray, lambdas: list[np.ndarray]) -> np.ndarray:
        """(u, β) from (v, β), both (G, m): u = Λ v level by level."""
        out = x.copy()
        for block, lam in zip(self.blocks, lambdas):
            k = lam.shape[1]
            if k == 1:
                out[:, block] *= lam[:, :, 0]
            else:
                v = x[:, block].reshape(len(x), -1, k)
                out[:, block] = np.einsum("gij,glj->gli", lam, v).reshape(len(x), -1)
        return out

    def _scale_transposed(self, a: np.ndarray, lambdas: list[np.ndarray]) -> np.ndarray:
        """Multiply the rows of a (G, m, c) by Λ' in place."""
        for block, lam in zip(self.blocks, lambdas):
            k = lam.shape[1]
            if k == 1:
                a[:, block] *= lam
            else:
                part = a[:, block].reshape(len(a), -1, k, a.shape[2])
                a[:, block] = np.einsum("gji,gljc->glic", lam, part).reshape(a[:, block].shape)
        return a

    def _hessian(self, inner: np.ndarray, lambdas: list[np.ndarray]) -> np.ndarray:
        """Penalise and scale C' W C (G, m, m), in place."""
        inner = self._scale_transposed(inner, lambdas).transpose(0, 2, 1)
        inner = self._scale_transposed(inner, lambdas)
        v = np.arange(self.q)
        inner[:, v, v] += 1.0
        inner[:, self.q :, self.q :] += self.precision
        return inner

    def log_prior(self, x: np.ndarray) -> np.ndarray:
        """Log density (G,) of (v, β) before the data, without constants."""
        beta = x[:, self.q :] - self.mean
        return -0.5 * np.sum(x[:, : self.q] ** 2, axis=1) - 0.5 * np.sum(
            beta * (beta @ self.precision), axis=1
        )

    def _prior_gradient(self, x: np.ndarray) -> np.ndarray:
        out = np.zeros_like(x)
        out[:, : self.q] = -x[:, : self.q]
        out[:, self.q :] = -(x[:, self.q :] - self.mean) @ self.precision
        return out

    def log_joint(self, x: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Log p(y, v, β | sds) at x (G, m) and points (G, d), up to one constant."""
        raise NotImplementedError

    def modes(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """Find the modes at points (G, d), from `start` (G, m) if given."""
        raise NotImplementedError


class NewtonConditional(Conditional):
    """A response whose log-likelihood is concave in C z: modes by damped Newton steps."""

    def _log_likelihood(self, linear: np.ndarray) -> np.ndarray:
        """Log-likelihood (G,) at C z (rows of C, G), without constants."""
        raise NotImplementedError

    def _derivatives(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray | float]:
        """First and minus second derivatives in C z, and what else minus the Hessian in z holds."""
        raise NotImplementedError

    def _first(self) -> np.ndarray:
        """Where a search starts that is told nothing better, shape (m,)."""
        return np.zeros(self.m)

    def _linear(self, x: np.ndarray, lambdas: list[np.ndarray]) -> np.ndarray:
        return self.C @ self.scale(x, lambdas).T

    def log_joint(self, x: np.ndarray, points: np.ndarray) -> np.ndarray:
        """See `Conditional.log_joint`."""
        linear = self._linear(x, self.scales.lambdas(points))
        return self.log_prior(x) + self._log_likelihood(linear)

    def modes(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """See `Conditional.modes`."""
        lambdas = self.scales.lambdas(points)
        x = np.tile(self._first(), (len(points), 1)) if start is None else start.copy()
        linear = self._linear(x, lambdas)
        value = self.log_prior(x) + self._log_likelihood(linear)
        for _ in range(_STEPS):
            score, weights, rest = self._derivatives(linear)
            gradient = (self._Ct @ score).T[:, :, None]
            gradient = self._scale_transposed(gradient, lambdas)[:, :, 0]
            gradient += self._prior_gradient(x)
            chol = np.linalg.cholesky(self._hessian(self.crossproduct(weights) + rest, lambdas))
            step = solve_each(chol, gradient)
            decrement = np.sum(step * gradient, axis=1)
            if np.max(decrement) < self.close:
                # The last step is taken on the last curvature: its error is of higher order.
                return Modes(x + step, chol, value + 0.5 * decrement - half_log_det(chol))
            shorten = np.ones((len(points), 1))
            for _ in range(_STEPS):
                trial = x + shorten * step
                linear = self._linear(trial, lambdas)
                reached = self.log_prior(trial) + self._log_likelihood(linear)
                worse = ~(reached >= value - 1e-9 * np.abs(value))
                if not np.any(worse):
                    break
                shorten[worse] *= 0.5
            x, value = trial, reached
        raise ModelError(
            "the effects could not be found at some sds of the groups: look for infinite or "
            "extremely large values among the predictors."
        )


def solve_each(chol: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve L L' x = right for each point."""
    out = np.empty_like(right)
    for g in range(len(right)):
        out[g] = cho_solve((chol[g], True), right[g], check_finite=False)
    return out


def half_log_det(chol: np.ndarray) -> np.ndarray:
    """Return half the log determinant (G,) of the matrices whose Cholesky factors are given."""
    return np.sum(np.log(np.einsum("gii->gi", chol)), axis=1)
