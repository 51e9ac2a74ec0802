"""Rows gathered into cells: within one, every random term has the same level.

All reeds of one lot scraped by one maker share their random effects, so every weighted sum over
rows that the algorithms need is first a sum over the rows of a cell, which are kept next to each
other in memory, and then a shorter sum over cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from weakref import WeakKeyDictionary

import numpy as np
from scipy.sparse import csr_array

from reedlab.mixed.design.terms import Design


@dataclass(frozen=True)
class Cells:
    """Rows in the order of their cells, and what the cells have in common."""

    order: np.ndarray  # (n,) ``rows[order]`` puts rows into cell order
    cell: np.ndarray  # (n,) the cell of each row, in that order: 0, ..., 0, 1, ...
    level: tuple[np.ndarray, ...]  # each (C,) the level of each random term in each of the C cells
    n_levels: tuple[int, ...]  # number of levels of each term
    # (m, n) the distinct basis columns of all random terms, in cell order; ``None`` when the only
    # one is the constant 1, or there is none
    F: np.ndarray | None
    columns: tuple[list[int], ...]  # for each term, which rows of ``F`` are its basis
    XT: np.ndarray  # (p, n) the fixed effects' columns in cell order
    place: Layout  # where each term's coordinates stand when the equations are solved

    @cached_property
    def n_cells(self) -> int:
        """Number of cells."""
        return len(self.level[0])

    @cached_property
    def starts(self) -> np.ndarray:
        """First row of each cell."""
        return np.flatnonzero(np.diff(self.cell, prepend=-1))

    @cached_property
    def stacked(self) -> list[slice]:
        """Where each term's levels stand when all terms' levels are stacked."""
        ends = np.cumsum([0, *self.n_levels]).tolist()
        return [slice(a, b) for a, b in pairwise(ends)]

    @cached_property
    def indicators(self) -> csr_array:
        """Which cells belong to each level of the stacked terms, (levels of all terms, C)."""
        rows = np.concatenate([level + at.start for level, at in zip(self.level, self.stacked)])
        columns = np.tile(np.arange(self.n_cells), len(self.level))
        return csr_array((np.ones(len(rows)), (rows, columns)), (sum(self.n_levels), self.n_cells))

    @property
    def m(self) -> int:
        """Number of distinct basis columns."""
        return 1 if self.F is None else len(self.F)

    def sums(self, rows: np.ndarray) -> np.ndarray:
        """Sum rows (n,) over each cell."""
        if self.n_cells == len(rows):
            return rows
        return np.bincount(self.cell, rows, self.n_cells)

    def spread(self, cells: np.ndarray) -> np.ndarray:
        """Give each row its cell's value."""
        return cells if self.n_cells == len(self.cell) else cells.take(self.cell)

    def by_level(self, t: int, moments: np.ndarray) -> np.ndarray:
        """Sum cells' values (C,) over each level of term t."""
        return np.bincount(self.level[t], moments, self.n_levels[t])

    def by_pair(self, t: int, s: int, moments: np.ndarray) -> np.ndarray:
        """Sum cells' values (C,) over pairs of levels of terms t and s, (levels_t, levels_s)."""
        n_t, n_s = self.n_levels[t], self.n_levels[s]
        code = self.level[t] * n_s + self.level[s]
        return np.bincount(code, moments, n_t * n_s).reshape(n_t, n_s)

    def project(self, rows: np.ndarray) -> list[np.ndarray]:
        """Z' rows: for each term an array (levels, k)."""
        weighted = rows[None] if self.F is None else self.F * rows
        moments = [self.sums(row) for row in weighted]
        return [
            np.array([self.by_level(t, moments[c]) for c in columns]).T
            if columns
            else np.zeros((self.n_levels[t], 0))
            for t, columns in enumerate(self.columns)
        ]

    def project_columns(self, rows: np.ndarray) -> list[np.ndarray]:
        """Z' of several columns (p, n) at once: for each term an array (levels, k, p)."""
        weighted = rows if self.F is None else (self.F[:, None] * rows).reshape(-1, rows.shape[1])
        # Rows of one cell are neighbours, and a sparse sum over cells serves all terms and columns.
        moments = (
            weighted
            if self.n_cells == rows.shape[1]
            else np.add.reduceat(weighted, self.starts, axis=1)
        )
        sums = (self.indicators @ moments.T).reshape(sum(self.n_levels), self.m, len(rows))
        return [sums[at][:, columns] for at, columns in zip(self.stacked, self.columns)]

    def expand(self, effects: list[np.ndarray]) -> np.ndarray:
        """Z u in cell order, from each term's effects (levels, k)."""
        at_cell = np.zeros((self.m, self.n_cells))
        for level, columns, u in zip(self.level, self.columns, effects):
            for j, c in enumerate(columns):
                at_cell[c] += u[:, j].take(level)
        if self.F is None:
            return self.spread(at_cell[0])
        out = self.F[0] * self.spread(at_cell[0])
        for column, values in zip(self.F[1:], at_cell[1:]):
            out += column * self.spread(values)
        return out

    def expand_draws(self, effects: list[np.ndarray]) -> np.ndarray:
        """Z u (S, n) in cell order, from S draws of each term's effects, (S, levels, k)."""
        at_cell = np.zeros((self.m, len(effects[0]), self.n_cells))
        for level, columns, u in zip(self.level, self.columns, effects):
            for j, c in enumerate(columns):
                at_cell[c] += u[:, :, j].take(level, axis=1)
        if self.F is None:
            return at_cell[0].take(self.cell, axis=1)
        out = self.F[0] * at_cell[0].take(self.cell, axis=1)
        for column, values in zip(self.F[1:], at_cell[1:]):
            out += column * values.take(self.cell, axis=1)
        return out

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

    The term with most coordinates goes first: its block of H is block-diagonal, so that
    eliminating it fills in nothing but the others' block (Bates et al. 2015, Journal of
    Statistical Software 67(1), section 3, leave this order to a fill-reducing permutation).
    """

    head: int  # the term that is eliminated first; of terms of equal size the last
    rest: tuple[int, ...]  # the other terms
    slices: dict[int, slice]  # where each of those stands among the rest's coordinates
    q_rest: int  # number of the rest's random coordinates; those of X come behind


_sorted: WeakKeyDictionary[Design, Cells] = WeakKeyDictionary()
"""The cells of every design in use, sorted once."""


def cells_of(design: Design) -> Cells:
    """Sort a design's rows into cells, the first time it is asked for."""
    if design not in _sorted:
        _sorted[design] = _sort(design)
    return _sorted[design]


