"""Effects pooled towards none, held to a second route: draws instead of the formula."""

import numpy as np
import pytest

from reedlab.decide import matters


def test_pooled_effects_are_those_of_a_plain_monte_carlo():
    """Draw spreads from their prior and effects given each, and weight by how they fit."""
    e, s = np.array([2.2, -0.4, 0.3]), np.array([0.8, 0.9, 1.1])
    rng = np.random.default_rng(1)
    spread = np.abs(rng.normal(0, 2.0, 400_000))
    effect = spread[:, None] * rng.standard_normal((len(spread), 3))
    weight = np.exp(-0.5 * (((e - effect) / s) ** 2).sum(axis=1))
    found = matters.towards_none(e, s)
    for j in range(3):
        drawn = effect[:, j]
        assert found[j].mean @ found[j].weight == pytest.approx(
            np.average(drawn, weights=weight), abs=0.02
        )
        for size in (-1.0, 0.5, 1.0):
            below = np.average(drawn < size, weights=weight)
            assert found[j].below(size) == pytest.approx(below, abs=0.02)


def test_quantile_and_chance_are_each_others_inverse():
    found = matters.towards_none([1.5, 0.2], [0.7, 1.0])[0]
    for chance in (0.05, 0.5, 0.95):
        assert found.below(found.quantile(chance)) == pytest.approx(chance)
    assert found.within(1.0) == pytest.approx(found.below(1.0) - found.below(-1.0))


def test_of_six_effects_that_are_not_there_one_rarely_seems_to_matter():
    """Taken alone, the strongest of six is beyond a size in one set of two."""
    rng = np.random.default_rng(2)
    likely, alone = 0, 0
    for _ in range(200):
        e = rng.standard_normal(6)
        likely += max(f.beyond(1.0) for f in matters.towards_none(e, np.ones(6))) >= 2 / 3
        alone += np.abs(e).max() > 1.43  # P(N(1.43, 1) > 1) = 2/3
    assert alone > 80 and likely < 20


def test_points_come_from_the_logit():
    # logit 0.7 = 0.8473; 0.8473 - 0.5 = 0.3473, whose share is 0.58597.
    assert matters.points(-0.5, 0.7).item() == pytest.approx(0.58597 - 0.7, abs=1e-4)


def test_a_direction_alone_is_not_beyond_a_size():
    draws = np.full(100, 0.03)
    assert matters.beyond(draws, matters.SUCCESS) == 0.0
    assert matters.beyond(-2 * draws, matters.SUCCESS) == 1.0
