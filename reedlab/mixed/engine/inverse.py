"""The parts of H^-1 that gradients and conditional variances need."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.sparse import issparse

from reedlab.mixed.engine.cholesky import Factor, inverse_from_cholesky, mix_rows
from reedlab.mixed.engine.cross_products import Effects


@dataclass(frozen=True)
class Inverse:
    """Parts of H^-1, in the coordinates of v."""

    factor: Factor
    hh: np.ndarray  # (L, k, k) the head's diagonal blocks
    hr: np.ndarray  # (L k, r) the head against the rest
    rr: np.ndarray  # (r, r) the rest against itself

    @cached_property
    def _at_cells(self) -> np.ndarray:
        """H^-1 between the levels that meet in each cell, all terms' columns in turn; (K, K, C)."""
        cells, place = self.factor.cross.cells, self.factor.cross.cells.place
        own = self._own_columns
        out = np.empty((own[-1].stop, own[-1].stop, cells.n_cells))
        start = {place.head: 0} | {t: at.start for t, at in place.slices.items()}
        first = [start[t] + len(cells.columns[t]) * level for t, level in enumerate(cells.level)]
        for t in range(len(own)):
            for s in range(t + 1):
                if s == t == place.head:
                    out[own[t], own[t]] = self.hh.transpose(1, 2, 0)[:, :, cells.level[t]]
                    continue
                row, col = (t, s) if t == place.head else (s, t)
                matrix = self.hr if row == place.head else self.rr
                code, width = first[row] * matrix.shape[1] + first[col], matrix.shape[1]
                for i in range(len(cells.columns[row])):
                    for j in range(len(cells.columns[col])):
                        a, b = own[row].start + i, own[col].start + j
                        out[a, b] = out[b, a] = matrix.take(code + (i * width + j))
        return out

    @property
    def _own_columns(self) -> list[slice]:
        """Where each term's columns stand among those of all terms."""
        ends = np.cumsum([0, *(len(columns) for columns in self.factor.cross.cells.columns)])
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]

    @cached_property
    def _half(self) -> tuple[np.ndarray, np.ndarray]:
        """A = S Λ (m, K) and A H^-1 (m, K, C).

        S[a, i] is 1 where column i of the terms' is the distinct basis column a, else 0, so that a
        row of ZΛ is f'A over its cell's levels, for the row's distinct basis columns f.
        """
        cells, own = self.factor.cross.cells, self._own_columns
        A, inverse = np.zeros((cells.m, own[-1].stop)), self._at_cells
        for columns, at, lam in zip(cells.columns, own, self.factor.lambdas):
            A[columns, at] = lam
        _, K, C = inverse.shape
        return A, (A @ inverse.reshape(K, K * C)).reshape(len(A), K, C)

    def row_covariance(self) -> np.ndarray:
        """Var(η) of each row that the random effects bring, H^-1 taken as covariance; (n,).

        It is f' (A H^-1 A') f for a row's distinct basis columns f.
        """
        A, half = self._half
        return self.factor.cross.cells.quadratic(A @ half)

    def traces(self) -> Effects:
        """For each term t, Σ over levels of the (k, k) diagonal blocks of Z'W[ZΛ, X] H^-1.

        The entry (i, j) is half the derivative of log det H in Λ_t[i, j], for
        d log det H = tr(H^-1 dH). There is no division by θ in it, so it is exact at the boundary.
        Only levels that share rows meet in Z'WZ: its product is the sum over cells of
        S' (F'WF) A H^-1.
        """
        cross, cells = self.factor.cross, self.factor.cross.cells
        m, K, C = self._half[1].shape
        half = self._half[1].transpose(1, 0, 2).reshape(K, m * C)
        by_column = cross.moments.reshape(cells.m, -1) @ half.T
        out = [by_column[columns, at] for columns, at in zip(cells.columns, self._own_columns)]
        if len(self.rr) > cells.place.q_rest:
            out = [trace + self._trace_of_x(t) for t, trace in enumerate(out)]
        return out

    def _trace_of_x(self, t: int) -> np.ndarray:
        """X's share of a trace: Σ over levels of Z'WX against H^-1."""
        cross, place = self.factor.cross, self.factor.cross.cells.place
        k, q, r = len(cross.cells.columns[t]), place.q_rest, len(self.rr)
        if t == place.head:
            raw, inverse = cross.head_rest[:, q:r], self.hr[:, q:r]
            raw = raw.toarray() if issparse(raw) else raw
        else:
            raw, inverse = cross.rest[place.slices[t], q:r], self.rr[place.slices[t], q:r]
        shape = (cross.cells.n_levels[t], k, r - q)
        return np.tensordot(raw.reshape(shape), inverse.reshape(shape), axes=((0, 2), (0, 2)))

    def level_covariances(self) -> Effects:
        """For each term the covariances (levels, k, k) of u = Λ v."""
        cells, out = self.factor.cross.cells, []
        for t, lam in enumerate(self.factor.lambdas):
            blocks = self.hh
            if t != cells.place.head:
                n, k, at = cells.n_levels[t], len(lam), cells.place.slices[t]
                blocks = self.rr[at, at].reshape(n, k, n, k)[np.arange(n), :, np.arange(n), :]
            out.append(lam @ blocks @ lam.T)
        return out


def invert(factor: Factor, with_x: bool) -> Inverse:
    """Invert H where it is asked for; without X, the random effects' block alone.

    From H = [C 0; V L] [C' V'; 0 L']: the rest's part is (L L')^-1, the part between head and rest
    -C'^-1 V' (L L')^-1, and the head's own C'^-1 (I + V' (L L')^-1 V) C^-1.
    """
    q = len(factor.chol) if with_x else factor.cross.cells.place.q_rest
    rr = inverse_from_cholesky(factor.chol[:q, :q])
    VT = factor.VT[:, :q]
    T, back = VT @ rr, factor.head_inverse.transpose(0, 2, 1)
    k = back.shape[1]
    inner = np.empty_like(factor.head_inverse)
    for i in range(k):
        for j in range(i + 1):
            one, other = VT[i::k], T[j::k]
            sparse = issparse(VT)
            own = one.multiply(other).sum(axis=1) if sparse else np.einsum("lr,lr->l", one, other)
            inner[:, i, j] = inner[:, j, i] = own + (i == j)
    return Inverse(factor, back @ inner @ factor.head_inverse, mix_rows(T, -back), rr)
