"""The penalised normal equations in blocks, and their Cholesky factor.

For weights W and covariance factors Λ the matrix that every fit solves with is

    H = [ Λ'Z'WZΛ + I   Λ'Z'WX    ]
        [ X'WZΛ         X'WX + P  ]

with P a prior precision on β (0 in a plain fit). The block of the term with most coordinates, the
*head*, is block-diagonal, so it is eliminated first and level by level; what is left, the *rest*
(the other terms, then X), is dense and small. With L the factor of the rest's Schur complement,

    H = [ C   0 ] [ C'  V' ]
        [ V   L ] [ 0   L' ].

The coordinates of the other terms come before those of X in the rest, so the leading part of L
belongs to the random effects alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lapack, solve_triangular

from reedlab.mixed.cells import Cells

Effects = list[np.ndarray]


@dataclass(frozen=True)
class Layout:
    """Where each term's coordinates stand.

    Parameters
    ----------
    head : int
        The term that is eliminated first.
    rest : tuple of int
        The other terms.
    slices : dict of int to slice
        Where each of the rest's terms stands among the rest's coordinates.
    q_rest : int
        Number of the rest's random coordinates; those of X come behind.
    """

    head: int
    rest: tuple[int, ...]
    slices: dict[int, slice]
    q_rest: int


def layout(cells: Cells) -> Layout:
    """Choose the head and place the rest."""
    sizes = [n * len(c) for n, c in zip(cells.n_levels, cells.columns)]
    head = int(np.argmax(sizes))
    rest = tuple(t for t in range(len(sizes)) if t != head)
    slices, at = {}, 0
    for t in rest:
        slices[t] = slice(at, at + sizes[t])
        at += sizes[t]
    return Layout(head, rest, slices, at)


@dataclass(frozen=True)
class Cross:
    """The raw cross-products Z'WZ, Z'WX and X'WX of one set of weights, before Λ.

    Parameters
    ----------
    cells : Cells
    place : Layout
    zz : ndarray, shape (m, m, C)
        Sums over each cell of ``w f_a f_b``.
    head : ndarray, shape (L, k, k)
        The head's own block, level by level.
    rest_head : ndarray, shape (r, L k)
        The rest's coordinates (X last, if asked for) against the head's.
    rest : ndarray, shape (r, r)
        The rest against itself.
    p : int
        Number of X's coordinates, 0 where X was left out.
    """

    cells: Cells
    place: Layout
    zz: np.ndarray
    head: np.ndarray
    rest_head: np.ndarray
    rest: np.ndarray
    p: int


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
    place, m, n_cells = layout(cells), cells.m, len(cells.starts)
    p = len(cells.XT) if with_x else 0
    weighted = _weighted_basis(cells, weights)
    zz = np.empty((m, m, n_cells))
    for a in range(m):
        for b in range(a, m):
            zz[a, b] = zz[b, a] = cells.sums(
                weighted[a] if cells.F is None else weighted[a] * cells.F[b]
            )
    h = place.head
    n_h, k_h, r = cells.n_levels[h], len(cells.columns[h]), place.q_rest + p
    head = np.empty((n_h, k_h, k_h))
    for i, a in enumerate(cells.columns[h]):
        for j, b in enumerate(cells.columns[h]):
            head[:, i, j] = np.bincount(cells.level[h], zz[a, b], n_h)
    rest_head, rest = np.zeros((r, n_h * k_h)), np.zeros((r, r))
    for t in place.rest:
        block = rest_head[place.slices[t]]
        block.reshape(cells.n_levels[t], -1, n_h, k_h)[:] = _pair(cells, zz, t, h)
        for s in place.rest:
            if s < t:
                continue
            both = _pair(cells, zz, t, s)
            size = both.shape[0] * both.shape[1]
            rest[place.slices[t], place.slices[s]] = both.reshape(size, -1)
            rest[place.slices[s], place.slices[t]] = both.reshape(size, -1).T
    if p:
        q = place.q_rest
        zx = [cells.sums(cells.XT * row) for row in weighted]
        for t, columns in enumerate(cells.columns):
            for i, a in enumerate(columns):
                for j in range(p):
                    share = np.bincount(cells.level[t], zx[a][j], cells.n_levels[t])
                    if t == h:
                        rest_head[q + j, i::k_h] = share
                    else:
                        at = np.arange(place.slices[t].start, place.slices[t].stop)
                        at = at[i :: len(columns)]
                        rest[q + j, at] = rest[at, q + j] = share
        wx = cells.XT if weights is None else cells.XT * weights
        rest[q:, q:] = wx @ cells.XT.T
    return Cross(cells, place, zz, head, rest_head, rest, p)


def _weighted_basis(cells: Cells, weights: np.ndarray | None) -> np.ndarray:
    n = len(cells.order)
    if cells.F is None:
        return (np.ones(n) if weights is None else weights)[None]
    return cells.F if weights is None else cells.F * weights


def _pair(cells: Cells, zz: np.ndarray, t: int, s: int) -> np.ndarray:
    """Z_t' W Z_s as an array (L_t, k_t, L_s, k_s)."""
    n_t, n_s = cells.n_levels[t], cells.n_levels[s]
    out = np.empty((n_t, len(cells.columns[t]), n_s, len(cells.columns[s])))
    code = cells.level[t] * n_s + cells.level[s]
    for i, a in enumerate(cells.columns[t]):
        for j, b in enumerate(cells.columns[s]):
            out[:, i, :, j] = np.bincount(code, zz[a, b], n_t * n_s).reshape(n_t, n_s)
    return out


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
    V : ndarray, shape (r, L k)
        The rest's rows of the factor.
    chol : ndarray, shape (r, r)
        Lower factor of the rest's Schur complement.
    """

    cross: Cross
    lambdas: Effects
    head_inverse: np.ndarray
    V: np.ndarray
    chol: np.ndarray

    @cached_property
    def logdet_u(self) -> float:
        """Log-determinant of the random effects' block Λ'Z'WZΛ + I."""
        q = self.cross.place.q_rest
        diagonal = np.einsum("lkk->lk", self.head_inverse)
        return 2.0 * float(np.log(np.diag(self.chol)[:q]).sum() - np.log(diagonal).sum())

    @cached_property
    def logdet_x(self) -> float:
        """Log-determinant of X's Schur complement, the precision of β with u integrated out."""
        return 2.0 * float(np.log(np.diag(self.chol)[self.cross.place.q_rest :]).sum())

    @property
    def logdet(self) -> float:
        """Log-determinant of the whole of H."""
        return self.logdet_u + self.logdet_x

    @cached_property
    def chol_beta(self) -> np.ndarray:
        """Lower factor (p, p) of the precision of β with u integrated out."""
        q = self.cross.place.q_rest
        return self.chol[q:, q:]

    @cached_property
    def cov_beta(self) -> np.ndarray:
        """Covariance (p, p) of β with u integrated out, the inverse of its Schur complement."""
        return _inverse_from_cholesky(self.chol_beta)

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
        place = self.cross.place
        parts = [g_u[t].ravel() for t in place.rest]
        if self.cross.p:
            parts.append(np.zeros(self.cross.p) if g_beta is None else g_beta)
        rest = np.concatenate(parts) if parts else np.zeros(0)
        head = _apply(self.head_inverse, g_u[place.head])
        rest = rest - self.V @ head.ravel()
        if len(rest):
            rest = lapack.dpotrs(self.chol, rest, lower=1)[0]
        return self._split(head, rest)

    def sample(self, normals_u: Effects, normals_beta: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Turn standard normals into a draw of N(0, H^-1), by back-substitution.

        Parameters
        ----------
        normals_u : list of ndarray, each shape (levels, k)
        normals_beta : ndarray, shape (p,)

        Returns
        -------
        u, beta
            As for :meth:`solve`.
        """
        place = self.cross.place
        rest = np.concatenate([*(normals_u[t].ravel() for t in place.rest), normals_beta])
        if len(rest):
            rest = solve_triangular(self.chol, rest, lower=True, trans=1, check_finite=False)
        return self._split(normals_u[place.head], rest)

    def _split(self, head: np.ndarray, rest: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Finish the back-substitution in the head and deal the coordinates out to the terms."""
        cells, place = self.cross.cells, self.cross.place
        head = head - (rest @ self.V).reshape(head.shape)
        out: Effects = [np.empty(0)] * len(cells.level)
        out[place.head] = _apply(self.head_inverse.transpose(0, 2, 1), head)
        for t in place.rest:
            out[t] = rest[place.slices[t]].reshape(cells.n_levels[t], -1)
        return out, rest[place.q_rest :]

    def inverse(self, with_x: bool) -> Inverse:
        """Give the parts of H^-1 that gradients and conditional variances need.

        Parameters
        ----------
        with_x : bool
            Whether β counts as uncertain; without it only the random effects' block is inverted.
        """
        q = len(self.chol) if with_x else self.cross.place.q_rest
        n_h, k_h, _ = self.head_inverse.shape
        rr = _inverse_from_cholesky(self.chol[:q, :q])
        T = rr @ self.V[:q]
        if k_h == 1:
            c = self.head_inverse.reshape(-1)
            hh = (c * c * (1.0 + np.einsum("rl,rl->l", self.V[:q], T))).reshape(n_h, 1, 1)
            return Inverse(self, rr, -T * c, hh)
        T3 = T.reshape(q, n_h, k_h)
        inner = np.einsum("rli,rlj->lij", self.V[:q].reshape(q, n_h, k_h), T3) + np.eye(k_h)
        hh = self.head_inverse.transpose(0, 2, 1) @ inner @ self.head_inverse
        rh = -np.einsum("rli,lij->rlj", T3, self.head_inverse).reshape(q, n_h * k_h)
        return Inverse(self, rr, rh, hh)


def _apply(matrices: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Multiply each level's matrix (k, k) with its vector (k,)."""
    if matrices.shape[-1] == 1:
        return matrices[:, :, 0] * vectors
    return np.einsum("lij,lj->li", matrices, vectors)


def _inverse_from_cholesky(chol: np.ndarray) -> np.ndarray:
    if not len(chol):
        return np.zeros((0, 0))
    lower = lapack.dpotri(chol, lower=1)[0]
    return np.tril(lower) + np.tril(lower, -1).T


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
    place = cross.place
    lam = lambdas[place.head]
    n_h, k_h, _ = cross.head.shape
    if k_h == 1:
        scale = lam[0, 0]
        head_inverse = 1.0 / np.sqrt(scale * scale * cross.head + 1.0)
        V = cross.rest_head * (scale * head_inverse.reshape(-1))
    else:
        head = np.linalg.cholesky(lam.T @ cross.head @ lam + np.eye(k_h))
        head_inverse = np.linalg.inv(head)
        V = np.einsum(
            "rli,lij->rlj",
            cross.rest_head.reshape(-1, n_h, k_h),
            lam @ head_inverse.transpose(0, 2, 1),
        ).reshape(-1, n_h * k_h)
    V = _scale_rows(V, lambdas, place)
    S = _scale_rows(_scale_rows(cross.rest, lambdas, place).T, lambdas, place)
    S[np.arange(place.q_rest), np.arange(place.q_rest)] += 1.0
    if prior_precision is not None:
        S[place.q_rest :, place.q_rest :] += prior_precision
    S -= V @ V.T
    return Factor(cross, lambdas, head_inverse, V, np.linalg.cholesky(S))


def _scale_rows(rows: np.ndarray, lambdas: Effects, place: Layout) -> np.ndarray:
    """Λ' times the rest's rows, term by term; X's rows stay."""
    out = np.array(rows, order="C")
    for t in place.rest:
        part, lam = out[place.slices[t]], lambdas[t]
        if len(lam) == 1:
            part *= lam[0, 0]
        else:
            shaped = part.reshape(-1, len(lam), rows.shape[1])
            shaped[:] = lam.T @ shaped
    return out


@dataclass(frozen=True)
class Inverse:
    """Parts of H^-1, in the coordinates of v.

    Parameters
    ----------
    factor : Factor
    rr : ndarray, shape (q, q)
        The rest against itself.
    rh : ndarray, shape (q, L k)
        The rest against the head.
    hh : ndarray, shape (L, k, k)
        The head's diagonal blocks.
    """

    factor: Factor
    rr: np.ndarray
    rh: np.ndarray
    hh: np.ndarray

    @cached_property
    def at_cells(self) -> dict[tuple[int, int], np.ndarray]:
        """For each pair of terms the blocks (C, k_s, k_t) between each cell's levels."""
        cells, place = self.factor.cross.cells, self.factor.cross.place
        h, n_terms = place.head, len(cells.level)
        out = {}
        for s in range(n_terms):
            for t in range(s, n_terms):
                if s == t == h:
                    block = self.hh[cells.level[h]]
                elif h in (s, t):
                    other = t if s == h else s
                    shaped = self.rh[place.slices[other]].reshape(
                        cells.n_levels[other], -1, cells.n_levels[h], len(cells.columns[h])
                    )
                    block = shaped[cells.level[other], :, cells.level[h], :]
                    block = block.transpose(0, 2, 1) if s == h else block
                else:
                    shaped = self.rr[place.slices[s], place.slices[t]].reshape(
                        cells.n_levels[s], len(cells.columns[s]), cells.n_levels[t], -1
                    )
                    block = shaped[cells.level[s], :, cells.level[t], :]
                out[s, t] = block
                out[t, s] = block.transpose(0, 2, 1)
        return out

    def row_covariance(self) -> np.ndarray:
        """Var(η) of each row that the random effects bring, H^-1 taken as covariance; (n,)."""
        cells, lambdas = self.factor.cross.cells, self.factor.lambdas
        Q = np.zeros((cells.m, cells.m, len(cells.starts)))
        for (s, t), block in self.at_cells.items():
            scaled = lambdas[s] @ block @ lambdas[t].T
            for i, a in enumerate(cells.columns[s]):
                for j, b in enumerate(cells.columns[t]):
                    Q[a, b] += scaled[:, i, j]
        return cells.quadratic(Q)

    def traces(self) -> Effects:
        """For each term t, Σ over levels of the (k, k) diagonal blocks of Z'W[ZΛ, X] H^-1.

        The entry (i, j) is half the derivative of log det H in Λ_t[i, j]. There is no division by
        θ in it, so it is exact at the boundary.
        """
        cross, lambdas = self.factor.cross, self.factor.lambdas
        cells, place = cross.cells, cross.place
        out = []
        for t, columns in enumerate(cells.columns):
            D = np.zeros((len(columns), len(columns)))
            for s, others in enumerate(cells.columns):
                scaled = lambdas[s] @ self.at_cells[s, t]
                zz = cross.zz[np.ix_(columns, others)]
                D += np.einsum("iac,caj->ij", zz, scaled)
            if len(self.rr) > place.q_rest:
                D += self._x_trace(t, len(columns))
            out.append(D)
        return out

    def _x_trace(self, t: int, k: int) -> np.ndarray:
        cross, place = self.factor.cross, self.factor.cross.place
        q = place.q_rest
        if t == place.head:
            raw, inverse = cross.rest_head[q:], self.rh[q:]
        else:
            raw, inverse = cross.rest[q:, place.slices[t]], self.rr[q:, place.slices[t]]
        return np.einsum(
            "xli,xlj->ij", raw.reshape(len(raw), -1, k), inverse.reshape(len(raw), -1, k)
        )

    def level_covariances(self) -> Effects:
        """For each term the covariances (levels, k, k) of u = Λ v."""
        cells, place, lambdas = (
            self.factor.cross.cells,
            self.factor.cross.place,
            self.factor.lambdas,
        )
        out = []
        for t, columns in enumerate(cells.columns):
            if t == place.head:
                blocks = self.hh
            else:
                size = cells.n_levels[t]
                own = self.rr[place.slices[t], place.slices[t]]
                own = own.reshape(size, len(columns), size, len(columns))
                blocks = own[np.arange(size), :, np.arange(size), :]
            out.append(lambdas[t] @ blocks @ lambdas[t].T)
        return out
