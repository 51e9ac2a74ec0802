"""Rows gathered into cells: within one, every random term has the same level.

All reeds of one lot scraped by one maker share their random effects, so every weighted sum over
rows that the algorithms need is first a sum over the rows of a cell, which are kept next to each
other in memory, and then a much shorter sum over cells. Where most pairs of a lot and a maker occur
the cells are the entries of a rectangle, makers down and lots across; sums over its sides then
replace look-ups.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, reduce
from weakref import WeakKeyDictionary

import numpy as np
from scipy.sparse import csc_array

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.coupling import Nesting

_EMPTY = 4
"""A rectangle may have this many times as many cells as hold rows."""

_NESTED_FROM = 50_000
"""Number of pairs of levels from which it pays to keep a nested term's rows apart."""

_COUNTED = 20_000
"""Number of rows from which they are put in order by counting."""


@dataclass(frozen=True)
class Cells:
    """Rows in the order of their cells, and what the cells have in common.

    Parameters
    ----------
    order : ndarray of int, shape (n,)
        ``rows[order]`` puts rows into cell order.
    cell : ndarray of int, shape (n,)
        The cell of each row, in that order: 0, ..., 0, 1, ...
    shape : tuple of int
        (C,) for C cells that hold rows; (B, A) for a rectangle, whose cells are numbered row by
        row and may be empty.
    axis : tuple of int
        For each term the axis of ``shape`` along which its level varies.
    level : tuple of ndarray of int
        The level of each random term in each cell: (C,), or (1, A) or (B, 1) in a rectangle.
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
    shape: tuple[int, ...]
    axis: tuple[int, ...]
    level: tuple[np.ndarray, ...]
    n_levels: tuple[int, ...]
    F: np.ndarray | None
    columns: tuple[tuple[int, ...], ...]
    XT: np.ndarray

    @cached_property
    def n_cells(self) -> int:
        """Number of cells."""
        return int(np.prod(self.shape))

    @property
    def m(self) -> int:
        """Number of distinct basis columns."""
        return 1 if self.F is None else len(self.F)

    @cached_property
    def place(self) -> Layout:
        """Where each term's coordinates stand when the equations are solved."""
        sizes = [n * len(c) for n, c in zip(self.n_levels, self.columns)]
        head = largest_last(sizes)[-1]
        nested = [t for t in range(len(sizes)) if t != head and self._nested(t, head)]
        rest = (*nested, *(t for t in range(len(sizes)) if t != head and t not in nested))
        ends = np.cumsum([0, *(sizes[t] for t in rest)])
        slices = {t: slice(int(a), int(b)) for t, a, b in zip(rest, ends, ends[1:])}
        owner = np.zeros((len(nested), self.n_levels[head]), dtype=np.intp)
        for row, t in zip(owner, nested):
            row[:] = slices[t].start + self.level[t].reshape(-1)
        starts = tuple(s for t in nested if (s := self.starts[t]) is not None)
        return Layout(head, rest, slices, int(ends[-1]), Nesting(owner, starts, ends[len(nested)]))

    def _nested(self, t: int, head: int) -> bool:
        """Whether a term is to be kept as one entry a level of the head, which names its level."""
        return (
            self.F is None
            and len(self.shape) == 2
            and self.axis[t] == self.axis[head]
            and self.starts[t] is not None
            and self.n_levels[t] * self.n_levels[head] >= _NESTED_FROM
        )

    @cached_property
    def whole(self) -> tuple[bool, ...]:
        """Whether the cells along a term's axis are its levels, one by one."""
        return tuple(
            level.size == n and bool((level.ravel() == np.arange(n)).all())
            for level, n in zip(self.level, self.n_levels)
        )

    @cached_property
    def starts(self) -> tuple[np.ndarray | None, ...]:
        """Where each level begins along its term's axis; None if they are mixed or one is empty."""
        return tuple(_starts(level.ravel(), n) for level, n in zip(self.level, self.n_levels))

    @cached_property
    def _pair_code(self) -> dict[tuple[int, int], np.ndarray]:
        """``level_t * n_levels_s + level_s`` of each cell, kept from the first time of asking."""
        return {}

    def sums(self, rows: np.ndarray) -> np.ndarray:
        """Sum over each cell's rows, which lie along the last axis."""
        if self.shape == rows.shape[-1:]:
            return rows
        if rows.ndim == 1:
            return np.bincount(self.cell, rows, self.n_cells).reshape(self.shape)
        out = np.empty((len(rows), self.n_cells))
        for total, row in zip(out, rows):
            total[:] = np.bincount(self.cell, row, self.n_cells)
        return out.reshape(-1, *self.shape)

    def spread(self, cells: np.ndarray) -> np.ndarray:
        """Give each row its cell's value; the cells lie along the last axes."""
        flat = cells.reshape(*cells.shape[: cells.ndim - len(self.shape)], -1)
        return flat if self.shape == self.cell.shape else flat.take(self.cell, axis=-1)

    def project(self, rows: np.ndarray) -> list[np.ndarray]:
        """Z' rows: for each term an array (levels, k)."""
        if self.F is None:
            margins = self.margins(self.sums(rows))
            return [self.by_level(t, margins[axis])[:, None] for t, axis in enumerate(self.axis)]
        by_column = self.sums(self.F * rows)
        return [
            np.array([self.by_level(t, by_column[c]) for c in columns]).T
            for t, columns in enumerate(self.columns)
        ]

    def margins(self, moments: np.ndarray) -> dict[int, np.ndarray]:
        """Sum cells' values along each axis that a term varies on, once for all of its terms."""
        if moments.ndim == 1:
            return {0: moments}
        return {axis: np.add.reduce(moments, axis=1 - axis) for axis in set(self.axis)}

    def by_level(self, t: int, moments: np.ndarray) -> np.ndarray:
        """Sum cells' values, or those along the term's axis, over each level of term t."""
        if moments.ndim == 2:
            moments = np.add.reduce(moments, axis=1 - self.axis[t])
        if self.whole[t]:
            return moments
        starts = self.starts[t]
        if starts is not None:
            return np.add.reduceat(moments, starts)
        return np.bincount(self.level[t].reshape(-1), moments, self.n_levels[t])

    def by_pair(self, t: int, s: int, moments: np.ndarray) -> np.ndarray:
        """Sum cells' values over each pair of levels of terms t and s; (levels_t, levels_s)."""
        first, second = self.starts[t], self.starts[s]
        across = self.axis[t] != self.axis[s]
        if across and first is not None and second is not None:
            out = moments if self.axis[t] == 0 else moments.T
            out = out if self.whole[t] else np.add.reduceat(out, first, axis=0)
            return out if self.whole[s] else np.add.reduceat(out, second, axis=1)
        if moments.ndim == 2 and not across:
            moments = np.add.reduce(moments, axis=1 - self.axis[t])
        n_t, n_s = self.n_levels[t], self.n_levels[s]
        if (t, s) not in self._pair_code:
            self._pair_code[t, s] = (self.level[t] * n_s + self.level[s]).reshape(-1)
        return np.bincount(self._pair_code[t, s], moments.reshape(-1), n_t * n_s).reshape(n_t, n_s)

    def at_pair(self, t: int, s: int, matrix: np.ndarray) -> np.ndarray:
        """Give each cell the entry of its levels of terms t and s; of the shape of their levels."""
        if self.axis[t] == self.axis[s]:
            return matrix[self.level[t], self.level[s]]
        if self.axis[t] == 1:  # the cells' own order, in which the look-up runs along memory
            return self.at_pair(s, t, matrix.T)
        out = matrix if self.whole[t] else matrix.take(self.level[t].reshape(-1), axis=0)
        out = out if self.whole[s] else out[:, self.level[s].reshape(-1)]
        return out

    def expand(self, effects: list[np.ndarray]) -> np.ndarray:
        """Z u in cell order, from each term's effects (levels, k)."""
        if self.F is None:
            by_axis: dict[int, np.ndarray] = {}
            for axis, level, u in zip(self.axis, self.level, effects):
                own = u[:, 0][level]
                by_axis[axis] = by_axis[axis] + own if axis in by_axis else own
            return self.spread(reduce(np.add, by_axis.values()))
        at_cell = np.zeros((self.m, *self.shape))
        for level, columns, u in zip(self.level, self.columns, effects):
            for j, c in enumerate(columns):
                at_cell[c] += u[:, j][level]
        return np.einsum("mn,mn->n", self.F, self.spread(at_cell))

    def quadratic(self, at_cell: np.ndarray) -> np.ndarray:
        """Each row's f' Q f, from the symmetric Q (m, m, ...) of its cell."""
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
    nesting : Nesting
        The first of the rest's terms, of which each level of the head has one level.
    """

    head: int
    rest: tuple[int, ...]
    slices: dict[int, slice]
    q_rest: int
    nesting: Nesting


def largest_last(sizes: list[int]) -> list[int]:
    """Terms by their number of coordinates; among equals the last one is the largest."""
    return [int(t) for t in np.argsort(sizes, kind="stable")]


_sorted: WeakKeyDictionary[Design, Cells] = WeakKeyDictionary()
"""The cells of every design in use, sorted once."""


def cells_of(design: Design) -> Cells:
    """Sort a design's rows into cells, the first time it is asked for.

    Parameters
    ----------
    design : Design

    Returns
    -------
    Cells
    """
    if design not in _sorted:
        terms = design.terms
        _sorted[design] = build_cells(
            tuple(term.index for term in terms),
            tuple(term.n_levels for term in terms),
            tuple(term.basis for term in terms),
            design.X,
        )
    return _sorted[design]


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
    by_size = largest_last([n * b.shape[1] for n, b in zip(n_levels, basis)])
    order, cell, shape, axis, level = _rectangle(index, n_levels, by_size) or _occupied(
        index, n_levels, by_size
    )
    distinct: list[np.ndarray] = []
    columns = tuple(
        tuple(_place(column, distinct) for column in np.asarray(b, dtype=float).T) for b in basis
    )
    constant = len(distinct) == 1 and bool((distinct[0] == 1.0).all())
    XT = np.empty((X.shape[1], len(X)))
    for row, column in zip(XT, np.asarray(X, dtype=float).T):
        np.take(column, order, out=row, mode="clip")  # which does without a copy on the way
    return Cells(
        order=order,
        cell=cell,
        shape=shape,
        axis=axis,
        level=level,
        n_levels=tuple(n_levels),
        F=None if constant else np.stack([column[order] for column in distinct]),
        columns=columns,
        XT=XT,
    )


_Sorted = tuple[np.ndarray, np.ndarray, tuple[int, ...], tuple[int, ...], tuple[np.ndarray, ...]]
"""order, cell, shape, axis and level of :class:`Cells`."""


def _rectangle(
    index: tuple[np.ndarray, ...], n_levels: tuple[int, ...], by_size: list[int]
) -> _Sorted | None:
    """Cells of the largest term by whatever is not nested in it, if few of them are empty."""
    n, head = len(index[0]), by_size[-1]
    across = n_levels[head]
    named = {t: _first(index[head], index[t], across, n_levels[t]) for t in by_size}
    crossed = [t for t in by_size if not np.array_equal(named[t][index[head]], index[t])]
    if across * max((n_levels[t] for t in crossed), default=1) > _EMPTY * n:
        return None
    side, down = _combined(index, n_levels, crossed)
    if across * down > _EMPTY * n:
        return None
    code = side * across + index[head]
    counts = np.bincount(code, minlength=across * down)
    if across * down > _EMPTY * np.count_nonzero(counts):
        return None
    level = tuple(
        _first(side, i, down, n_levels[t])[:, None] if t in crossed else named[t][None]
        for t, i in enumerate(index)
    )
    order = _in_order(code, across * down)
    axis = tuple(0 if t in crossed else 1 for t in range(len(index)))
    return order, code[order], (down, across), axis, level


def _occupied(
    index: tuple[np.ndarray, ...], n_levels: tuple[int, ...], by_size: list[int]
) -> _Sorted:
    """Cells that hold rows, those of one level of the largest term together."""
    code, size = _combined(index, n_levels, by_size[::-1])
    order = _in_order(code, size)
    code = code[order]
    new = np.concatenate([[True], code[1:] != code[:-1]])
    first = order[new]
    level = tuple(np.asarray(i)[first].astype(np.intp) for i in index)
    return order, np.cumsum(new) - 1, (len(first),), (0,) * len(index), level


def _combined(
    index: tuple[np.ndarray, ...], n_levels: tuple[int, ...], terms: list[int]
) -> tuple[np.ndarray, int]:
    """Code of each row's combination of levels, the first term's outermost, and their number."""
    code, size = np.zeros(len(index[0]), dtype=np.int64), 1
    for t in terms:
        if size > len(code):  # only combinations that occur keep a code
            present, code = np.unique(code, return_inverse=True)
            size = len(present)
        code, size = code * n_levels[t] + index[t], size * n_levels[t]
    return code, size


def _first(code: np.ndarray, level: np.ndarray, size: int, n_levels: int) -> np.ndarray:
    """Level of one row of each code; where there is no row any level will do."""
    out = np.minimum(np.arange(size), n_levels - 1)
    out[code] = level
    return out


def _in_order(code: np.ndarray, size: int) -> np.ndarray:
    """Sort rows by their code; by counting where there are many, which takes no comparisons."""
    n = len(code)
    if n < _COUNTED or size > _EMPTY * n:
        return np.argsort(code, kind="stable")
    one_a_column = (np.ones(n, dtype=np.int8), code, np.arange(n + 1))
    return csc_array(one_a_column, shape=(size, n)).tocsr().indices.astype(np.intp)


def _starts(level: np.ndarray, n_levels: int) -> np.ndarray | None:
    """Where each level begins in a sorted sequence that holds them all."""
    starts = np.flatnonzero(np.diff(level, prepend=-1))
    in_order = len(starts) == n_levels and bool((level[starts] == np.arange(n_levels)).all())
    return starts if in_order else None


def _place(column: np.ndarray, distinct: list[np.ndarray]) -> int:
    """Where a basis column stands among the distinct ones, adding it when it is new."""
    for at, other in enumerate(distinct):
        if np.array_equal(column, other):
            return at
    distinct.append(column)
    return len(distinct) - 1
