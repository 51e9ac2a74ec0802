"""The cross-products that every fit solves with, in blocks.

For weights W and covariance factors Λ the matrix of the penalised normal equations is

    H = [ Λ'Z'WZΛ + I   Λ'Z'WX    ]
        [ X'WZΛ         X'WX + P  ]

with P a prior precision on β (0 in a plain fit); it is the matrix of Bates et al. 2015 (Journal of
Statistical Software 67(1), section 3) with weights. The term with most coordinates, the *head*, has
a block-diagonal block and is kept apart from the *rest*: the other terms, then X. This file sums
the raw products Z'WZ, Z'WX and X'WX; :mod:`reedlab.mixed.engine.cholesky` applies Λ and factors H.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_array

from reedlab.mixed.engine.cells import Cells

Effects = list[np.ndarray]
"""One array a random term."""

_SPARSE_FROM, _SPARSE_BELOW = 100_000, 0.05
"""Number of entries, and share of them that may be filled, for a sparse block to pay."""


@dataclass(frozen=True)
class Cross:
    """The raw cross-products of one set of weights, before Λ."""

    cells: Cells
    # (m, m, C) for each pair of distinct basis columns the weighted sum of their product in each
    # cell
    moments: np.ndarray
    head: np.ndarray  # (L, k, k) the head's own block, level by level
    # (L k, r) the head's coordinates against the rest's (X last, if asked for); sparse where it is
    # large and nearly empty
    head_rest: Any
    rest: np.ndarray  # (r, r) the rest against itself

    def own_weights(self, t: int) -> np.ndarray:
        """Diagonal of Z'WZ in the coordinates of term t."""
        place = self.cells.place
        if t == place.head:
            return np.diagonal(self.head, axis1=1, axis2=2).reshape(-1)
        return np.diagonal(self.rest)[place.slices[t]]


def cross_products(cells: Cells, weights: np.ndarray | None, with_x: bool) -> Cross:
    """Sum the raw cross-products with weights (n,) in cell order, those of X too if asked for."""
    place, h, columns = cells.place, cells.place.head, cells.columns
    p = len(cells.XT) if with_x else 0
    moments = _moments(cells, weights)
    # Z'WZ: a term against itself is block-diagonal, two terms meet in the cells that occur.
    head = _own_blocks(cells, moments, h)
    rest = np.zeros((place.q_rest + p, place.q_rest + p))
    for t in place.rest:
        at, k, blocks = place.slices[t], len(columns[t]), _own_blocks(cells, moments, t)
        for i in range(k):
            for j in range(k):
                np.fill_diagonal(rest[at, at][i::k, j::k], blocks[:, i, j])
        for s in place.rest:
            if s > t:
                rest[at, place.slices[s]] = _pair(cells, moments, t, s)
                rest[place.slices[s], at] = rest[at, place.slices[s]].T
    x_head = np.empty((head.shape[0] * head.shape[1], p))
    if p:  # Z'WX and X'WX
        weighted = cells.XT if weights is None else cells.XT * weights
        x = slice(place.q_rest, None)
        for t, sums in enumerate(cells.project_columns(weighted)):
            if t == h:
                x_head = sums.reshape(-1, p)
            else:
                rest[place.slices[t], x] = sums.reshape(-1, p)
        rest[x, : place.q_rest] = rest[: place.q_rest, x].T
        rest[x, x] = cells.XT @ weighted.T
    size, k = place.q_rest * len(x_head), len(columns[h])
    filled = cells.n_cells * k * sum(len(columns[t]) for t in place.rest)
    if size > _SPARSE_FROM and filled < _SPARSE_BELOW * size:
        return Cross(cells, moments, head, _sparse_rows(cells, moments, x_head), rest)
    crossed = [_pair(cells, moments, h, t) for t in place.rest]
    return Cross(cells, moments, head, np.concatenate([*crossed, x_head], axis=1), rest)


def _moments(cells: Cells, weights: np.ndarray | None) -> np.ndarray:
    if cells.F is None:
        ones = np.ones(len(cells.order)) if weights is None else weights
        return cells.sums(ones)[None, None]
    out = np.empty((cells.m, cells.m, cells.n_cells))
    for a in range(cells.m):
        weighted = cells.F[a] if weights is None else cells.F[a] * weights
        for b in range(a, cells.m):
            out[a, b] = out[b, a] = cells.sums(weighted * cells.F[b])
    return out


def _own_blocks(cells: Cells, moments: np.ndarray, t: int) -> np.ndarray:
    """Z_t' W Z_t as blocks (levels, k, k)."""
    columns = cells.columns[t]
    out = np.empty((cells.n_levels[t], len(columns), len(columns)))
    for i, a in enumerate(columns):
        for j, b in enumerate(columns[: i + 1]):
            out[:, i, j] = out[:, j, i] = cells.by_level(t, moments[a, b])
    return out


def _pair(cells: Cells, moments: np.ndarray, t: int, s: int) -> np.ndarray:
    """Z_t' W Z_s as a matrix (L_t k_t, L_s k_s)."""
    k_t, k_s = len(cells.columns[t]), len(cells.columns[s])
    if k_t == k_s == 1:
        return cells.by_pair(t, s, moments[cells.columns[t][0], cells.columns[s][0]])
    out = np.empty((cells.n_levels[t], k_t, cells.n_levels[s], k_s))
    for i, a in enumerate(cells.columns[t]):
        for j, b in enumerate(cells.columns[s]):
            out[:, i, :, j] = cells.by_pair(t, s, moments[a, b])
    return out.reshape(cells.n_levels[t] * k_t, -1)


def _sparse_rows(cells: Cells, moments: np.ndarray, x_head: np.ndarray) -> csr_array:
    """Set the head against the rest in a sparse matrix of the pairs that occur, X last."""
    place, h, columns = cells.place, cells.place.head, cells.columns
    x_rows, x_cols = np.indices(x_head.shape).reshape(2, -1)
    rows, cols, data = [x_rows], [place.q_rest + x_cols], [x_head.reshape(-1)]
    for t in place.rest:
        for i, a in enumerate(columns[h]):
            for j, b in enumerate(columns[t]):
                rows.append(cells.level[h] * len(columns[h]) + i)
                cols.append(place.slices[t].start + cells.level[t] * len(columns[t]) + j)
                data.append(moments[a, b])
    entries = np.concatenate(data), (np.concatenate(rows), np.concatenate(cols))
    return csr_array(entries, shape=(len(x_head), place.q_rest + x_head.shape[1]))
