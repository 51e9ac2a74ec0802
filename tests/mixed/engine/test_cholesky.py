"""The block factor against dense linear algebra on the same matrix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.sparse import issparse

from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine import cells
from reedlab.mixed.engine import cross_products as blocks
from reedlab.mixed.engine.binomial import likelihood
from reedlab.mixed.engine.cholesky import factorise
from reedlab.mixed.engine.cross_products import cross_products
from reedlab.mixed.engine.inverse import invert
from reedlab.mixed.engine.laplace import LaplaceObjective


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
    assert issparse(factor.V.full) == sparse
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


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("crossed", [False, True])
def test_rows_of_nested_terms_kept_as_entries(monkeypatch, seed: int, crossed: bool) -> None:
    rng = np.random.default_rng(seed)
    lot, maker = np.arange(200) % 24, rng.integers(5, size=200)
    levels = {"region": lot // 9, "supplier": lot // 4, "lot": lot, "maker": maker}
    if not crossed:
        del levels["maker"]
    one = np.ones((200, 1))
    terms = tuple(
        RandomTerm(name, tuple(map(str, range(i.max() + 1))), i, ("Intercept",), one)
        for name, i in levels.items()
    )
    X = np.column_stack([one, rng.normal(size=200)])
    y = rng.integers(2, size=200).astype(float)

    def found() -> tuple[Design, list[np.ndarray]]:
        design = Design(y, X, ("Intercept", "x"), terms)
        at = np.concatenate([theta, [0.2, -0.3]])
        zero = [np.zeros((t.n_levels, 1)) for t in terms]
        objective = LaplaceObjective(design, likelihood(design), zero)
        value, d_lambda, d_rest = objective(at)
        inverse = invert(objective.mode(at)[0].factor, with_x=False)
        return design, [
            np.array(value),
            np.ravel(d_lambda),
            d_rest,
            inverse.row_covariance(),
            np.concatenate(inverse.level_covariances()),
        ]

    theta = rng.uniform(0.2, 1.0, len(terms))
    _, whole = found()
    monkeypatch.setattr(cells, "_NESTED_FROM", 0)
    design, entries = found()
    assert design.cells.place.nesting.n == 3 + 6
    for one_way, other in zip(whole, entries):
        np.testing.assert_allclose(one_way, other, atol=1e-12)

    w, P = rng.uniform(0.1, 2.0, 200), np.diag([0.3, 0.8])
    H = dense(design, theta, w, P)
    factor = factorise(
        cross_products(design.cells, w[design.cells.order], True), design.lambdas(theta), P
    )
    assert factor.logdet == pytest.approx(np.linalg.slogdet(H)[1], rel=1e-12)
    g = rng.normal(size=len(H))
    u, beta = factor.solve(
        np.split(g[:-2, None], np.cumsum([t.n_levels for t in terms])[:-1]), g[-2:]
    )
    np.testing.assert_allclose(np.concatenate([*(a[:, 0] for a in u), beta]), np.linalg.solve(H, g))
    inverse = np.linalg.inv(H)
    at = np.arange(len(H) - 2)
    theta_by_row = np.repeat(theta, [t.n_levels for t in terms])
    np.testing.assert_allclose(
        np.concatenate([c[:, 0, 0] for c in invert(factor, True).level_covariances()]),
        theta_by_row**2 * inverse[at, at],
    )


def test_draws_have_the_inverse_as_their_covariance(random_design) -> None:
    rng = np.random.default_rng(3)
    design = random_design(rng, "gaussian")
    theta = np.full(design.n_theta, 0.7)
    H = dense(design, theta, np.ones(design.n), np.zeros((design.p, design.p)))
    factor = factorise(cross_products(design.cells, None, True), design.lambdas(theta))
    unit, ends = np.eye(len(H)), np.cumsum([0, *(t.n_levels * t.k for t in design.terms)])
    parts = [
        unit[:, at:end].reshape(len(H), t.n_levels, t.k)
        for at, end, t in zip(ends, ends[1:], design.terms)
    ]
    u, beta = factor.sample(parts, unit[:, ends[-1] :])
    # the map's columns: their outer product is the covariance
    L = np.concatenate([*(a.reshape(len(H), -1) for a in u), beta], axis=1).T
    np.testing.assert_allclose(L @ L.T, np.linalg.inv(H), atol=1e-10)
