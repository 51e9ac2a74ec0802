"""The parts of H^-1 that gradients and conditional variances need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reedlab.mixed.engine.cholesky import Factor, inverse_from_cholesky, mix_rows, row_scale
from reedlab.mixed.engine.coupling import Coupling
from reedlab.mixed.engine.cross_products import Effects


@dataclass(frozen=True)
class Inverse:
    """Parts of H^-1, in the coordinates of v.

    Parameters
    ----------
    factor : Factor
    rr : ndarray, shape (q, q)
        The rest against itself.
    rh : Coupling
        The rest against the head, (q, L k), where a row has a level together with the column.
    hh : ndarray, shape (L, k, k)
        The head's diagonal blocks.
    """

    factor: Factor
    rr: np.ndarray
    rh: Coupling
    hh: np.ndarray

    def _at_cells(self, s: int, t: int, share: float = 1.0) -> np.ndarray:
        """Share of H^-1 between each cell's levels of terms s and t, (..., k_s, k_t) without Λ.

        Of the shape of the two terms' levels, without (k_s, k_t) where every term is an intercept.
        """
        cells, place = self.factor.cross.cells, self.factor.cross.cells.place
        scalar = cells.F is None
        if s == t == place.head:
            return (share * (self.hh[:, 0, 0] if scalar else self.hh))[cells.level[s]]
        if t != place.head and s != place.head:
            other, column, matrix = s, t, share * self.rr[place.slices[s], place.slices[t]]
        else:
            other, column = (t, s) if s == place.head else (s, t)
            n = place.nesting.n
            if place.slices[other].start < n:
                return (share * self.rh.entry[place.rest.index(other)])[cells.level[column]]
            at = slice(place.slices[other].start - n, place.slices[other].stop - n)
            matrix = share * self.rh.full[at]
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
                own = self._at_cells(s, t, share)
                by_shape[own.shape] = by_shape[own.shape] + own if own.shape in by_shape else own
            total = by_shape.pop(cells.shape)
            for own in by_shape.values():
                total += own
            return cells.spread(total)
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
        raw = cross.rest_head.leading(r)
        scale = row_scale(cross, lambdas)
        if scale is None or len(lambdas[head]) > 1:
            return self._traces_of_blocks(raw.full, self.rh.full)
        lam = lambdas[head][0, 0]
        with_head = raw.row_products(self.rh)
        with_rest = np.einsum("rs,rs->r", cross.rest[:r, :r] * scale[:r], self.rr)
        with_rest += lam * with_head
        own = lam * (cross.head.reshape(-1) @ self.hh.reshape(-1))
        out = {t: with_rest[cross.cells.place.slices[t]].sum() for t in rest}
        out[head] = own + scale[:r] @ with_head
        return [np.array([[out[t]]]) for t in range(len(lambdas))]

    def _traces_of_blocks(self, raw: np.ndarray, rh: np.ndarray) -> Effects:
        """Traces where a term has several columns."""
        cross, lambdas, r = self.factor.cross, self.factor.lambdas, len(self.rr)
        head, slices = cross.cells.place.head, cross.cells.place.slices
        shape = (r, *self.hh.shape[:2])
        by_head = (raw.reshape(shape) @ lambdas[head]).reshape(raw.shape)
        by_rest = mix_rows(cross.rest[:r, :r].T, lambdas, cross).T
        own = np.einsum("lia,laj->ij", cross.head @ lambdas[head], self.hh)
        crossed = mix_rows(raw, lambdas, cross).reshape(shape)
        out = {head: own + np.einsum("rli,rlj->ij", crossed, rh.reshape(shape))}
        for t, at in slices.items():
            level = (cross.cells.n_levels[t], len(lambdas[t]), -1)
            out[t] = sum(
                np.einsum("lix,ljx->ij", one[at].reshape(level), other[at].reshape(level))
                for one, other in ((by_head, rh), (by_rest, self.rr))
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
    V = factor.V.leading(q)
    T, along = V.under(rr)
    if k_h == 1:
        c = factor.head_inverse.reshape(-1)
        hh = (c * c * (1.0 + along)).reshape(n_h, 1, 1)
        rh = Coupling(T.nesting, -c * T.entry, np.multiply(-c, T.full, out=T.full))
        return Inverse(factor, rr, rh, hh)
    by_level = T.full.reshape(q, n_h, k_h)
    inner = np.einsum("rli,rlj->lij", V.full.reshape(q, n_h, k_h), by_level) + np.eye(k_h)
    hh = factor.head_inverse.transpose(0, 2, 1) @ inner @ factor.head_inverse
    full = -np.einsum("rli,lij->rlj", by_level, factor.head_inverse).reshape(q, n_h * k_h)
    return Inverse(factor, rr, Coupling(T.nesting, T.entry, full), hh)
