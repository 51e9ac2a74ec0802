"""The block factor and its inverse against dense linear algebra on the same matrix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine import cross_products as blocks
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.cholesky import Factor, factorise
from reedlab.mixed.engine.cross_products import cross_products
from reedlab.mixed.engine.inverse import invert


def columns(design: Design) -> np.ndarray:
    """Z, term by term in the formula's order, then X."""
    parts = []
    for term in design.terms:
        Z = np.zeros((design.n, term.n_levels, term.k))
        Z[np.arange(design.n), term.index] = term.basis
        parts.append(Z.reshape(design.n, -1))
    return np.hstack([*parts, design.X])


def scaling(design: Design, theta: np.ndarray) -> np.ndarray:
    """Λ of all levels and an identity for X, on a diagonal of blocks."""
    lambdas = zip(design.terms, design.lambdas(theta))
    return block_diag(*(np.kron(np.eye(t.n_levels), lam) for t, lam in lambdas), np.eye(design.p))


def dense(design: Design, theta: np.ndarray, w: np.ndarray, P: np.ndarray) -> np.ndarray:
    """H, in the same order."""
    A = columns(design) @ scaling(design, theta)
    return A.T @ (w[:, None] * A) + block_diag(np.eye(A.shape[1] - design.p), P)


def deal(design: Design, x: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
    """Cut a vector over H's coordinates into the terms' parts and X's."""
    sizes = np.cumsum([t.n_levels * t.k for t in design.terms])
    *parts, beta = np.split(x, sizes)
    return [part.reshape(-1, t.k) for part, t in zip(parts, design.terms)], beta


CASES = [(seed, crossed) for seed in range(6) for crossed in ("dense", "sparse", "intercepts")]


def case(
    seed: int, crossed: str, monkeypatch: pytest.MonkeyPatch, random_design
) -> tuple[Design, np.ndarray, np.ndarray, np.ndarray, Factor]:
    """A random design with a level without rows, θ, weights, P, and the factor of its H."""
    rng = np.random.default_rng(seed)
    design = random_design(rng, "gaussian", correlated=seed % 2 == 0)
    if crossed == "sparse":  # the sparse blocks are for large designs: force them on a small one
        monkeypatch.setattr(blocks, "_SPARSE_FROM", 0)
        monkeypatch.setattr(blocks, "_SPARSE_BELOW", np.inf)
    first, *others = design.terms
    if crossed == "intercepts":
        first = replace(first, names=("Intercept",), basis=np.ones((design.n, 1)))
    first = replace(first, levels=(*first.levels, "unused"))
    design = replace(design, terms=(first, *others))
    theta, w = rng.uniform(0, 1.5, design.n_theta), rng.uniform(0.1, 2.0, design.n)
    theta[-1] = 0.0
    P = np.diag(rng.uniform(0, 1, design.p))
    cells = cells_of(design)
    factor = factorise(cross_products(cells, w[cells.order], True), design.lambdas(theta), P)
    return design, theta, w, P, factor


@pytest.mark.parametrize(("seed", "crossed"), CASES)
def test_determinants_and_solutions(random_design, monkeypatch, seed: int, crossed: str) -> None:
    design, theta, w, P, factor = case(seed, crossed, monkeypatch, random_design)
    H = dense(design, theta, w, P)
    q = len(H) - design.p
    assert factor.logdet == pytest.approx(np.linalg.slogdet(H)[1])
    assert factor.logdet_u == pytest.approx(np.linalg.slogdet(H[:q, :q])[1])
    np.testing.assert_allclose(factor.cov_beta, np.linalg.inv(H)[q:, q:], rtol=1e-8)
    g = np.random.default_rng(seed).normal(size=len(H))
    g_u, g_beta = deal(design, g)
    u, beta = factor.solve(g_u, g_beta)
    np.testing.assert_allclose(
        np.concatenate([*(a.ravel() for a in u), beta]), np.linalg.solve(H, g), atol=1e-9
    )
    only_u, _ = factor.of_effects().solve(g_u)
    np.testing.assert_allclose(
        np.concatenate([a.ravel() for a in only_u]), np.linalg.solve(H[:q, :q], g[:q]), atol=1e-9
    )


@pytest.mark.parametrize(("seed", "crossed"), CASES)
@pytest.mark.parametrize("with_x", [False, True])
def test_variances_and_traces(
    random_design, monkeypatch, seed: int, crossed: str, with_x: bool
) -> None:
    design, theta, w, P, factor = case(seed, crossed, monkeypatch, random_design)
    H, ZX, scale = dense(design, theta, w, P), columns(design), scaling(design, theta)
    q = len(H) - design.p
    size = len(H) if with_x else q
    H, ZX, scale = H[:size, :size], ZX[:, :size], scale[:size, :size]
    K, inverse = np.linalg.inv(H), invert(factor, with_x)
    covariance = scale[:q, :q] @ K[:q, :q] @ scale[:q, :q].T
    rows = np.einsum("na,ab,nb->n", ZX[:, :q], covariance, ZX[:, :q])
    np.testing.assert_allclose(
        inverse.row_covariance(), rows[cells_of(design).order], rtol=1e-9, atol=1e-12
    )
    products = ZX.T @ (w[:, None] * ZX) @ scale @ K  # Z'W[ZΛ, X] H^-1, the rows of Z first
    start = 0
    for term, own, trace in zip(design.terms, inverse.level_covariances(), inverse.traces()):
        expected = np.zeros((term.k, term.k))
        for level in range(term.n_levels):
            at = slice(start + level * term.k, start + (level + 1) * term.k)
            np.testing.assert_allclose(own[level], covariance[at, at], atol=1e-10)
            expected += products[at, at]
        start += term.n_levels * term.k
        np.testing.assert_allclose(trace, expected, rtol=1e-8, atol=1e-9)


def test_draws_have_the_inverse_as_their_covariance(random_design) -> None:
    design = random_design(np.random.default_rng(3), "gaussian")
    theta = np.full(design.n_theta, 0.7)
    H = dense(design, theta, np.ones(design.n), np.zeros((design.p, design.p)))
    factor = factorise(cross_products(cells_of(design), None, True), design.lambdas(theta))
    dealt = [deal(design, unit) for unit in np.eye(len(H))]  # the map's columns
    normals_u = [np.stack(parts) for parts in zip(*(u for u, _ in dealt))]
    u, beta = factor.sample(normals_u, np.stack([b for _, b in dealt]))
    L = np.hstack([*(a.reshape(len(H), -1) for a in u), beta]).T
    np.testing.assert_allclose(L @ L.T, np.linalg.inv(H), atol=1e-10)
