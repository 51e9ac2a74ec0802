"""The arrow-shaped algebra of the posterior against dense matrices, on random designs."""

from __future__ import annotations

import numpy as np
import pytest

from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.posterior.arrow import Arrow
from reedlab.mixed.posterior.conditional import Conditional
from reedlab.mixed.posterior.conditional_families import conditional
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.scales import Scales

FAMILIES = ("gaussian", "binomial", "ordinal")


def random_design(rng: np.random.Generator, family: str) -> Design:
    """One to three terms, nested or crossed, some with slopes, the largest in any place."""
    n = int(rng.integers(30, 120))
    x = rng.normal(size=n)
    X = np.column_stack([np.ones(n), x, rng.integers(0, 2, n)])
    terms = []
    for t in range(int(rng.integers(1, 4))):
        levels = int(rng.integers(2, 15))
        index = rng.integers(0, levels, n)
        basis = [np.ones(n), x, rng.normal(size=n)][: int(rng.integers(1, 4))]
        names = ("Intercept", "x", "z")[: len(basis)]
        known = tuple(map(str, range(levels)))
        term = RandomTerm(f"g{t}", known, index, names, np.column_stack(basis), bool(t % 2))
        terms.append(term)
    grades = ("C", "B", "A") if family == "ordinal" else ()
    if family == "ordinal":
        X = X[:, 1:]
    y = rng.normal(size=n) if family == "gaussian" else rng.integers(0, 2, n).astype(float)
    if family == "ordinal":
        y = rng.integers(0, 3, n).astype(float)
    return Design(y, X, ("Intercept", "x", "w")[-X.shape[1] :], tuple(terms), grades=grades)


def random_case(seed: int, family: str) -> tuple[Conditional, np.ndarray]:
    rng = np.random.default_rng(seed)
    design = random_design(rng, family)
    scales = Scales.of(design.terms, Priors(), residual=family == "gaussian")
    points = rng.normal(0.0, 0.5, (3, scales.size))
    points[:, : len(scales.sd_names)] = np.abs(points[:, : len(scales.sd_names)])
    points[2, 0] = 0.0
    return conditional(design, family, Priors(), scales), points


def dense_lambda(cond: Conditional, points: np.ndarray, g: int) -> np.ndarray:
    """(u, β) = (this matrix) (v, β), written out level by level."""
    out = np.eye(cond.m)
    for block, lam in zip(cond.blocks, cond.scales.lambdas(points)):
        k = lam.shape[1]
        for at in range(block.start, block.stop, k):
            out[at : at + k, at : at + k] = lam[g]
    return out


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", range(8))
def test_hessian_and_its_factor_are_the_dense_ones(seed, family):
    cond, points = random_case(seed, family)
    rng = np.random.default_rng(seed + 100)
    C = cond.C.toarray()
    weights = rng.random((len(C), len(points)))
    lambdas = cond.scales.lambdas(points)
    factor = cond._hessian(cond.crossproduct(weights), lambdas).factor()
    right = rng.normal(size=(len(points), cond.m))
    for g in range(len(points)):
        L = dense_lambda(cond, points, g)
        H = L.T @ (C.T @ (weights[:, [g]] * C)) @ L
        H[: cond.q, : cond.q] += np.eye(cond.q)
        H[cond.q :, cond.q :] += cond.precision
        chol = np.linalg.cholesky(H)
        np.testing.assert_allclose(factor.dense()[g], chol, rtol=1e-9, atol=1e-9)
        assert factor.half_log_det[g] == pytest.approx(np.log(np.diag(chol)).sum(), rel=1e-11)
        np.testing.assert_allclose(
            factor.solve(right)[g], np.linalg.solve(H, right[g]), rtol=1e-8, atol=1e-9
        )
        np.testing.assert_allclose(
            factor.back(g, np.eye(cond.m)), np.linalg.inv(chol), rtol=1e-8, atol=1e-9
        )
        np.testing.assert_allclose(factor.inverse_diagonal[g], 1.0 / np.diag(chol), rtol=1e-11)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", range(4))
def test_modes_are_modes_and_their_factor_the_curvature(seed, family):
    """By central differences of the log joint density, which is computed without any factor."""
    cond, points = random_case(seed, family)
    cond.close = 1e-13
    modes = cond.modes(points)
    h = 1e-4
    steps = h * np.eye(cond.m)
    for g in range(len(points)):
        at = np.repeat(points[[g]], cond.m, axis=0)
        up = cond.log_joint(modes.x[g] + steps, at)
        down = cond.log_joint(modes.x[g] - steps, at)
        here = cond.log_joint(modes.x[[g]], points[[g]])[0]
        assert np.max(np.abs(up - down)) / (2 * h) < 1e-4
        L = modes.chol[g]
        curvature = -(up - 2 * here + down) / h**2
        np.testing.assert_allclose(np.sum(L**2, axis=1), curvature, rtol=1e-3, atol=1e-3)
        laplace = here - np.log(np.diag(L)).sum()
        assert modes.log_density[g] == pytest.approx(laplace, abs=1e-8)


def test_factors_are_taken_and_joined_in_order():
    cond, points = random_case(3, "binomial")
    a = cond.modes(points)
    again = cond.modes(points[:1]).join(cond.modes(points[1:])).take(np.array([2, 0]))
    np.testing.assert_allclose(again.x, a.x[[2, 0]], atol=1e-6)
    np.testing.assert_allclose(again.chol, a.chol[[2, 0]], rtol=1e-2, atol=1e-2)


def test_points_searched_in_shares_are_the_same(monkeypatch):
    cond, points = random_case(5, "binomial")
    cond.close = 1e-12
    whole = cond.modes(points)
    monkeypatch.setattr("reedlab.mixed.posterior.conditional._HELD", cond.C.shape[0])
    apart = cond.modes(points)
    np.testing.assert_allclose(apart.x, whole.x, atol=1e-7)
    np.testing.assert_allclose(apart.log_density, whole.log_density, atol=1e-8)


def test_a_matrix_that_is_not_positive_definite_is_refused():
    one = np.ones((1, 1, 1, 1))
    with pytest.raises(np.linalg.LinAlgError):
        Arrow(one, 2.0 * one[:, :, 0][..., None], np.ones((1, 1, 1))).factor()
