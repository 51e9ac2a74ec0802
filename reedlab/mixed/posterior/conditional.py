"""β and the groups' effects given the sds, at many sds at once.

At each point of the sds the unknowns x = (v, β) have the joint density

    p(y | Z Λ v + X β) · N(v; 0, I) · N(β; mean, precision⁻¹)

whose mode and curvature this file finds for a whole batch of points together: the design is a
sparse matrix C = [Z X], so that one product serves every point, and the Hessians, with the largest
grouping's effects first, are arrows that are factored in one call (`arrow.py`). The Laplace
approximation of the sds' own density falls out of it. For a Gaussian response it is exact and takes
one step.

An ordered response has its thresholds behind β among the unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.sparse import csr_matrix

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design
from reedlab.mixed.posterior.arrow import Arrow, ArrowFactor
from reedlab.mixed.posterior.priors import Priors, coefficient_prior
from reedlab.mixed.posterior.scales import Scales

_STEPS = 40
_HELD = 4_000_000  # rows of C times points held at once


@dataclass(frozen=True)
class Modes:
    """What is known at G points of the sds.

    Attributes
    ----------
    x
        Modes of (v, β), shape (G, m).
    factor
        Cholesky factors of the negative Hessians there.
    log_density
        Log of the Laplace approximation of p(y | sds), up to one constant, shape (G,).
    """

    x: np.ndarray
    factor: ArrowFactor
    log_density: np.ndarray

    @property
    def chol(self) -> np.ndarray:
        """The factors as lower triangular matrices (G, m, m)."""
        return self.factor.dense()

    def take(self, order: np.ndarray) -> Modes:
        """Return the points in another order."""
        return Modes(self.x[order], self.factor.take(order), self.log_density[order])

    def join(self, other: Modes) -> Modes:
        """Return these points and the other ones behind them."""
        return Modes(
            np.concatenate([self.x, other.x]),
            self.factor.join(other.factor),
            np.concatenate([self.log_density, other.log_density]),
        )


class Conditional:
    """The density of (v, β) given the sds for one design, family and prior.

    Attributes
    ----------
    q, m
        Number of groups' effects, and of all unknowns.
    head
        Which random term has most effects and stands first among the unknowns.
    blocks
        For each random term the slice of its effects, level by level, among the unknowns.
    close
        Newton decrement (twice the height still to gain) of the last step towards a mode.
    """

    close: float = 1e-4

    def __init__(self, design: Design, family: str, priors: Priors, scales: Scales) -> None:
        self.design, self.family, self.scales = design, family, scales
        self.mean, self.precision = self._fixed_prior(priors)
        sizes = np.array([term.n_levels * term.k for term in design.terms])
        self.head = int(np.argmax(sizes))
        order = np.argsort(np.arange(len(sizes)) != self.head, kind="stable")
        ends = np.cumsum([0, *sizes[order]])
        slices = [slice(int(a), int(b)) for a, b in pairwise(ends)]
        self.blocks = [slices[int(place)] for place in np.argsort(order)]
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
            copy=True,
        )
        self.C.eliminate_zeros()
        self._Ct = self.C.T.tocsr()

    def _fixed_prior(self, priors: Priors) -> tuple[np.ndarray, np.ndarray]:
        """Mean and precision of the normal prior on what is not a group's effect."""
        return coefficient_prior(self.design.X, self.design.fixed_names, priors)

    def _rows(self, columns: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places and values of the entries of each row of C."""
        return columns, values

    @cached_property
    def _products(self) -> tuple[csr_matrix, np.ndarray, np.ndarray]:
        """K, i, j with K @ w = the distinct entries (i, j), i <= j, of C' diag(w) C."""
        n, r = self._columns.shape
        a, b = np.triu_indices(r)
        low = np.minimum(self._columns[:, a], self._columns[:, b]).astype(np.int64)
        high = np.maximum(self._columns[:, a], self._columns[:, b])
        values = (self._values[:, a] * self._values[:, b]).ravel()
        rows, filled = np.repeat(np.arange(n), len(a)), values != 0.0
        entries, place = np.unique((low * self.m + high).ravel()[filled], return_inverse=True)
        K = csr_matrix((values[filled], (place, rows[filled])), shape=(len(entries), n))
        return K, entries // self.m, entries % self.m

    def crossproduct(self, weights: np.ndarray) -> Arrow:
        """C' diag(w) C for weights (n, G)."""
        K, i, j = self._products
        values, G = (K @ weights).T, weights.shape[1]
        levels, k = self.design.terms[self.head].n_levels, self.design.terms[self.head].k
        q, r = levels * k, self.m - levels * k
        head, arm = np.zeros((G, levels, k, k)), np.zeros((G, r, q))
        rest = np.zeros((G, r, r))
        inner, outer = j < q, i >= q
        across = ~inner & ~outer
        head[:, i[inner] // k, i[inner] % k, j[inner] % k] = values[:, inner]
        head[:, i[inner] // k, j[inner] % k, i[inner] % k] = values[:, inner]
        arm[:, j[across] - q, i[across]] = values[:, across]
        rest[:, i[outer] - q, j[outer] - q] = values[:, outer]
        rest[:, j[outer] - q, i[outer] - q] = values[:, outer]
        return Arrow(head, arm.reshape(G, r, levels, k), rest)

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
        """Multiply a (G, rows, c) by Λ' in place; its rows are all unknowns or all but the head."""
        start = self.m - a.shape[1]
        for block, lam in zip(self.blocks, lambdas):
            k, at = lam.shape[1], slice(block.start - start, block.stop - start)
            if block.start < start:
                continue
            if k == 1:
                a[:, at] *= lam
            else:
                part = a[:, at].reshape(len(a), -1, k, a.shape[2])
                a[:, at] = np.einsum("gji,gljc->glic", lam, part).reshape(a[:, at].shape)
        return a

    def _hessian(self, inner: Arrow, lambdas: list[np.ndarray]) -> Arrow:
        """Penalise and scale C' W C, in place."""
        lam, head, arm, rest = lambdas[self.head], inner.head, inner.arm, inner.rest
        G, r, levels, k = arm.shape
        if k == 1:
            head *= lam[:, None] ** 2
            arm *= lam[:, None]
        else:
            head = lam.transpose(0, 2, 1)[:, None] @ head @ lam[:, None]
            arm = arm @ lam[:, None]
        head[..., np.arange(k), np.arange(k)] += 1.0
        arm = self._scale_transposed(arm.reshape(G, r, -1), lambdas).reshape(arm.shape)
        rest = self._scale_transposed(rest, lambdas).transpose(0, 2, 1)
        rest = self._scale_transposed(rest, lambdas)
        others = np.arange(self.q - levels * k)
        rest[:, others, others] += 1.0
        rest[:, len(others) :, len(others) :] += self.precision
        return Arrow(head, arm, rest)

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
        """Find the modes at points (G, d), from `start`, (G, m) or (1, m), if given."""
        raise NotImplementedError

    def with_prior(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """Find the modes with the sds' own prior in the log density."""
        modes = self.modes(points, start)
        return replace(modes, log_density=modes.log_density + self.scales.log_prior(points))


class NewtonConditional(Conditional):
    """A response whose log-likelihood is concave in C z: modes by damped Newton steps."""

    def _log_likelihood(self, linear: np.ndarray) -> np.ndarray:
        """Log-likelihood (G,) at C z (rows of C, G), without constants."""
        raise NotImplementedError

    def _derivatives(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """First and minus second derivatives in C z."""
        raise NotImplementedError

    def _tie(self, rest: np.ndarray, linear: np.ndarray) -> None:
        """Add to `rest` what minus the Hessian in z holds beside C' diag(w) C: nothing."""

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
        """See `Conditional.modes`; some points at a time, to keep memory within bounds."""
        if start is None:
            start = self._first()[None]
        start = np.broadcast_to(start, (len(points), self.m))
        step = max(1, _HELD // self.C.shape[0])
        found = self._search(points[:step], start[:step])
        for at in range(step, len(points), step):
            found = found.join(self._search(points[at : at + step], start[at : at + step]))
        return found

    def _search(self, points: np.ndarray, x: np.ndarray) -> Modes:
        lambdas = self.scales.lambdas(points)
        linear = self._linear(x, lambdas)
        value = self.log_prior(x) + self._log_likelihood(linear)
        for _ in range(_STEPS):
            score, weights = self._derivatives(linear)
            gradient = (self._Ct @ score).T[:, :, None]
            gradient = self._scale_transposed(gradient, lambdas)[:, :, 0]
            gradient += self._prior_gradient(x)
            inner = self.crossproduct(weights)
            self._tie(inner.rest, linear)
            factor = self._hessian(inner, lambdas).factor()
            step = factor.solve(gradient)
            decrement = np.sum(step * gradient, axis=1)
            if np.max(decrement) < self.close:
                # The last step is taken on the last curvature: its error is of higher order.
                return Modes(x + step, factor, value + 0.5 * decrement - factor.half_log_det)
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
