"""The parts of a mixed model that come from data: y, X and the random terms.

The model is ``η = X β + Σ_t Z_t u_t`` with ``u_t = Λ_t v_t`` level by level and ``v`` standard
normal. For a term with k columns Λ_t is a k x k lower triangle; its entries, columnwise, are that
term's share of θ (the diagonal alone when the term is uncorrelated). Diagonal entries are >= 0.
For the Gaussian family Λ is relative to the residual's standard deviation, as in lme4.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np


@dataclass(frozen=True)
class RandomTerm:
    """One random term ``(basis | group)``."""

    group: str  # the grouping's name, ``"supplier"`` or ``"supplier:lot"``
    levels: tuple[str, ...]  # the grouping's levels in the data, sorted
    index: np.ndarray  # (n,) the level of each row
    names: tuple[str, ...]  # names of the columns, ``("Intercept", "x")``
    basis: np.ndarray  # (n, k) their values: a row's share of η is ``basis[i] @ u[index[i]]``
    correlated: bool = True  # whether Λ has entries below its diagonal

    @property
    def k(self) -> int:
        """Number of columns."""
        return len(self.names)

    @property
    def n_levels(self) -> int:
        """Number of levels."""
        return len(self.levels)

    @cached_property
    def theta_rows_cols(self) -> tuple[np.ndarray, np.ndarray]:
        """Row and column in Λ of each of the term's θ."""
        if not self.correlated:
            return np.arange(self.k), np.arange(self.k)
        cols, rows = np.triu_indices(self.k)
        return rows, cols

    @property
    def pairs(self) -> list[tuple[int, int]]:
        """Pairs (i, j), i > j, of columns whose effects are correlated."""
        k = self.k if self.correlated else 0
        return [(i, j) for j in range(k) for i in range(j + 1, k)]

    @property
    def n_theta(self) -> int:
        """Number of θ that belong to the term."""
        return self.k * (self.k + 1) // 2 if self.correlated else self.k

    def lam(self, theta: np.ndarray) -> np.ndarray:
        """Λ (k, k) from the term's θ."""
        if self.k == 1:
            return np.array(theta, dtype=float).reshape(1, 1)
        out = np.zeros((self.k, self.k))
        out[self.theta_rows_cols] = theta
        return out

    def theta_from_covariance(self, covariance: np.ndarray) -> np.ndarray:
        """Find the term's θ for a covariance (k, k) that may be singular."""
        if self.correlated:
            return semidefinite_cholesky(covariance)[self.theta_rows_cols]
        return np.sqrt(np.clip(np.diag(covariance), 0.0, None))

    def take(self, rows: np.ndarray, copy: np.ndarray | int = 0) -> RandomTerm:
        """Return the term of some rows, by mask or position, with the levels that occur in them.

        Where `copy` gives rows different numbers, their levels are different ones too.
        """
        present, index = np.unique(self.index[rows] + copy * self.n_levels, return_inverse=True)
        levels = tuple(self.levels[code % self.n_levels] for code in present)
        return replace(self, levels=levels, index=index, basis=self.basis[rows])


def semidefinite_cholesky(covariance: np.ndarray) -> np.ndarray:
    """Lower Cholesky factor of a covariance (k, k) that may be singular, with a diagonal >= 0."""
    work, k = np.array(covariance, dtype=float), len(covariance)
    floor = 1e-14 * max(float(np.trace(work)), np.finfo(float).tiny)
    out = np.zeros((k, k))
    for j in range(k):
        if work[j, j] > floor:
            out[j:, j] = work[j:, j] / np.sqrt(work[j, j])
            work[j:, j:] -= np.outer(out[j:, j], out[j:, j])
    return out


