"""The Cholesky factor of the penalised normal equations, the largest term eliminated first.

With C the head's block-diagonal factor and L that of the rest's Schur complement,

    H = [ C   0 ] [ C'  V' ]
        [ V   L ] [ 0   L' ].

The other terms' coordinates come before those of X in the rest, so the leading part of L belongs
to the random effects alone. It is the block-arrow form of the sparse factor of Bates et al. 2015
(Journal of Statistical Software 67(1), section 3), with the head first instead of a fill-reducing
permutation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.linalg import lapack
from scipy.sparse import csr_array, issparse

from reedlab.mixed.engine.cross_products import Cross, Effects


@dataclass(frozen=True)
class Factor:
    """The Cholesky factor of H at one Λ, and what is asked of it."""

    cross: Cross  # the raw cross-products that H was made of
    lambdas: Effects  # Λ of each term
    head_inverse: np.ndarray  # (L, k, k) inverses of the head's lower factors C
    VT: Any  # (L k, r) V', so that what belongs to one level of the head stands together
    chol: np.ndarray  # (r, r) lower factor of the rest's Schur complement

    @cached_property
    def logdet_u(self) -> float:
        """Log-determinant of the random effects' block Λ'Z'WZΛ + I.

        Twice the sum of the logarithms of its factor's diagonal (Bates et al. 2015, section 3), of
        C, whose inverse is at hand, and of the leading part of L.
        """
        head = np.log(np.diagonal(self.head_inverse, axis1=1, axis2=2)).sum()
        rest = np.log(np.diagonal(self.chol)[: self.cross.cells.place.q_rest]).sum()
        return 2.0 * float(rest - head)

    @cached_property
    def logdet_x(self) -> float:
        """Log-determinant of X's Schur complement, the precision of β with u integrated out.

        The further term of the restricted likelihood (Bates et al. 2015, section 3).
        """
        return 2.0 * float(np.log(np.diag(self.chol_beta)).sum())

    @property
    def logdet(self) -> float:
        """Log-determinant of the whole of H."""
        return self.logdet_u + self.logdet_x

    @property
    def chol_beta(self) -> np.ndarray:
        """Lower factor (p, p) of the precision of β with u integrated out."""
        q = self.cross.cells.place.q_rest
        return self.chol[q:, q:]

    def of_effects(self) -> Factor:
        """Give the factor of the random effects' block alone."""
        q = self.cross.cells.place.q_rest
        VT, chol = self.VT[:, :q], self.chol[:q, :q]
        return Factor(self.cross, self.lambdas, self.head_inverse, VT, chol)

    @cached_property
    def cov_beta(self) -> np.ndarray:
        """Covariance (p, p) of β with u integrated out, the inverse of its Schur complement."""
        return inverse_from_cholesky(self.chol_beta)

    def solve(self, g_u: Effects, g_beta: np.ndarray | None = None) -> tuple[Effects, np.ndarray]:
        """Solve H x = g, of a random part (levels, k) a term, and (p,) where X took part."""
        place = self.cross.cells.place
        # Forwards: C a = g in the head, then L L' x = g - V a in the rest.
        head = _apply(self.head_inverse, g_u[place.head])
        rest = -(self.VT.T @ head.ravel())
        for t in place.rest:
            rest[place.slices[t]] += g_u[t].ravel()
        if g_beta is not None:
            rest[place.q_rest :] += g_beta
        if len(rest):
            rest = lapack.dpotrs(self.chol, rest, lower=1)[0]
        return self._deal(head, rest)

    def sample(self, normals_u: Effects, normals_beta: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Turn standard normals (n, levels, k) and (n, p) into draws of N(0, H^-1)."""
        place, n = self.cross.cells.place, len(normals_beta)
        parts = [*(normals_u[t].reshape(n, -1) for t in place.rest), normals_beta]
        rest = np.concatenate(parts, axis=1)
        if rest.size:
            rest = rest @ lapack.dtrtri(self.chol, lower=1)[0]  # z'L^-1 = (L'^-1 z)'
        return self._deal(normals_u[place.head], rest)

    def _deal(self, head: np.ndarray, rest: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Go backwards through the head, C' u = a - V' x, and deal the coordinates out."""
        cells, place = self.cross.cells, self.cross.cells.place
        head = head - (self.VT @ rest.T).T.reshape(head.shape)
        out: Effects = [head] * len(cells.level)
        out[place.head] = _apply(self.head_inverse.transpose(0, 2, 1), head)
        for t in place.rest:
            shape = (*rest.shape[:-1], cells.n_levels[t], len(cells.columns[t]))
            out[t] = rest[..., place.slices[t]].reshape(shape)
        return out, rest[..., place.q_rest :]


def factorise(cross: Cross, lambdas: Effects, prior_precision: np.ndarray | None = None) -> Factor:
    """Factor H for given Λ, with a prior precision P (p, p) added to X'WX.

    LinAlgError says that H is not positive definite, which only X can bring about.
    """
    place = cross.cells.place
    lam, q = lambdas[place.head], place.q_rest
    # The head, level by level: C C' = Λ'Z'WZΛ + I.
    head_inverse = _inverse_factors(lam.T @ cross.head @ lam + np.eye(len(lam)))
    # V' = C^-1 Λ'Z'W[ZΛ, X].
    VT = mix_columns(mix_rows(cross.head_rest, head_inverse @ lam.T), lambdas, cross)
    # The rest's Schur complement, L L' = Λ'Z'WZΛ + I, Λ'Z'WX and X'WX + P, less V V'.
    S = mix_columns(mix_columns(cross.rest.copy(), lambdas, cross).T, lambdas, cross)
    S[np.arange(q), np.arange(q)] += 1.0
    if prior_precision is not None:
        S[q:, q:] += prior_precision
    gram = VT.T @ VT
    S -= gram.toarray() if issparse(gram) else gram
    chol, failed = lapack.dpotrf(S, lower=1, clean=1) if len(S) else (S, 0)
    if failed:
        raise np.linalg.LinAlgError("The penalised normal equations are not positive definite.")
    return Factor(cross, lambdas, head_inverse, VT, chol)


def _inverse_factors(blocks: np.ndarray) -> np.ndarray:
    """C^-1 of each C C' in blocks (L, k, k), all levels at once and entry by entry."""
    k = blocks.shape[1]
    if k == 1:
        return 1.0 / np.sqrt(blocks)
    C, out = np.zeros_like(blocks), np.zeros_like(blocks)
    for j in range(k):
        for i in range(j, k):
            C[:, i, j] = blocks[:, i, j] - (C[:, i, :j] * C[:, j, :j]).sum(axis=1)
        C[:, j, j] = np.sqrt(C[:, j, j])
        C[:, j + 1 :, j] /= C[:, j, j, None]
    for i in range(k):
        out[:, i, i] = 1.0 / C[:, i, i]
        for j in range(i):
            out[:, i, j] = -(C[:, i, j:i] * out[:, j:i, j]).sum(axis=1) * out[:, i, i]
    return out


def mix_rows(rows: Any, matrices: np.ndarray) -> Any:
    """Multiply each level's matrix (k, k) with its rows of a matrix (L k, r)."""
    n_h, k, _ = matrices.shape
    if issparse(rows):
        return _block_diagonal([matrices]) @ rows
    if k == 1:
        return matrices[:, 0] * rows
    if k == 0:
        return rows
    return (matrices @ rows.reshape(n_h, k, -1)).reshape(rows.shape)


def mix_columns(rows: Any, lambdas: Effects, cross: Cross) -> Any:
    """Multiply a matrix over the rest's coordinates with Λ, in place if dense; X's columns stay."""
    place, n_levels = cross.cells.place, cross.cells.n_levels
    if issparse(rows):
        blocks = [np.broadcast_to(lambdas[t], (n_levels[t], *lambdas[t].shape)) for t in place.rest]
        blocks.append(np.ones((rows.shape[1] - place.q_rest, 1, 1)))
        return rows @ _block_diagonal(blocks)
    for t, at in place.slices.items():
        if len(lambdas[t]) == 1:
            rows[:, at] *= lambdas[t][0, 0]
        else:
            own = rows[:, at].reshape(-1, len(lambdas[t]))
            rows[:, at] = (own @ lambdas[t]).reshape(len(rows), -1)
    return rows


def _block_diagonal(parts: list[np.ndarray]) -> csr_array:
    """Sparse matrix of blocks, each part of shape (levels, k, k)."""
    cols, widths, size = [], [], 0
    for blocks in parts:
        n, k, _ = blocks.shape
        first = size + k * np.arange(n)[:, None, None]
        cols.append(np.broadcast_to(first + np.arange(k), blocks.shape).reshape(-1))
        widths.append(np.full(n * k, k))
        size += n * k
    starts = np.cumsum([0, *np.concatenate(widths)])
    data = np.concatenate([blocks.reshape(-1) for blocks in parts])
    return csr_array((data, np.concatenate(cols), starts), shape=(size, size))


def _apply(matrices: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Multiply each level's matrix (k, k) with its vector (k,), or with each of its vectors."""
    if matrices.shape[-1] == 1:
        return matrices[:, :, 0] * vectors
    return (matrices @ vectors[..., None])[..., 0]


def inverse_from_cholesky(chol: np.ndarray) -> np.ndarray:
    """Give the inverse of the matrix whose lower Cholesky factor is given."""
    if not len(chol):
        return np.zeros((0, 0))
    lower = lapack.dpotri(chol, lower=1)[0]
    out = lower + lower.T
    out[np.arange(len(out)), np.arange(len(out))] /= 2.0
    return out
