"""The block factor against dense linear algebra on the same matrix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.sparse import issparse

from reedlab.mixed import blocks, cells
from reedlab.mixed.blocks import cross_products
from reedlab.mixed.factor import factorise
from reedlab.mixed.inverse import invert
from reedlab.mixed.terms import Design


def dense(design: Design, theta: np.ndarray, w: np.ndarray, P: np.ndarray) -> np.ndarray:
    """H, term by term in the formula's order, X last."""
    parts = []
    for term, lam in zip(design.terms, design.lambdas(theta)):
        Z = np.zeros((design.n, term.n_levels, term.k))
        Z[np.arange(design.n), term.index] = term.basis
        parts.append((Z @ lam).reshape(design.n, -1))
    A = np.hstack([*parts, design.X])
    identity = block_diag(np.eye(A.shape[1] - design.p), P)
    return A.T @ (w[:, None] * A) + identity


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("sparse", [False, True])
@pytest.mark.parametrize("rectangle", [False, True])
def test_solve_determinants_and_variances(
    random_design, monkeypatch, seed: int, sparse: bool, rectangle: bool
) -> None:
    rng = np.random.default_rng(seed)
    design = random_design(rng, "gaussian", correlated=seed % 2 == 0)
    if not rectangle:  # cells that hold rows only, as where most pairs of levels do not occur
        monkeypatch.setattr(cells, "_EMPTY", 0)
    if sparse:  # the sparse blocks are for large crossed intercepts: force them on a small one
        monkeypatch.setattr(blocks, "_SPARSE_FROM", 0)
        monkeypatch.setattr(blocks, "_SPARSE_BELOW", np.inf)
        intercepts = tuple(
            replace(t, names=("Intercept",), basis=np.ones((design.n, 1))) for t in design.terms
        )
        design = replace(design, terms=intercepts)
    empty = design.terms[0]  # a level without rows must do no harm
    design = replace(
        design, terms=(replace(empty, levels=(*empty.levels, "unused")), *design.terms[1:])
    )
    theta, w = rng.uniform(0, 1.5, design.n_theta), rng.uniform(0.1, 2.0, design.n)
    P = np.diag(rng.uniform(0, 1, design.p))
    H = dense(design, theta, w, P)
    factor = factorise(
        cross_products(design.cells, w[design.cells.order], True), design.lambdas(theta), P
    )
    assert issparse(factor.V) == sparse
    assert len(design.cells.shape) == 1 + rectangle
    q = H.shape[0] - design.p
    assert factor.logdet == pytest.approx(np.linalg.slogdet(H)[1])
    assert factor.logdet_u == pytest.approx(np.linalg.slogdet(H[:q, :q])[1])
    inverse = np.linalg.inv(H)
    np.testing.assert_allclose(factor.cov_beta, inverse[q:, q:], rtol=1e-8)

    sizes = np.cumsum([t.n_levels * t.k for t in design.terms])[:-1]
    g = rng.normal(size=len(H))
    u, beta = factor.solve(
        [part.reshape(-1, t.k) for part, t in zip(np.split(g[:q], sizes), design.terms)], g[q:]
    )
    exact = inverse @ g
    np.testing.assert_allclose(np.concatenate([a.ravel() for a in u]), exact[:q], atol=1e-9)
    np.testing.assert_allclose(beta, exact[q:], atol=1e-9)

    only_u = block_diag(
        *(np.kron(np.eye(t.n_levels), lam) for t, lam in zip(design.terms, design.lambdas(theta)))
    )
    covariance = only_u @ np.linalg.inv(H[:q, :q]) @ only_u.T
    got = np.concatenate(
        [np.einsum("lkk->lk", c).ravel() for c in invert(factor, False).level_covariances()]
    )
    np.testing.assert_allclose(got, np.diag(covariance), atol=1e-10)


def test_draws_have_the_inverse_as_their_covariance(random_design) -> None:
    rng = np.random.default_rng(3)
    design = random_design(rng, "gaussian")
    theta = np.full(design.n_theta, 0.7)
    H = dense(design, theta, np.ones(design.n), np.zeros((design.p, design.p)))
    factor = factorise(cross_products(design.cells, None, True), design.lambdas(theta))
    shapes = [(t.n_levels, t.k) for t in design.terms]
    columns = []
    for unit in np.eye(len(H)):  # the map's columns: their outer product is the covariance
        at, parts = 0, []
        for shape in shapes:
            parts.append(unit[at : at + np.prod(shape)].reshape(shape))
            at += int(np.prod(shape))
        u, beta = factor.sample(parts, unit[at:])
        columns.append(np.concatenate([*(a.ravel() for a in u), beta]))
    L = np.array(columns).T
    np.testing.assert_allclose(L @ L.T, np.linalg.inv(H), atol=1e-10)
