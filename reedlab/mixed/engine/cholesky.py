"""The Cholesky factor of the penalised normal equations, the largest term eliminated first.

With C the head's block-diagonal factor and L that of the rest's Schur complement,

    H = [ C   0 ] [ C'  V' ]
        [ V   L ] [ 0   L' ].

The other terms' coordinates come before those of X in the rest, so the leading part of L belongs
to the random effects alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lapack

from reedlab.mixed.engine.coupling import Coupling
from reedlab.mixed.engine.cross_products import Cross, Effects


@dataclass(frozen=True)
class Factor:
    """The Cholesky factor of H at one Λ, and what is asked of it.

    Parameters
    ----------
    cross : Cross
        The raw cross-products that H was made of.
    lambdas : list of ndarray
        Λ of each term.
    head_inverse : ndarray, shape (L, k, k)
        Inverses of the head's lower factors C.
    V : Coupling
        The rest's rows of the factor, (r, L k).
    chol : ndarray, shape (r, r)
        Lower factor of the rest's Schur complement.
    """

    cross: Cross
    lambdas: Effects
    head_inverse: np.ndarray
    V: Coupling
    chol: np.ndarray

    @cached_property
    def logdet_u(self) -> float:
        """Log-determinant of the random effects' block Λ'Z'WZΛ + I."""
        q = self.cross.cells.place.q_rest
        head = np.log(np.einsum("lkk->lk", self.head_inverse)).sum()
        return 2.0 * float(np.log(np.diag(self.chol)[:q]).sum() - head)

    @cached_property
    def logdet_x(self) -> float:
        """Log-determinant of X's Schur complement, the precision of β with u integrated out."""
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
        V, chol = self.V.leading(q), self.chol[:q, :q]
        return Factor(self.cross, self.lambdas, self.head_inverse, V, chol)

    @cached_property
    def cov_beta(self) -> np.ndarray:
        """Covariance (p, p) of β with u integrated out, the inverse of its Schur complement."""
        return inverse_from_cholesky(self.chol_beta)

    def solve(self, g_u: Effects, g_beta: np.ndarray | None = None) -> tuple[Effects, np.ndarray]:
        """Solve H x = g.

        Parameters
        ----------
        g_u : list of ndarray, each shape (levels, k)
            The right-hand side's random part.
        g_beta : ndarray, shape (p,), optional
            Its fixed part, where X took part.

        Returns
        -------
        u : list of ndarray, each shape (levels, k)
        beta : ndarray, shape (p,)
        """
        place = self.cross.cells.place
        head = _apply(self.head_inverse, g_u[place.head])
        rest = -self.V.times(head.ravel())
        for t in place.rest:
            rest[place.slices[t]] += g_u[t].ravel()
        if g_beta is not None:
            rest[place.q_rest :] += g_beta
        if len(rest):
            rest = lapack.dpotrs(self.chol, rest, lower=1)[0]
        return self._deal(head, rest)

    def sample(self, normals_u: Effects, normals_beta: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Turn standard normals into draws of N(0, H^-1), by back-substitution.

        Parameters
        ----------
        normals_u : list of ndarray, each shape (n, levels, k)
        normals_beta : ndarray, shape (n, p)

        Returns
        -------
        u : list of ndarray, each shape (n, levels, k)
        beta : ndarray, shape (n, p)
        """
        place, n = self.cross.cells.place, len(normals_beta)
        parts = [*(normals_u[t].reshape(n, -1) for t in place.rest), normals_beta]
        rest = np.concatenate(parts, axis=1)
        if rest.size:
            inverse = lapack.dtrtri(self.chol, lower=1)[0]  # z'L^-1 is (L'^-1 z)' for every draw
            rest = rest @ inverse
        return self._deal(normals_u[place.head], rest)

    def _deal(self, head: np.ndarray, rest: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Finish back-substitutions in the head and deal the coordinates out to the terms."""
        cells, place = self.cross.cells, self.cross.cells.place
        head = head - self.V.left(rest).reshape(head.shape)
        out: Effects = [head] * len(cells.level)
        out[place.head] = _apply(self.head_inverse.transpose(0, 2, 1), head)
        for t in place.rest:
            shape = (*rest.shape[:-1], cells.n_levels[t], len(cells.columns[t]))
            out[t] = rest[..., place.slices[t]].reshape(shape)
        return out, rest[..., place.q_rest :]


def factorise(cross: Cross, lambdas: Effects, prior_precision: np.ndarray | None = None) -> Factor:
    """Factor H for given Λ.

    Parameters
    ----------
    cross : Cross
    lambdas : list of ndarray, each shape (k, k)
    prior_precision : ndarray, shape (p, p), optional
        P, added to X'WX.

    Returns
    -------
    Factor

    Raises
    ------
    numpy.linalg.LinAlgError
        When H is not positive definite, which only X can bring about.
    """
    place = cross.cells.place
    lam, q = lambdas[place.head], place.q_rest
    if len(lam) == 1:
        scale = lam[0, 0]
        head_inverse = 1.0 / np.sqrt(scale * scale * cross.head + 1.0)
        by_column = scale * head_inverse.reshape(-1)
    else:
        inner = lam.T @ cross.head @ lam
        head_inverse = np.linalg.inv(np.linalg.cholesky(inner + np.eye(len(lam))))
        by_column = lam @ head_inverse.transpose(0, 2, 1)
    by_row = row_scale(cross, lambdas)
    if by_row is not None:
        V = _scale(cross.rest_head, by_row, by_column)
        S = cross.rest * by_row
        S *= by_row[:, None]
    else:
        V = _scale(cross.rest_head, np.ones(len(cross.rest)), by_column)
        V = Coupling(V.nesting, V.entry, mix_rows(V.full, lambdas, cross))
        S = mix_rows(mix_rows(cross.rest, lambdas, cross).T, lambdas, cross)
    S[np.arange(q), np.arange(q)] += 1.0
    if prior_precision is not None:
        S[q:, q:] += prior_precision
    S -= V.gram()
    chol, failed = lapack.dpotrf(S, lower=1, clean=1) if len(S) else (S, 0)
    if failed:
        raise np.linalg.LinAlgError("The penalised normal equations are not positive definite.")
    return Factor(cross, lambdas, head_inverse, V, chol)


def _scale(rows: Coupling, by_row: np.ndarray, by_column: np.ndarray) -> Coupling:
    """Apply Λ and the head's inverse factor to the rest against the head."""
    if by_column.ndim == 1:
        return rows.scaled(by_row, by_column)
    n_h, k_h, _ = by_column.shape
    shaped = np.einsum("rli,lij->rlj", rows.full.reshape(-1, n_h, k_h), by_column)
    full = by_row[:, None] * shaped.reshape(-1, n_h * k_h)
    return Coupling(rows.nesting, rows.entry, full)


def row_scale(cross: Cross, lambdas: Effects) -> np.ndarray | None:
    """λ of each of the rest's rows, 1 for X's; None where a term has several columns."""
    scale = np.ones(len(cross.rest))
    for t, at in cross.cells.place.slices.items():
        if len(lambdas[t]) > 1:
            return None
        scale[at] = lambdas[t][0, 0]
    return scale


def mix_rows(rows: np.ndarray, lambdas: Effects, cross: Cross) -> np.ndarray:
    """Λ' times the rest's rows, term by term; X's rows stay."""
    out = np.array(rows, order="C")
    for t, at in cross.cells.place.slices.items():
        shaped = out[at].reshape(-1, len(lambdas[t]), rows.shape[1])
        out[at] = (lambdas[t].T @ shaped).reshape(-1, rows.shape[1])
    return out


def _apply(matrices: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Multiply each level's matrix (k, k) with its vector (k,), or with each of its vectors."""
    if matrices.shape[-1] == 1:
        return matrices[:, :, 0] * vectors
    return np.einsum("lij,...lj->...li", matrices, vectors)


def inverse_from_cholesky(chol: np.ndarray) -> np.ndarray:
    """Give the inverse of the matrix whose lower Cholesky factor is given."""
    if not len(chol):
        return np.zeros((0, 0))
    lower = lapack.dpotri(chol, lower=1)[0]
    out = lower + lower.T
    out[np.arange(len(out)), np.arange(len(out))] /= 2.0
    return out
