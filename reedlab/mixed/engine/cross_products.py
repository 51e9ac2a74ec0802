"""The cross-products that every fit solves with, in blocks.

For weights W and covariance factors Λ the matrix of the penalised normal equations is

    H = [ Λ'Z'WZΛ + I   Λ'Z'WX    ]
        [ X'WZΛ         X'WX + P  ]

with P a prior precision on β (0 in a plain fit). The term with most coordinates, the *head*, has a
block-diagonal block and is kept apart from the *rest*: the other terms, then X. This file sums the
raw products Z'WZ, Z'WX and X'WX; :mod:`reedlab.mixed.engine.cholesky` applies Λ and factors H.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from reedlab.mixed.engine.cells import Cells
from reedlab.mixed.engine.coupling import Coupling

Effects = list[np.ndarray]
"""One array a random term."""

Margins = list[list[dict[int, np.ndarray]]]
"""For each pair of basis columns the cells' sums along each axis."""

_SPARSE_FROM, _SPARSE_BELOW = 500_000, 0.05
"""Number of entries, and share of them that may be filled, for a sparse block to pay."""


@dataclass(frozen=True)
class Cross:
    """The raw cross-products of one set of weights, before Λ.

    Parameters
    ----------
    cells : Cells
    head : ndarray, shape (L, k, k)
        The head's own block, level by level.
    rest_head : Coupling
        The rest's coordinates (X last, if asked for) against the head's, (r, L k); sparse where it
        is large and nearly empty.
    rest : ndarray, shape (r, r)
        The rest against itself.
    p : int
        Number of X's coordinates, 0 where X was left out.
    """

    cells: Cells
    head: np.ndarray
    rest_head: Coupling
    rest: np.ndarray
    p: int

    def own_weights(self, t: int) -> np.ndarray:
        """Diagonal of Z'WZ in the coordinates of term t."""
        place = self.cells.place
        if t == place.head:
            return np.einsum("lkk->lk", self.head).reshape(-1)
        return np.diagonal(self.rest)[place.slices[t]]


def cross_products(cells: Cells, weights: np.ndarray | None, with_x: bool) -> Cross:
    """Sum the raw cross-products.

    Parameters
    ----------
    cells : Cells
    weights : ndarray, shape (n,), optional
        Weights in cell order; ``None`` for 1.
    with_x : bool
        Whether X takes part.

    Returns
    -------
    Cross
    """
    place, h = cells.place, cells.place.head
    p = len(cells.XT) if with_x else 0
    weighted = _weighted_basis(cells, weights)
    zz = _cell_moments(cells, weighted)
    margins = [[cells.margins(moments) for moments in row] for row in zz]
    n_h, k_h, q = cells.n_levels[h], len(cells.columns[h]), place.q_rest
    head = np.empty((n_h, k_h, k_h))
    for i, a in enumerate(cells.columns[h]):
        for j, b in enumerate(cells.columns[h]):
            head[:, i, j] = cells.by_level(h, margins[a][b][cells.axis[h]])
    rest = np.zeros((q + p, q + p))
    for t in place.rest:
        at = place.slices[t]
        _add_own(cells, margins, t, rest[at, at])
        for s in place.rest:
            if s > t:
                both = _pair(cells, zz, t, s)
                rest[at, place.slices[s]] = both
                rest[place.slices[s], at] = both.T
    x_head = np.empty((p, n_h * k_h))
    if p:
        _add_x(cells, weights, x_head, rest)
    size, nesting = q * n_h, place.nesting
    if cells.F is None and size > _SPARSE_FROM and cells.n_cells < _SPARSE_BELOW * size:
        full = _sparse_rows(cells, zz[0, 0], x_head)
    else:
        crossed = [_pair(cells, zz, t, h) for t in place.rest[len(nesting.owner) :]]
        if p or not crossed:
            crossed.append(x_head)
        full = crossed[0] if len(crossed) == 1 else np.concatenate(crossed)
    entry = np.repeat(head.reshape(1, -1), len(nesting.owner), axis=0)
    return Cross(cells, head, Coupling(nesting, entry, full), rest, p)


def _weighted_basis(cells: Cells, weights: np.ndarray | None) -> np.ndarray:
    if cells.F is None:
        return (np.ones(len(cells.order)) if weights is None else weights)[None]
    return cells.F if weights is None else cells.F * weights


def _cell_moments(cells: Cells, weighted: np.ndarray) -> np.ndarray:
    if cells.F is None:
        return cells.sums(weighted[0])[None, None]
    zz = np.empty((cells.m, cells.m, *cells.shape))
    for a in range(cells.m):
        for b in range(a, cells.m):
            zz[a, b] = zz[b, a] = cells.sums(weighted[a] * cells.F[b])
    return zz


def _pair(cells: Cells, zz: np.ndarray, t: int, s: int) -> np.ndarray:
    """Z_t' W Z_s as a matrix (L_t k_t, L_s k_s)."""
    if cells.F is None:
        return cells.by_pair(t, s, zz[0, 0])
    n_t, n_s = cells.n_levels[t], cells.n_levels[s]
    out = np.empty((n_t, len(cells.columns[t]), n_s, len(cells.columns[s])))
    for i, a in enumerate(cells.columns[t]):
        for j, b in enumerate(cells.columns[s]):
            out[:, i, :, j] = cells.by_pair(t, s, zz[a, b])
    return out.reshape(out.shape[0] * out.shape[1], -1)


def _add_own(cells: Cells, margins: Margins, t: int, out: np.ndarray) -> None:
    """Fill in Z_t' W Z_t: blocks (k, k) on the diagonal."""
    columns = cells.columns[t]
    k = len(columns)
    for i, a in enumerate(columns):
        for j, b in enumerate(columns):
            np.fill_diagonal(out[i::k, j::k], cells.by_level(t, margins[a][b][cells.axis[t]]))


def _add_x(cells: Cells, weights: np.ndarray | None, x_head: np.ndarray, rest: np.ndarray) -> None:
    """Fill in X's rows against the head, and its rows and columns of the rest."""
    place, q = cells.place, cells.place.q_rest
    for j, column in enumerate(cells.XT):  # one at a time, for the sake of the cache
        weighted = column if weights is None else column * weights
        for t, sums in enumerate(cells.project(weighted)):
            if t == place.head:
                x_head[j] = sums.reshape(-1)
            else:
                rest[q + j, place.slices[t]] = rest[place.slices[t], q + j] = sums.reshape(-1)
        rest[q : q + j + 1, q + j] = rest[q + j, q : q + j + 1] = cells.XT[: j + 1] @ weighted


def _sparse_rows(cells: Cells, moments: np.ndarray, x_head: np.ndarray) -> csr_array:
    """Set the rest against the head in a sparse matrix of the pairs that occur, X last."""
    place = cells.place
    x_rows, x_cols = np.indices(x_head.shape)
    level = [np.broadcast_to(each, cells.shape).reshape(-1) for each in cells.level]
    rows = [level[t] + place.slices[t].start for t in place.rest]
    return csr_array(
        (
            np.concatenate([np.tile(moments.reshape(-1), len(rows)), x_head.reshape(-1)]),
            (
                np.concatenate([*rows, place.q_rest + x_rows.reshape(-1)]),
                np.concatenate([np.tile(level[place.head], len(rows)), x_cols.reshape(-1)]),
            ),
        ),
        shape=(place.q_rest + len(x_head), cells.n_levels[place.head]),
    )