@dataclass(frozen=True, eq=False)
class Design:
    """Everything a fit needs, without the formula it came from.

    Two designs are equal only if they are the same object, so that one can be a key.
    """

    # (n,) the response: a number, 0/1, a count of successes, or a grade's code from 0
    y: np.ndarray
    X: np.ndarray  # (n, p) the fixed effects' columns
    fixed_names: tuple[str, ...]  # their names, as formulaic gives them
    terms: tuple[RandomTerm, ...]  # the random terms in the formula's order
    trials: np.ndarray | None = None  # (n,) numbers of trials of a binomial response of counts
    rows_used: np.ndarray | None = None  # (n,) positions in the data frame of the rows used
    # for each column, how many rows were left out because it was empty there
    dropped: Mapping[str, int] = field(default_factory=dict)
    n_dropped: int = 0  # number of rows left out (a row may lack more than one column)
    # names of an ordinal response's grades, lowest first; empty for the other families
    grades: tuple[str, ...] = ()
    # (n,) what each row weighs: a Gaussian row's residual variance is σ² over it, another row's
    # log-likelihood counts so many times
    weights: np.ndarray | None = None
    # (n,) what is added to each row's linear predictor without a coefficient
    offset: np.ndarray | None = None

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.y)

    @property
    def p(self) -> int:
        """Number of fixed effects."""
        return self.X.shape[1]

    @property
    def threshold_names(self) -> tuple[str, ...]:
        """Names of an ordinal model's cut points, ``"reject|playable"``."""
        return tuple(f"{low}|{high}" for low, high in pairwise(self.grades))

    @cached_property
    def n_theta(self) -> int:
        """Length of θ."""
        return sum(term.n_theta for term in self.terms)

    def take(self, rows: np.ndarray, terms: tuple[RandomTerm, ...] | None = None) -> Design:
        """Return the design of some rows, by mask or position, with the levels that they have.

        Or with given terms for these rows.
        """
        if terms is None:
            terms = tuple(term.take(rows) for term in self.terms)
        some = ("y", "X", "trials", "rows_used", "weights", "offset")
        given = {name: getattr(self, name) for name in some}
        taken = {name: values[rows] for name, values in given.items() if values is not None}
        return replace(self, terms=terms, **taken)

    @cached_property
    def with_term(self) -> Design:
        """The design with a term of no columns where it has none, as the equations need one."""
        if self.terms:
            return self
        nowhere = np.zeros(self.n, dtype=np.intp)
        empty = RandomTerm("", ("",), nowhere, (), np.zeros((self.n, 0)), correlated=False)
        return replace(self, terms=(empty,))

    @property
    def less_offset(self) -> np.ndarray:
        """The response less the offset; (n,)."""
        return self.y if self.offset is None else self.y - self.offset

    @cached_property
    def whitened(self) -> Design:
        """The rows of a Gaussian model less their offset, times the root of their weights.

        Its ordinary least squares are the weighted ones (Bates et al. 2015, section 3.2).
        """
        if self.weights is None and self.offset is None:
            return self
        y = self.less_offset
        if self.weights is None:
            return replace(self, y=y, offset=None)
        root = np.sqrt(self.weights)
        terms = tuple(replace(t, basis=t.basis * root[:, None]) for t in self.terms)
        X = self.X * root[:, None]
        return replace(self, y=y * root, X=X, terms=terms, weights=None, offset=None)

    @cached_property
    def diagonal(self) -> np.ndarray:
        """Boolean mask (n_theta,): the θ that lie on a diagonal and are bounded at 0."""
        return np.concatenate([np.equal(*term.theta_rows_cols) for term in self.terms])

    @cached_property
    def shares(self) -> tuple[slice, ...]:
        """Where each term's share of θ stands."""
        ends = np.cumsum([0, *(term.n_theta for term in self.terms)]).tolist()
        return tuple(slice(a, b) for a, b in pairwise(ends))

    def split(self, theta: np.ndarray) -> list[np.ndarray]:
        """Each term's share of θ."""
        theta = np.asarray(theta, dtype=float)
        return [theta[share] for share in self.shares]

    def lambdas(self, theta: np.ndarray) -> list[np.ndarray]:
        """Λ of each term."""
        return [term.lam(part) for term, part in zip(self.terms, self.split(theta))]

    def with_response(self, y: np.ndarray) -> Design:
        """Take another response for the same rows."""
        return replace(self, y=np.asarray(y, dtype=float))
