"""Many symmetric matrices whose leading block is block-diagonal, and their Cholesky factors.

Reeds of one lot say nothing of another lot's effect, given all that lots share. So with the largest
grouping's effects first, the matrix that a posterior node is made of has the shape of an arrow,

    H = [ D   B' ]  =  [ C   0 ] [ C'  V' ]
        [ B   S  ]     [ V   L ] [ 0   L' ],

with D and C block-diagonal, a block of k columns a level. A factor costs O(levels) instead of
O(levels³) and is held in as little. Everything here is done for G such matrices in one call.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.linalg import lapack


@dataclass(frozen=True)
class Arrow:
    """G matrices of the shape above.

    Attributes
    ----------
    head
        D, shape (G, levels, k, k).
    arm
        B, shape (G, r, levels, k).
    rest
        S, shape (G, r, r).
    """

    head: np.ndarray
    arm: np.ndarray
    rest: np.ndarray

    def factor(self) -> ArrowFactor:
        """Factor every matrix.

        Raises
        ------
        numpy.linalg.LinAlgError
            When one is not positive definite.
        """
        if self.head.shape[-1] == 1:
            head = 1.0 / np.sqrt(self.head)
            arm = self.arm * head[:, None, :, :, 0]
        else:
            head = np.linalg.inv(np.linalg.cholesky(self.head))
            arm = np.einsum("grlj,glij->grli", self.arm, head)
        arm = arm.reshape(*self.rest.shape[:2], -1)
        chol = np.linalg.cholesky(self.rest - arm @ arm.transpose(0, 2, 1))
        for g in range(len(chol)):
            chol[g] = lapack.dtrtri(chol[g], lower=1)[0]
        return ArrowFactor(head, arm, chol)


@dataclass(frozen=True)
class ArrowFactor:
    """Lower Cholesky factors of G arrow matrices.

    Attributes
    ----------
    head
        Inverses of the blocks of C, shape (G, levels, k, k).
    arm
        V, shape (G, r, levels k).
    rest
        Inverse of L, shape (G, r, r).
    """

    head: np.ndarray
    arm: np.ndarray
    rest: np.ndarray

    def take(self, order: np.ndarray) -> ArrowFactor:
        """Return the factors in another order."""
        return ArrowFactor(*(getattr(self, f.name)[order] for f in fields(self)))

    def join(self, other: ArrowFactor) -> ArrowFactor:
        """Return these factors and the other ones behind them."""
        both = ((getattr(self, f.name), getattr(other, f.name)) for f in fields(self))
        return ArrowFactor(*(np.concatenate(pair) for pair in both))

    @property
    def inverse_diagonal(self) -> np.ndarray:
        """One over the factors' diagonals, shape (G, m)."""
        head = np.einsum("glkk->glk", self.head).reshape(len(self.head), -1)
        return np.concatenate([head, np.einsum("grr->gr", self.rest)], axis=1)

    @property
    def half_log_det(self) -> np.ndarray:
        """Half the log determinant (G,) of the matrices."""
        return -np.sum(np.log(self.inverse_diagonal), axis=1)

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Solve H x = right for one right-hand side (m,) a matrix, shape (G, m)."""
        q = self.arm.shape[2]
        head = self._blocks(right[:, :q])
        rest = right[:, q:, None] - self.arm @ head[:, :, None]
        rest = self.rest.transpose(0, 2, 1) @ (self.rest @ rest)
        head = head - (self.arm.transpose(0, 2, 1) @ rest)[:, :, 0]
        return np.concatenate([self._blocks(head, transposed=True), rest[:, :, 0]], axis=1)

    def _blocks(self, x: np.ndarray, transposed: bool = False) -> np.ndarray:
        """C⁻¹ x, or its transpose times x, for x (G, levels k)."""
        k = self.head.shape[-1]
        if k == 1:
            return x * self.head.reshape(x.shape)
        letters = "glji,glj->gli" if transposed else "glij,glj->gli"
        return np.einsum(letters, self.head, x.reshape(len(x), -1, k)).reshape(x.shape)

    def back(self, g: int, normals: np.ndarray) -> np.ndarray:
        """Turn standard normals (n, m) into draws of N(0, H⁻¹) of one of the matrices."""
        q, k = self.arm.shape[2], self.head.shape[-1]
        out = np.empty_like(normals)
        rest = np.matmul(normals[:, q:], self.rest[g], out=out[:, q:])
        head = normals[:, :q] - rest @ self.arm[g]
        if k == 1:
            np.multiply(head, self.head[g, :, 0, 0], out=out[:, :q])
        else:
            turned = np.einsum("lji,nlj->nli", self.head[g], head.reshape(len(head), -1, k))
            out[:, :q] = turned.reshape(head.shape)
        return out

    def dense(self) -> np.ndarray:
        """Return the factors as matrices, shape (G, m, m)."""
        (G, r, q), k = self.arm.shape, self.head.shape[-1]
        out = np.zeros((G, q + r, q + r))
        for level, at in enumerate(range(0, q, k)):
            out[:, at : at + k, at : at + k] = np.linalg.inv(self.head[:, level])
        out[:, q:, :q] = self.arm
        out[:, q:, q:] = np.linalg.inv(self.rest)
        return out
