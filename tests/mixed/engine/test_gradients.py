"""Analytic gradients against central differences, on random designs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reedlab.mixed.engine.gaussian import GaussianProfile
from reedlab.mixed.engine.glmm import LaplaceObjective, likelihood_of
from reedlab.mixed.engine.optimise import gradient_in_theta
from reedlab.mixed.engine.quadrature import QuadratureObjective

SEEDS = st.integers(0, 2**32 - 1)


def central(function, x: np.ndarray, h: float = 1e-5) -> np.ndarray:
    out = np.empty(len(x))
    for j in range(len(x)):
        step = np.zeros(len(x))
        step[j] = h
        out[j] = (function(x + step) - function(x - step)) / (2 * h)
    return out


@given(seed=SEEDS, reml=st.booleans(), correlated=st.booleans())
@settings(max_examples=40, deadline=None)
def test_profiled_deviance(random_design, seed: int, reml: bool, correlated: bool) -> None:
    rng = np.random.default_rng(seed)
    design = random_design(rng, "gaussian", correlated)
    profile = GaussianProfile(design, reml)
    theta = rng.uniform(0.05, 1.5, design.n_theta)
    analytic = gradient_in_theta(design, profile.gradient(profile.at(theta)))
    numeric = central(lambda t: profile.at(t).deviance, theta)
    np.testing.assert_allclose(analytic, numeric, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("family", ["binomial", "ordinal"])
@given(seed=SEEDS, correlated=st.booleans())
@settings(max_examples=40, deadline=None)
def test_laplace(random_design, family: str, seed: int, correlated: bool) -> None:
    rng = np.random.default_rng(seed)
    design = random_design(rng, family, correlated)
    start = [np.zeros((t.n_levels, t.k)) for t in design.terms]
    objective = LaplaceObjective(design, likelihood_of(design, family), start)
    theta, beta = rng.uniform(0.05, 1.5, design.n_theta), 0.5 * rng.normal(size=design.p)
    phi = np.array([-0.8, 0.4]) + 0.2 * rng.normal(size=2) if family == "ordinal" else np.zeros(0)
    x = np.concatenate([theta, beta, phi])
    _, d_lambda, d_rest = objective(x)
    analytic = np.concatenate([gradient_in_theta(design, d_lambda), d_rest])
    numeric = central(lambda at: objective(at)[0], x)
    np.testing.assert_allclose(analytic, numeric, rtol=2e-5, atol=2e-5)


@pytest.mark.parametrize("family", ["binomial", "ordinal"])
@given(seed=SEEDS, nodes=st.sampled_from([2, 5, 9]), slope=st.booleans())
@settings(max_examples=25, deadline=None)
def test_quadrature(random_design, family: str, seed: int, nodes: int, slope: bool) -> None:
    rng = np.random.default_rng(seed)
    design = random_design(rng, family, correlated=False)
    term = design.terms[0]
    basis = term.basis[:, 1:] if slope else term.basis[:, :1]
    design = replace(design, terms=(replace(term, names=("one",), basis=basis),))
    start = [np.zeros((term.n_levels, 1))]
    objective = QuadratureObjective(design, likelihood_of(design, family), start, nodes)
    phi = np.array([-0.8, 0.4]) + 0.2 * rng.normal(size=2) if family == "ordinal" else np.zeros(0)
    x = np.concatenate([rng.uniform(0.05, 1.5, 1), 0.5 * rng.normal(size=design.p), phi])
    _, d_lambda, d_rest = objective(x)
    analytic = np.concatenate([gradient_in_theta(design, d_lambda), d_rest])
    numeric = central(lambda at: objective(at)[0], x)
    np.testing.assert_allclose(analytic, numeric, rtol=2e-5, atol=2e-5)


@given(seed=SEEDS)
@settings(max_examples=20, deadline=None)
def test_gradient_at_a_zero_vanishes_and_its_rate_is_that_of_the_variance(
    random_design, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    design = random_design(rng, "binomial")
    start = [np.zeros((t.n_levels, t.k)) for t in design.terms]
    objective = LaplaceObjective(design, likelihood_of(design, "binomial"), start)
    x = np.concatenate([np.full(design.n_theta, 0.6), np.zeros(design.p)])
    x[3] = 0.0  # the sd of h
    value, d_lambda, _ = objective(x)
    assert d_lambda[1][0, 0] == pytest.approx(0.0, abs=1e-12)
    near, small = x.copy(), x.copy()
    near[3], small[3] = 3e-3, 1e-4
    in_variance = objective(small)[1][1][0, 0] / (2 * small[3])
    assert (objective(near)[0] - value) / near[3] ** 2 == pytest.approx(
        in_variance, rel=1e-2, abs=1e-3
    )
