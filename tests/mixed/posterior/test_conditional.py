"""The density of the effects given the standard deviations, on random designs.

Modes, curvature and draws are held against differences of the log joint density, which is computed
row by row without any factor; the log joint density against SciPy's distributions.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import bernoulli, norm

from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine import ordinal
from reedlab.mixed.posterior.conditional import Conditional, conditional
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


def linear_predictor(cond: Conditional, x: np.ndarray, points: np.ndarray) -> np.ndarray:
    """η of one x at one point, level by level."""
    effects, design = cond.scale(x[None], points[None])[0], cond.design
    eta = design.X @ effects[cond.q : cond.q + design.p]
    for term, block in zip(design.terms, cond.blocks):
        u = effects[block].reshape(-1, term.k)
        eta += np.sum(term.basis * u[term.index], axis=1)
    return eta


def hessian(cond: Conditional, x: np.ndarray, point: np.ndarray, h: float = 1e-3) -> np.ndarray:
    """Minus the second differences of the log joint density."""
    e = h * np.eye(cond.m)
    pairs = [(s * e[:, None] + t * e[None]) for s, t in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
    values = []
    for pair in pairs:
        xs = (x + pair).reshape(-1, cond.m)
        values.append(cond.log_joint(xs, np.tile(point, (len(xs), 1))).reshape(cond.m, cond.m))
    return -(values[0] - values[1] - values[2] + values[3]) / (4.0 * h**2)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", range(4))
def test_the_log_joint_is_that_of_the_distributions(seed, family):
    """Differences between two x, so that constants do not matter."""
    cond, points = random_case(seed, family)
    rng, y = np.random.default_rng(seed), cond.design.y
    xs = rng.normal(0.0, 0.5, (2, cond.m))
    xs[:, cond.q + cond.design.p :].sort(axis=1)
    away = xs[:, cond.q :] - cond.mean
    expected = norm.logpdf(xs[:, : cond.q]).sum(axis=1)
    expected -= 0.5 * np.einsum("sp,pq,sq->s", away, cond.precision, away)
    for i, x in enumerate(xs):
        eta = linear_predictor(cond, x, points[0])
        if family == "gaussian":
            expected[i] += norm.logpdf(y, eta, np.exp(points[0, -1])).sum()
        elif family == "binomial":
            expected[i] += bernoulli.logpmf(y.astype(int), expit(eta)).sum()
        else:
            cuts = np.concatenate([[-np.inf], x[cond.q + cond.design.p :], [np.inf]])
            grade = y.astype(int)
            expected[i] += np.log(expit(cuts[grade + 1] - eta) - expit(cuts[grade] - eta)).sum()
    ours = cond.log_joint(xs, points[[0, 0]])
    assert ours[1] - ours[0] == pytest.approx(expected[1] - expected[0], rel=1e-9)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", range(6))
def test_modes_are_modes_and_their_factor_the_curvature(seed, family, monkeypatch):
    cond, points = random_case(seed, family)
    monkeypatch.setattr("reedlab.mixed.posterior.conditional._CLOSE", 1e-13)
    modes = cond.modes(points)
    steps = 1e-4 * np.eye(cond.m)
    row = np.random.default_rng(seed).normal(size=cond.m - cond.q)
    for g, x in enumerate(modes.x):
        at = np.tile(points[g], (cond.m, 1))
        up, down = cond.log_joint(x + steps, at), cond.log_joint(x - steps, at)
        assert np.max(np.abs(up - down)) / 2e-4 < 1e-4
        H = hessian(cond, x, points[g])
        size = np.sqrt(np.diag(H))
        inverse_factor = cond.sample(modes, g, np.eye(cond.m))  # its rows are columns of L'^-1
        np.testing.assert_allclose(inverse_factor @ H @ inverse_factor.T, np.eye(cond.m), atol=2e-4)
        half_log_det = 0.5 * np.linalg.slogdet(H / np.outer(size, size))[1] + np.log(size).sum()
        assert -np.log(modes.inverse_diagonal[g]).sum() == pytest.approx(half_log_det, abs=1e-3)
        whole = np.append(np.zeros(cond.q), row)
        assert modes.variances(row)[g] == pytest.approx(whole @ np.linalg.solve(H, whole), rel=1e-3)
    laplace = cond.log_joint(modes.x, points) + np.log(modes.inverse_diagonal).sum(axis=1)
    np.testing.assert_allclose(np.diff(modes.log_density), np.diff(laplace), rtol=1e-9, atol=1e-7)


def test_points_are_taken_and_joined_in_order():
    cond, points = random_case(3, "binomial")
    both = cond.modes(points)
    again = cond.modes(points[:1]).join(cond.modes(points[1:])).take(np.array([2, 0]))
    np.testing.assert_allclose(again.x, both.x[[2, 0]], atol=1e-6)
    np.testing.assert_allclose(again.log_density, both.log_density[[2, 0]], atol=1e-3)
    np.testing.assert_allclose(
        again.inverse_diagonal, both.inverse_diagonal[[2, 0]], rtol=1e-2, atol=1e-2
    )


def test_grades_say_what_the_fits_likelihood_says():
    """At its thresholds the rows of grades are the engine's cumulative logit."""
    cond, points = random_case(2, "ordinal")
    design, cuts = cond.design, np.array([[-0.4, 0.9], [-1.0, 0.2]])
    x = np.zeros((2, cond.m))
    x[:, cond.q + design.p :] = cuts
    away = x[:, cond.q :] - cond.mean
    prior = -0.5 * np.einsum("sp,pq,sq->s", away, cond.precision, away)
    ours = cond.log_joint(x, points[[0, 0]]) - prior
    theirs = [
        ordinal.likelihood(design)
        .with_extra(ordinal.cut_parameters(each))
        .steps(np.zeros(design.n))
        for each in cuts
    ]
    np.testing.assert_allclose(ours, [loglik for loglik, _, _ in theirs], rtol=1e-12)


def test_thresholds_out_of_order_are_impossible():
    cond, points = random_case(2, "ordinal")
    x = np.zeros((1, cond.m))
    x[0, cond.q + cond.design.p :] = (0.5, -0.5)
    assert cond.log_joint(x, points[:1])[0] == -np.inf
