"""Prices, held to arithmetic by hand, and returns to counts."""

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide import piece_flow
from reedlab.decide.costs import Rates, Tied
from reedlab.decide.next_lot import NextLot
from reedlab.decide.price import _Income
from reedlab.decide.returns import chance_back, returns, stayed_good
from reedlab.records import Bench, Settings

ONE = np.ones((1, 1))
TIED = Tied(0.6 * ONE, 36 * ONE, 24 * ONE, 2.4 * ONE, 5 * ONE)
COST = 27.68
"""Of a saleable reed of `TIED` at the default rates: the worked example of `cost_per_saleable`."""


def income(back=0.0, playable=0.0, **costs):
    settings = Settings(**costs)
    return _Income.of(settings, np.array([[back]]), np.array([playable]))


def test_without_anything_else_a_reed_is_asked_for_at_its_cost():
    assert income().ask(np.array([[COST]]), Rates()).item() == pytest.approx(COST)


@pytest.mark.parametrize(
    ("back", "playable", "costs", "ask"),
    [
        (0.1, 0.0, {}, COST / 0.9),
        (0.0, 0.0, {"vat_pct": 20}, COST * 1.2),
        (0.0, 0.0, {"fee_pct": 10}, COST / 0.9),
        (0.0, 0.0, {"unsold_pct": 20}, COST / 0.8),
        (0.0, 0.0, {"other_per_reed": 2, "selling_min": 6}, COST + 2 + 2),
        (0.0, 0.25, {"playable_price": 8}, COST - 2),
    ],
)
def test_each_part_moves_the_price_as_by_hand(back, playable, costs, ask):
    got = income(back, playable, **costs).ask(np.array([[COST / (1 - back)]]), Rates())
    assert got.item() == pytest.approx(ask)


def test_at_the_price_that_is_asked_an_hour_earns_the_wage():
    costs = {"vat_pct": 19, "fee_pct": 5, "unsold_pct": 10, "other_per_reed": 1.5,
             "selling_min": 4, "playable_price": 6}  # fmt: skip
    from reedlab.decide.costs import cost_per_saleable

    own, stayed = income(0.07, 0.2, **costs), TIED.sent_back(0.07)
    ask = own.ask(cost_per_saleable(stayed, Rates()), Rates())
    assert own.hour(stayed, Rates(), ask).item() == pytest.approx(Rates().wage_per_hour)


def bench(**more):
    n = 40
    reeds = pd.DataFrame(
        {
            "reed": [str(i) for i in range(n)],
            "lot": ["L1"] * 20 + ["L2"] * 20,
            "tied_on": "2025-01-05",
            "outcome": "good",
            "judged_on": "2025-01-15",
            "sold_on": "2025-02-01",
            "sold_for": 28.0,
        }
    )
    for name, values in more.items():
        reeds[name] = values
    lots = pd.DataFrame({"lot": ["L1", "L2"], "supplier": ["ochre", "slate"]})
    return Bench.from_tables({"lots": lots, "reeds": reeds}, today="2026-01-01")


def came_back(day, result, count):
    return {"returned_on": [day] * count + [None] * (40 - count),
            "return_result": [result] * count + [None] * (40 - count)}  # fmt: skip


@pytest.mark.parametrize(
    ("day", "result", "failures"),
    [
        ("2025-02-20", "replaced", 3),
        ("2025-02-20", "refunded", 3),
        ("2025-02-20", None, 3),
        ("2025-02-20", "adjusted", 0),
        ("2025-02-20", "worn_out", 0),
        ("2025-06-20", "replaced", 0),  # later than reeds are taken back
    ],
)
def test_a_return_counts_by_its_result_and_its_time(day, result, failures):
    made = bench(**came_back(day, result, 3))
    by_lot = piece_flow.returns(made).query("lot == 'all'")
    for counted in (returns(made), piece_flow.by_supplier(made).reset_index(), by_lot):
        counted = counted.set_index("supplier")  # every page has the same numbers
        assert counted["returned"].to_dict() == {"ochre": failures, "slate": 0}
        assert counted["sold"].to_dict() == {"ochre": 20, "slate": 20}


