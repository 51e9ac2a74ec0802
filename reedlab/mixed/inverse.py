"""The parts of H^-1 that gradients and conditional variances need."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.sparse import issparse

from reedlab.mixed.blocks import Effects
from reedlab.mixed.factor import Factor, inverse_from_cholesky


@dataclass(frozen=True)
class Inverse:
    """Parts of H^-1, in the coordinates of v.

    Parameters
    ----------
    factor : Factor
    rr : ndarray, shape (q, q)
        The rest against itself.
    rh : ndarray, shape (q, L k)
        The rest against the head.
    hh : ndarray, shape (L, k, k)
        The head's diagonal blocks.
    """

    factor: Factor
    rr: np.ndarray
    rh: np.ndarray
    hh: np.ndarray

    @cached_property
    def at_cells(self) -> dict[tuple[int, int], np.ndarray]:
        """For each pair of terms s <= t the blocks between each cell's levels.

        An array (C, k_s, k_t); or (C,) in a model of random intercepts alone.
        """
        cells, place = self.factor.cross.cells, self.factor.cross.cells.place
        terms = range(len(cells.level))
        return {
            (s, t): self._block(s, t, cells.F is None, place.head)
            for s in terms
            for t in terms
            if s <= t
        }

    def _block(self, s: int, t: int, scalar: bool, head: int) -> np.ndarray:
        cells, slices = self.factor.cross.cells, self.factor.cross.cells.place.slices
        if s == t == head:
            return self.hh[:, 0, 0][cells.level[s]] if scalar else self.hh[cells.level[s]]
        if head in (s, t):
            other, against = (t if s == head else s), self.rh[slices[t if s == head else s]]
            column = head
        else:
            other, column, against = s, t, self.rr[slices[s], slices[t]]
        if scalar:
            return against[cells.level[other], cells.level[column]]
        shape = (cells.n_levels[other], len(cells.columns[other]), cells.n_levels[column], -1)
        block = against.reshape(shape)[cells.level[other], :, cells.level[column], :]
        return block if other == s else block.transpose(0, 2, 1)

    def row_covariance(self) -> np.ndarray:
        """Var(η) of each row that the random effects bring, H^-1 taken as covariance; (n,)."""
        cells, lambdas = self.factor.cross.cells, self.factor.lambdas
        Q = np.zeros((cells.m, cells.m, cells.n_cells))
        for (s, t), block in self.at_cells.items():
            if cells.F is None:
                Q[0, 0] += ((1.0 + (s != t)) * lambdas[s][0, 0] * lambdas[t][0, 0]) * block
                continue
            scaled = lambdas[s] @ block @ lambdas[t].T
            for i, a in enumerate(cells.columns[s]):
                for j, b in enumerate(cells.columns[t]):
                    Q[a, b] += scaled[:, i, j]
                    if s != t:
                        Q[b, a] += scaled[:, i, j]
        return cells.quadratic(Q)

    def traces(self) -> Effects:
        """For each term t, Σ over levels of the (k, k) diagonal blocks of Z'W[ZΛ, X] H^-1.

        The entry (i, j) is half the derivative of log det H in Λ_t[i, j]. There is no division by
        θ in it, so it is exact at the boundary.
        """
        cells, lambdas = self.factor.cross.cells, self.factor.lambdas
        out = [np.zeros((len(columns), len(columns))) for columns in cells.columns]
        for (s, t), block in self.at_cells.items():
            if cells.F is None:
                both = float(self.factor.cross.zz[0, 0] @ block)
                out[t] += lambdas[s] * both
                if s != t:
                    out[s] += lambdas[t] * both
                continue
            self._add_trace(out[t], t, s, lambdas[s] @ block)
            if s != t:
                self._add_trace(out[s], s, t, lambdas[t] @ block.transpose(0, 2, 1))
        if len(self.rr) > cells.place.q_rest:
            for t in range(len(out)):
                out[t] += self._x_trace(t)
        return out

    def _add_trace(self, out: np.ndarray, t: int, s: int, scaled: np.ndarray) -> None:
        """Add term s's share to term t's trace, from the blocks Λ_s H^-1_st."""
        columns, zz = self.factor.cross.cells.columns, self.factor.cross.zz
        for i, c in enumerate(columns[t]):
            for a, d in enumerate(columns[s]):
                out[i] += zz[c, d] @ scaled[:, a, :]

    def _x_trace(self, t: int) -> np.ndarray:
        cross, place = self.factor.cross, self.factor.cross.cells.place
        k, q = len(cross.cells.columns[t]), place.q_rest
        if t == place.head:
            raw, inverse = cross.rest_head[q:], self.rh[q:]
            raw = raw.toarray() if issparse(raw) else raw
        else:
            raw, inverse = cross.rest[q:, place.slices[t]], self.rr[q:, place.slices[t]]
        shape = (len(inverse), -1, k)
        return np.einsum("xli,xlj->ij", raw.reshape(shape), inverse.reshape(shape))

    def level_covariances(self) -> Effects:
        """For each term the covariances (levels, k, k) of u = Λ v."""
        cells, lambdas = self.factor.cross.cells, self.factor.lambdas
        out = []
        for t, columns in enumerate(cells.columns):
            if t == cells.place.head:
                blocks = self.hh
            else:
                levels, at = np.arange(cells.n_levels[t]), cells.place.slices[t]
                shape = (len(levels), len(columns), len(levels), len(columns))
                blocks = self.rr[at, at].reshape(shape)[levels, :, levels, :]
            out.append(lambdas[t] @ blocks @ lambdas[t].T)
        return out


def invert(factor: Factor, with_x: bool) -> Inverse:
    """Invert H where it is asked for.

    Parameters
    ----------
    factor : Factor
    with_x : bool
        Whether β counts as uncertain; without it only the random effects' block is inverted.

    Returns
    -------
    Inverse
    """
    q = len(factor.chol) if with_x else factor.cross.cells.place.q_rest
    n_h, k_h, _ = factor.head_inverse.shape
    rr = inverse_from_cholesky(factor.chol[:q, :q])
    V = factor.V if q == len(factor.chol) else factor.V[:q]
    T: Any = (V.T.tocsr() @ rr).T if issparse(V) else rr @ V
    if k_h == 1:
        c = factor.head_inverse.reshape(-1)
        along = V.multiply(T).sum(axis=0) if issparse(V) else np.einsum("rl,rl->l", V, T)
        hh = (c * c * (1.0 + along)).reshape(n_h, 1, 1)
        return Inverse(factor, rr, T * -c, hh)
    T = T.reshape(q, n_h, k_h)
    inner = np.einsum("rli,rlj->lij", V.reshape(q, n_h, k_h), T) + np.eye(k_h)
    hh = factor.head_inverse.transpose(0, 2, 1) @ inner @ factor.head_inverse
    rh = -np.einsum("rli,lij->rlj", T, factor.head_inverse).reshape(q, n_h * k_h)
    return Inverse(factor, rr, rh, hh)
