"""The next lot against plain Monte Carlo and closed forms."""

import numpy as np
import pytest
from scipy.special import expit

from reedlab.decide.next_lot import Ability, next_lot


def ability(n, base, supplier, lot_sd, residual_sd=0.0):
    return Ability(
        base=np.full((n, 2), base) + np.array([0.0, 0.4]),
        weights=np.array([0.75, 0.25]),
        supplier=np.tile(supplier, (n, 1)),
        lot_sd=np.full(n, lot_sd),
        residual_sd=np.full(n, residual_sd),
    )


@pytest.mark.parametrize("correlation", [-0.5, 0.0, 0.5])
def test_expected_is_the_mean_of_many_single_lots(correlation):
    n = 60_000
    good = ability(n, 3.4, [0.1, -0.1], 0.25, 0.3)
    failed = ability(n, 3.1, [0.1, -0.1], 0.25, 0.5)
    lots = next_lot(
        ability(n, 0.2, [0.5, -0.5], 0.6), good, failed, np.ones(2), np.zeros(2), correlation, 3
    )
    p = lots.one.success
    assert lots.expected.success.mean(axis=0) == pytest.approx(p.mean(axis=0), abs=0.003)
    spent = p * lots.one.minutes_success + (1 - p) * lots.one.minutes_failure
    assert lots.expected.minutes.mean(axis=0) == pytest.approx(spent.mean(axis=0), rel=0.006)
    got = np.corrcoef(np.log(p[:, 0] / (1 - p[:, 0])), np.log(lots.one.minutes_success[:, 0]))
    assert got[0, 1] == pytest.approx(correlation, abs=0.03)


def test_without_lots_that_differ_the_closed_forms_hold():
    lots = next_lot(
        ability(3, 0.2, [0.5, -0.5], 0.0),
        ability(3, 3.4, [0.0, 0.0], 0.0, 0.3),
        ability(3, 3.0, [0.0, 0.0], 0.0, 0.5),
        np.ones(2),
        np.zeros(2),
    )
    by_hand = 0.75 * expit(0.7) + 0.25 * expit(1.1)
    assert lots.one.success[:, 0] == pytest.approx(by_hand)
    assert lots.expected.success[:, 0] == pytest.approx(by_hand)
    mean = np.exp(3.4 + 0.3**2 / 2) * (0.75 + 0.25 * np.exp(0.4))
    assert lots.expected.minutes_success == pytest.approx(mean)


def test_a_bench_without_minutes_counts_none():
    lots = next_lot(ability(4, 0.0, [0.0, 1.0], 0.3), None, None, np.array([1.0, 2.0]), np.zeros(2))
    assert (lots.expected.minutes == 0).all()
    assert (lots.one.minutes_per_saleable == 0).all()
