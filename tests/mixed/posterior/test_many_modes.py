"""Modes found side by side are those that the fit's engine finds one by one."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.posterior import many_modes
from reedlab.mixed.posterior.conditional import (
    GaussianConditional,
    Modes,
    NewtonConditional,
)
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.scales import Scales


def random_case(seed: int) -> tuple[NewtonConditional, np.ndarray]:
    """One to three intercepts by group, nested or crossed; every other design has trials."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(20, 90))
    x = rng.normal(size=n)
    index, terms = rng.integers(0, 12, n), []
    for t in range(1 + seed % 3):
        at = index // 3 if t == 1 else rng.permutation(index)
        known, ones = tuple(map(str, range(at.max() + 1))), np.ones((n, 1))
        terms.append(RandomTerm(f"g{t}", known, at, ("Intercept",), ones, False))
    trials = rng.integers(1, 9, n).astype(float) if seed % 2 else None
    y = rng.binomial(1 if trials is None else trials.astype(int), 0.7, n).astype(float)
    X = np.column_stack([np.ones(n), x])
    design = Design(y, X, ("Intercept", "x"), tuple(terms), trials=trials)
    scales = Scales.of(design.terms, Priors(), residual=False)
    points = np.abs(rng.normal(0.0, 1.0, (7, scales.size)))
    points[3, 0] = 0.0
    return NewtonConditional(design, "binomial", Priors(), scales), points


def assert_alike(cond: NewtonConditional | GaussianConditional, found: Modes, alone: Modes) -> None:
    assert found.x == pytest.approx(alone.x, abs=1e-8)
    assert found.log_density == pytest.approx(alone.log_density, abs=1e-8)
    for one, other in zip(found.factors, alone.factors):
        assert one.logdet == pytest.approx(other.logdet, abs=1e-8)
        assert one.cov_beta == pytest.approx(other.cov_beta, rel=1e-7)
    noise = np.random.default_rng(1).normal(size=(4, cond.m))
    assert cond.sample(found, 2, noise) == pytest.approx(cond.sample(alone, 2, noise), abs=1e-8)


@pytest.mark.parametrize("seed", range(12))
def test_side_by_side_and_one_by_one_are_the_same(seed, monkeypatch):
    cond, points = random_case(seed)
    start = np.random.default_rng(seed).normal(0.0, 3.0, (len(points), cond.m))  # far: steps halve
    assert cond._many is not None
    together = cond.modes(points, start)
    monkeypatch.setattr(many_modes, "_AT_ONCE", 2 * cond.design.n)
    in_pairs = cond.modes(points, start)
    cond._many = None
    alone = cond.modes(points, start)
    for found in (together, in_pairs):
        assert_alike(cond, found, alone)


@pytest.mark.parametrize("seed", range(6))
def test_with_a_residual_too(seed):
    of_odds, points = random_case(2 * seed)
    rng = np.random.default_rng(seed)
    design = replace(of_odds.design, y=rng.normal(3.0, 2.0, of_odds.design.n))
    scales = Scales.of(design.terms, Priors(), residual=True)
    points = np.append(points, rng.normal(0.5, 0.3, (len(points), 1)), axis=1)
    cond = GaussianConditional(design, Priors(), scales)
    assert cond._together
    together = cond.modes(points)
    cond._together = False
    assert_alike(cond, together, cond.modes(points))


def test_a_step_too_far_is_halved(monkeypatch):
    cond, points = random_case(4)
    heights = []
    look = many_modes.ManyModes._look

    def noted(self, *at):
        heights.append(look(self, *at))
        return heights[-1]

    monkeypatch.setattr(many_modes.ManyModes, "_look", noted)
    start = np.full((1, cond.m), 9.0)
    modes = cond.modes(points[:1], start)
    assert any(b.log_joint[0] < a.log_joint[0] for a, b in pairwise(heights))
    cond._many = None
    assert modes.x == pytest.approx(cond.modes(points[:1], start).x, abs=1e-6)