def same_rows(design: Design, y: np.ndarray) -> Design:
    """Give a design another response; its rows need not be sorted again."""
    other = design.with_response(y)
    _sorted[other] = cells_of(design)
    return other


def _sort(design: Design) -> Cells:
    place, terms = _layout(design), design.terms
    # The head's levels are the outermost, so that its sums run along memory.
    order = np.lexsort([terms[t].index for t in (*place.rest, place.head)])
    levels = [term.index[order] for term in terms]
    new = np.zeros(design.n, dtype=bool)
    for level in levels:
        new[1:] |= level[1:] != level[:-1]
    new[0] = True
    distinct: list[np.ndarray] = []
    columns = tuple([_place(column, distinct) for column in term.basis.T] for term in terms)
    constant = not distinct or (len(distinct) == 1 and bool((distinct[0] == 1.0).all()))
    return Cells(
        order=order,
        cell=np.cumsum(new) - 1,
        level=tuple(level[new].astype(np.intp) for level in levels),
        n_levels=tuple(term.n_levels for term in terms),
        F=None if constant else np.stack([column[order] for column in distinct]),
        columns=columns,
        XT=np.ascontiguousarray(design.X.T.take(order, axis=1), dtype=float),
        place=place,
    )


def _layout(design: Design) -> Layout:
    sizes = [term.n_levels * term.k for term in design.terms]
    head = int(np.argsort(sizes, kind="stable")[-1])
    rest = tuple(t for t in range(len(sizes)) if t != head)
    ends = np.cumsum([0, *(sizes[t] for t in rest)]).tolist()
    slices = {t: slice(a, b) for t, a, b in zip(rest, ends, ends[1:])}
    return Layout(head, rest, slices, ends[-1])


def _place(column: np.ndarray, distinct: list[np.ndarray]) -> int:
    """Where a basis column stands among the distinct ones, adding it when it is new."""
    for at, other in enumerate(distinct):
        if np.array_equal(column, other):
            return at
    distinct.append(np.asarray(column, dtype=float))
    return len(distinct) - 1
