"""How the rest's coordinates meet the head's: a matrix with rows of two kinds.

A lot has one supplier. Where lots are the head, the rows of suppliers therefore hold one entry a
column, and are kept as those entries alone; the rows of a term that crosses the head, and X's, are
kept whole. That spares a large bench a good part of its products and passes over memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_array, issparse


@dataclass(frozen=True)
class Nesting:
    """Which rows hold one entry a column, and where.

    Parameters
    ----------
    owner : ndarray of int, shape (N, L)
        For each of N nested terms the row in which each column has its entry, never falling.
    starts : tuple of ndarray of int
        For each of them the columns at which a new row begins.
    n : int
        Number of nested rows; they come before all others.
    """

    owner: np.ndarray
    starts: tuple[np.ndarray, ...]
    n: int


@dataclass(frozen=True)
class Coupling:
    """The rest's rows against the head's columns, raw or scaled.

    Parameters
    ----------
    nesting : Nesting
    entry : ndarray, shape (N, L)
        The nested rows' entries.
    full : ndarray or csr_array, shape (r - n, L k)
        The other rows; sparse where they are many and nearly empty.
    """

    nesting: Nesting
    entry: np.ndarray
    full: Any

    def __len__(self) -> int:
        return self.nesting.n + self.full.shape[0]

    def leading(self, r: int) -> Coupling:
        """Give the first r rows, the nested ones among them."""
        if r == len(self):
            return self
        return Coupling(self.nesting, self.entry, self.full[: r - self.nesting.n])

    def scaled(self, by_row: np.ndarray, by_column: np.ndarray) -> Coupling:
        """Scale rows, those of one nested term alike, and columns."""
        n, entry, full = self.nesting.n, self.entry, self.full
        if n:
            entry = entry * by_column * by_row[self.nesting.owner[:, :1]]
        if issparse(full):
            rows = np.repeat(by_row[n:], np.diff(full.indptr))
            data = full.data * by_column[full.indices] * rows
            scaled = csr_array((data, full.indices, full.indptr), shape=full.shape)
        else:
            scaled = full * by_column
            scaled *= by_row[n:, None]
        return Coupling(self.nesting, entry, scaled)

    def gram(self) -> np.ndarray:
        """V V', shape (r, r)."""
        full = self.full @ self.full.T
        if issparse(full):
            full = full.toarray()
        n = self.nesting.n
        if not n:
            return full
        out = np.zeros((len(self), len(self)))
        out[n:, n:] = full
        for i, (starts, entry) in enumerate(zip(self.nesting.starts, self.entry)):
            rows = self.nesting.owner[i, starts]
            crossed = np.add.reduceat(self.full * entry, starts, axis=1)
            out[n:, rows] = crossed
            out[rows, n:] = crossed.T
            for j, other in enumerate(self.entry):
                code = self.nesting.owner[i] * n + self.nesting.owner[j]
                out[:n, :n] += np.bincount(code, entry * other, n * n).reshape(n, n)
        return out

    def times(self, x: np.ndarray) -> np.ndarray:
        """V x, shape (r,)."""
        full = self.full @ x
        return np.concatenate([self._by_row(self.entry * x), full]) if self.nesting.n else full

    def left(self, y: np.ndarray) -> np.ndarray:
        """V' y, shape (..., L k), for y (..., r)."""
        n = self.nesting.n
        if not n:
            return y @ self.full
        return y[..., n:] @ self.full + (self.entry * y[..., self.nesting.owner]).sum(axis=-2)

    def row_products(self, other: Coupling) -> np.ndarray:
        """Inner product of each row with that of another matrix, shape (r,)."""
        if issparse(self.full):
            full = np.asarray(self.full.multiply(other.full).sum(axis=1)).reshape(-1)
        else:
            full = np.einsum("rl,rl->r", self.full, other.full)
        if not self.nesting.n:
            return full
        return np.concatenate([self._by_row(self.entry * other.entry), full])

    def under(self, rr: np.ndarray) -> tuple[Coupling, np.ndarray]:
        """T = rr V where V may have entries, and the diagonal of V' T.

        Parameters
        ----------
        rr : ndarray, shape (r, r)
            A symmetric matrix.

        Returns
        -------
        T : Coupling
            Its full rows are dense.
        along : ndarray, shape (L k,)
        """
        n, owner = self.nesting.n, self.nesting.owner
        if issparse(self.full):
            full = (self.full.T.tocsr() @ rr).T
            along = self.full.multiply(full).sum(axis=0)
            return Coupling(self.nesting, self.entry, full), np.asarray(along).reshape(-1)
        full, entry = rr[n:, n:] @ self.full, np.empty_like(self.entry)
        for i, own in enumerate(owner):
            entry[i] = (rr[own, owner] * self.entry).sum(axis=0)
            across = rr[n:, own]
            entry[i] += np.einsum("rl,rl->l", across, self.full)
            across *= self.entry[i]
            full += across
        along = np.einsum("rl,rl->l", self.full, full)
        if n:
            along += (self.entry * entry).sum(axis=0)
        return Coupling(self.nesting, entry, full), along

    def _by_row(self, entries: np.ndarray) -> np.ndarray:
        """Sum the nested terms' entries (N, L) over each of their rows."""
        return np.bincount(self.nesting.owner.reshape(-1), entries.reshape(-1), self.nesting.n)