def test_reeds_sold_lately_count_by_the_returns_that_come_so_soon():
    """Returns come after 10 and 40 days; who sold 20 days ago has seen one of the two."""
    more = came_back("2025-02-11", "replaced", 1)
    more["returned_on"][1], more["return_result"][1] = "2025-03-13", "replaced"
    more["sold_on"] = ["2025-02-01"] * 20 + ["2025-12-12"] * 20
    counted = returns(bench(**more)).set_index("supplier")
    assert counted.loc["ochre", "exposed"] == 20
    # Kaplan-Meier by hand: 1 of 40 after 10 days, then 1 of the 19 left after 40: the share shown
    # at 20 days is (1/40) / (1 - 39/40 * 18/19).
    share = (1 / 40) / (1 - 39 / 40 * 18 / 19)
    assert counted.loc["slate", "exposed"] == pytest.approx(20 * share)


def test_an_adjusted_reed_stays_good_and_costs_the_minutes_of_finishing():
    more = came_back("2025-02-20", "adjusted", 4)
    counted = returns(bench(finish_min=20.0, **more))
    assert counted["adjusted"].tolist() == [4, 0] and counted["returned"].sum() == 0
    lot = NextLot(*[Tied(*[np.full((500, 2), x) for x in (0.6, 36.0, 24.0, 2.4, 5.0)])] * 2)
    kept = stayed_good(lot, counted, ["ochre", "slate"], seed=1)
    # 4 of 40 sold, 20 minutes each.
    assert kept.one.minutes_success == pytest.approx(36 + 4 / 40 * 20)
    assert stayed_good(lot, counted.head(0), ["ochre", "slate"], seed=1) is lot


def test_the_cost_of_a_reed_is_one_number_on_every_page():
    bench = rl.demo_bench()
    asked = rl.price(bench).table.set_index("supplier")["cost"]
    said = rl.suppliers(bench)
    compared = said.table.set_index("supplier")
    assert asked.to_dict() == pytest.approx(compared["cost"].to_dict())
    assert said.back["returned"].sum() > 0
    assert (compared["stayed_good"] < compared["success"]).all()


def test_a_chance_of_return_is_pooled_towards_all():
    counted = pd.DataFrame(
        {"supplier": ["a", "b"], "sold": [100, 5], "returned": [10, 2], "exposed": [100.0, 5.0]}
    )
    drawn = chance_back(counted, ["a", "b"], 20_000, np.random.default_rng(1)).mean(axis=0)
    share = 12.5 / 106
    assert drawn[0] == pytest.approx((10 + 20 * share) / 120, abs=0.003)
    assert drawn[1] == pytest.approx((2 + 20 * share) / 25, abs=0.005)
    assert drawn[0] < drawn[1] < 0.4


def test_the_demo_answers_with_ranges_around_its_guesses():
    answer = rl.price(rl.demo_bench())
    table = answer.table
    for name in ("cost", "ask", "hour"):
        assert (table[f"{name}_low"] < table[name]).all()
        assert (table[name] < table[f"{name}_high"]).all()
    assert np.allclose(table["ask"], table["cost"])  # nothing under [costs] but the defaults
    # Where a mean price fetches more than is asked, an hour earns more than the wage.
    clear = table[(table["fetched"] / table["ask"] - 1).abs() > 0.02]
    assert ((clear["fetched"] > clear["ask"]) == (clear["hour"] > answer.wage)).all()
    grades = answer.grades
    assert (grades["ask"] * grades["share"]).sum() == pytest.approx(table["ask"].iloc[0])
    assert np.allclose(grades["ask"] / grades["now"], (grades["ask"] / grades["now"]).iloc[0])


def test_a_cost_without_its_minutes_is_refused():
    answer = rl.price(bench(outcome=["good", "reject"] * 20))
    assert answer.unanswered and answer.table.empty and "minutes" in answer.record_next.what
