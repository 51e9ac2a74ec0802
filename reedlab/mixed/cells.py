"""Rows gathered into cells: within one, every random term has the same level.

All reeds of one lot scraped by one maker share their random effects, so every weighted sum over
rows that the algorithms need is first a sum over the rows of a cell, which are kept next to each
other in memory, and then a much shorter sum over cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np


@dataclass(frozen=True)
class Cells:
    """Rows in the order of their cells, and what the cells have in common.

    Parameters
    ----------
    order : ndarray of int, shape (n,)
        ``rows[order]`` puts rows into cell order.
    cell : ndarray of int, shape (n,)
        The cell of each row, in that order: 0, ..., 0, 1, ...
    n_cells : int
        Number of cells, C.
    level : tuple of ndarray of int, each shape (C,)
        The level of each random term in each cell.
    n_levels : tuple of int
        Number of levels of each term.
    F : ndarray, shape (m, n), or None
        The distinct basis columns of all random terms, in cell order; ``None`` when the only one
        is the constant 1.
    columns : tuple of tuple of int
        For each term, which rows of ``F`` are its basis.
    XT : ndarray, shape (p, n)
        The fixed effects' columns in cell order.
    """

    order: np.ndarray
    cell: np.ndarray
    n_cells: int
    level: tuple[np.ndarray, ...]
    n_levels: tuple[int, ...]
    F: np.ndarray | None
    columns: tuple[tuple[int, ...], ...]
    XT: np.ndarray

    @property
    def m(self) -> int:
        """Number of distinct basis columns."""
        return 1 if self.F is None else len(self.F)

    @cached_property
    def place(self) -> Layout:
        """Where each term's coordinates stand when the equations are solved."""
        sizes = [n * len(c) for n, c in zip(self.n_levels, self.columns)]
        head = int(np.argsort(sizes, kind="stable")[-1])
        rest = tuple(t for t in range(len(sizes)) if t != head)
        ends = np.cumsum([0, *(sizes[t] for t in rest)])
        slices = {t: slice(int(a), int(b)) for t, a, b in zip(rest, ends, ends[1:])}
        return Layout(head, rest, slices, int(ends[-1]))

    @cached_property
    def head_starts(self) -> np.ndarray | None:
        """Where each level of the head begins, as cells are sorted by it; None if one is empty."""
        counts = np.bincount(self.level[self.place.head], minlength=self.n_levels[self.place.head])
        return np.cumsum(counts) - counts if counts.all() else None

    @cached_property
    def pair_code(self) -> dict[tuple[int, int], np.ndarray]:
        """For terms t and s, ``level_t * n_levels_s + level_s`` of each cell."""
        terms = range(len(self.level))
        return {
            (t, s): self.level[t] * self.n_levels[s] + self.level[s]
            for t in terms
            for s in terms
            if t != s and (s == self.place.head or (t < s and t != self.place.head))
        }

    def sums(self, rows: np.ndarray) -> np.ndarray:
        """Sum over each cell's rows; the rows lie along the last axis."""
        if self.n_cells == rows.shape[-1]:
            return rows
        if rows.ndim == 1:
            return np.bincount(self.cell, rows, self.n_cells)
        out = np.empty((len(rows), self.n_cells))
        for total, row in zip(out, rows):
            total[:] = np.bincount(self.cell, row, self.n_cells)
        return out

    def spread(self, cells: np.ndarray) -> np.ndarray:
        """Give each row its cell's value; the cells lie along the last axis."""
        if self.n_cells == len(self.order):
            return cells
        return cells.take(self.cell, axis=-1)

    def project(self, rows: np.ndarray) -> list[np.ndarray]:
        """Z' rows: for each term an array (levels, k)."""
        moments = self.sums(rows)[None] if self.F is None else self.sums(self.F * rows)
        return [
            np.array([self.by_level(t, moments[c]) for c in columns]).T
            for t, columns in enumerate(self.columns)
        ]

    def by_level(self, t: int, moments: np.ndarray) -> np.ndarray:
        """Sum cells' values over each level of term t."""
        if t == self.place.head and self.head_starts is not None:
            return np.add.reduceat(moments, self.head_starts)
        return np.bincount(self.level[t], moments, self.n_levels[t])

    def expand(self, effects: list[np.ndarray]) -> np.ndarray:
        """Z u in cell order, from each term's effects (levels, k)."""
        if self.F is None:
            total = effects[0][:, 0][self.level[0]]
            for level, u in zip(self.level[1:], effects[1:]):
                total += u[:, 0][level]
            return self.spread(total)
        at_cell = np.zeros((self.m, self.n_cells))
        for level, columns, u in zip(self.level, self.columns, effects):
            for j, c in enumerate(columns):
                at_cell[c] += u[:, j][level]
        return np.einsum("mn,mn->n", self.F, self.spread(at_cell))

    def quadratic(self, at_cell: np.ndarray) -> np.ndarray:
        """Each row's f' Q f, from the symmetric Q (m, m, C) of its cell."""
        if self.F is None:
            return self.spread(at_cell[0, 0])
        out = np.zeros(self.F.shape[1])
        for a in range(self.m):
            for b in range(a, self.m):
                share = self.spread(at_cell[a, b]) * self.F[a] * self.F[b]
                out += share if a == b else 2.0 * share
        return out


