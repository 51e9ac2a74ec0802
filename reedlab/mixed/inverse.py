"""The parts of H^-1 that gradients and conditional variances need."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from scipy.sparse import issparse

from reedlab.mixed.blocks import Effects
from reedlab.mixed.factor import Factor, inverse_from_cholesky, mix_rows, row_scale


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

    def _at_cells(self, s: int, t: int) -> np.ndarray:
        """H^-1 between each cell's levels of terms s and t, (..., k_s, k_t) without Λ.

        Of the shape of the two terms' levels, without (k_s, k_t) where every term is an intercept.
        """
        cells, place = self.factor.cross.cells, self.factor.cross.cells.place
        scalar = cells.F is None
        if s == t == place.head:
            return (self.hh[:, 0, 0] if scalar else self.hh)[cells.level[s]]
        if t != place.head and s != place.head:
            other, column, matrix = s, t, self.rr[place.slices[s], place.slices[t]]
        else:
            other, column = (t, s) if s == place.head else (s, t)
            matrix = self.rh[place.slices[other]]
        if scalar:
            return cells.at_pair(other, column, matrix)
        shape = (cells.n_levels[other], len(cells.columns[other]), cells.n_levels[column], -1)
        block = matrix.reshape(shape)[cells.level[other], :, cells.level[column], :]
        return block if other == s else block.swapaxes(-1, -2)

    def row_covariance(self) -> np.ndarray:
        """Var(η) of each row that the random effects bring, H^-1 taken as covariance; (n,)."""
        cells, lambdas = self.factor.cross.cells, self.factor.lambdas
        pairs = [(s, t) for t in range(len(lambdas)) for s in range(t + 1)]
        if cells.F is None:
            by_shape: dict[tuple[int, ...], np.ndarray] = {}
            for s, t in pairs:
                share = (1.0 + (s != t)) * lambdas[s][0, 0] * lambdas[t][0, 0]
                share = share * self._at_cells(s, t)
                if share.shape in by_shape:
                    by_shape[share.shape] += share
                else:
                    by_shape[share.shape] = share
            return cells.spread(reduce(np.add, by_shape.values()))
        Q = np.zeros((cells.m, cells.m, *cells.shape))
        for s, t in pairs:
            scaled = lambdas[s] @ self._at_cells(s, t) @ lambdas[t].T
            for i, a in enumerate(cells.columns[s]):
                for j, b in enumerate(cells.columns[t]):
                    Q[a, b] += scaled[..., i, j]
                    if s != t:
                        Q[b, a] += scaled[..., i, j]
        return cells.quadratic(Q)

    def traces(self) -> Effects:
        """For each term t, Σ over levels of the (k, k) diagonal blocks of Z'W[ZΛ, X] H^-1.

        The entry (i, j) is half the derivative of log det H in Λ_t[i, j]. There is no division by
        θ in it, so it is exact at the boundary.
        """
        cross, lambdas, r = self.factor.cross, self.factor.lambdas, len(self.rr)
        head, rest = cross.cells.place.head, cross.cells.place.rest
        raw = cross.rest_head if r == cross.rest_head.shape[0] else cross.rest_head[:r]
        scale = row_scale(cross, lambdas)
        if scale is None or len(lambdas[head]) > 1:
            return self._traces_of_blocks(raw)
        lam = lambdas[head][0, 0]
        with_head = _row_products(raw, self.rh)
        with_rest = _row_products(cross.rest[:r, :r] * scale[:r], self.rr) + lam * with_head
        own = lam * (cross.head.reshape(-1) @ self.hh.reshape(-1))
        out = {t: with_rest[cross.cells.place.slices[t]].sum() for t in rest}
        out[head] = own + scale[:r] @ with_head
        return [np.array([[out[t]]]) for t in range(len(lambdas))]

    def _traces_of_blocks(self, raw: np.ndarray) -> Effects:
        """Traces where a term has several columns."""
        cross, lambdas, r = self.factor.cross, self.factor.lambdas, len(self.rr)
        head, slices = cross.cells.place.head, cross.cells.place.slices
        shape = (r, *self.hh.shape[:2])
        by_head = (raw.reshape(shape) @ lambdas[head]).reshape(raw.shape)
        by_rest = mix_rows(cross.rest[:r, :r].T, lambdas, cross).T
        own = np.einsum("lia,laj->ij", cross.head @ lambdas[head], self.hh)
        crossed = mix_rows(raw, lambdas, cross).reshape(shape)
        out = {head: own + np.einsum("rli,rlj->ij", crossed, self.rh.reshape(shape))}
        for t, at in slices.items():
            level = (cross.cells.n_levels[t], len(lambdas[t]), -1)
            out[t] = sum(
                np.einsum("lix,ljx->ij", one[at].reshape(level), other[at].reshape(level))
                for one, other in ((by_head, self.rh), (by_rest, self.rr))
            )
        return [out[t] for t in range(len(lambdas))]

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


def _row_products(one: Any, other: np.ndarray) -> np.ndarray:
    """Inner product of each row of one matrix, which may be sparse, with that of another."""
    if issparse(one):
        return np.asarray(one.multiply(other).sum(axis=1)).reshape(-1)
    return np.einsum("rl,rl->r", one, other)


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
        T *= -c
        return Inverse(factor, rr, T, hh)
    T = T.reshape(q, n_h, k_h)
    inner = np.einsum("rli,rlj->lij", V.reshape(q, n_h, k_h), T) + np.eye(k_h)
    hh = factor.head_inverse.transpose(0, 2, 1) @ inner @ factor.head_inverse
    rh = -np.einsum("rli,lij->rlj", T, factor.head_inverse).reshape(q, n_h * k_h)
    return Inverse(factor, rr, rh, hh)
