"""The cost of a saleable reed against cases worked by hand."""

import numpy as np
import pytest

from reedlab.decide import costs

RATES = costs.Rates(wage_per_hour=24.0, staple_price=3.0, staple_recovered=0.5, thread_price=0.2)
TIED = costs.Tied(
    success=0.5, minutes_success=40.0, minutes_failure=20.0, cane=2.0, minutes_before=6.0
)


def test_a_case_worked_by_hand():
    # Two pieces tied: one good, one failed. Bench: 2 x 6 + 40 + 20 = 72 min = 1.2 h = 28.80.
    # Cane 2 x 2 = 4.00; thread 0.40; staples: one sold, half of one lost = 4.50.
    assert TIED.minutes_per_saleable == pytest.approx(72)
    assert costs.cost_per_saleable(TIED, RATES) == pytest.approx(28.80 + 4.00 + 0.40 + 4.50)
    assert costs.materials(TIED, RATES) == pytest.approx((4.00 + 0.40 + 4.50) / 2)


def test_when_every_reed_succeeds_a_reed_costs_what_goes_into_it():
    tied = costs.Tied(1.0, 30.0, 999.0, 1.5, 10.0)
    assert costs.cost_per_saleable(tied, RATES) == pytest.approx(1.5 + 3.0 + 0.2 + 24 * 40 / 60)


def test_profit_at_the_price_that_equals_the_cost_is_the_wage():
    price = costs.cost_per_saleable(TIED, RATES)
    assert costs.profit_per_hour(TIED, RATES, price) == pytest.approx(RATES.wage_per_hour)
    assert costs.net_benefit(TIED, RATES, price) == pytest.approx(0.0)


def test_draws_and_suppliers_broadcast():
    tied = costs.Tied(np.full((7, 3), 0.5), np.full((7, 3), 40.0), 20.0, np.ones(3), np.zeros(3))
    assert costs.cost_per_saleable(tied, RATES).shape == (7, 3)