@dataclass(frozen=True)
class Layout:
    """The order in which the random effects are eliminated.

    Parameters
    ----------
    head : int
        The term with most coordinates, eliminated first.
    rest : tuple of int
        The other terms.
    slices : dict of int to slice
        Where each of those stands among the rest's coordinates.
    q_rest : int
        Number of the rest's random coordinates; those of X come behind.
    """

    head: int
    rest: tuple[int, ...]
    slices: dict[int, slice]
    q_rest: int


def build_cells(
    index: tuple[np.ndarray, ...],
    n_levels: tuple[int, ...],
    basis: tuple[np.ndarray, ...],
    X: np.ndarray,
) -> Cells:
    """Sort rows into cells.

    Parameters
    ----------
    index : tuple of ndarray of int, each shape (n,)
        Each term's level of each row.
    n_levels : tuple of int
        Each term's number of levels.
    basis : tuple of ndarray, each shape (n, k)
        Each term's basis.
    X : ndarray, shape (n, p)
        The fixed effects' columns.

    Returns
    -------
    Cells
    """
    code = np.zeros(len(X), dtype=np.int64)
    sizes = [n * b.shape[1] for n, b in zip(n_levels, basis)]
    for term in np.argsort(sizes, kind="stable")[::-1]:
        if code.max(initial=0) > np.iinfo(np.int64).max // max(n_levels[term], 1) - 1:
            code = np.unique(code, return_inverse=True)[1]
        code = code * n_levels[term] + index[term]
    order = np.argsort(code, kind="stable")
    code = code[order]
    cell = np.concatenate([[0], np.cumsum(code[1:] != code[:-1])])
    first = order[np.searchsorted(cell, np.arange(cell[-1] + 1))]
    distinct: list[np.ndarray] = []
    columns = tuple(
        tuple(_place(column, distinct) for column in np.asarray(b, dtype=float).T) for b in basis
    )
    constant = len(distinct) == 1 and bool((distinct[0] == 1.0).all())
    return Cells(
        order=order,
        cell=cell,
        n_cells=len(first),
        level=tuple(np.asarray(i)[first].astype(np.intp) for i in index),
        n_levels=tuple(n_levels),
        F=None if constant else np.stack([column[order] for column in distinct]),
        columns=columns,
        XT=np.ascontiguousarray(np.asarray(X, dtype=float)[order].T),
    )


def _place(column: np.ndarray, distinct: list[np.ndarray]) -> int:
    """Where a basis column stands among the distinct ones, adding it when it is new."""
    for at, other in enumerate(distinct):
        if np.array_equal(column, other):
            return at
    distinct.append(column)
    return len(distinct) - 1
