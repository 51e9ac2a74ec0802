"""Plans for orders, held to probabilities worked out apart from them."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import beta, betabinom

import reedlab as rl
from reedlab.decide.orders.planning import ASKED, NEW_CANE
from reedlab.errors import DecisionError
from reedlab.records import Bench, Settings
from reedlab.records.settings import Week

TODAY = "2026-03-10"


def bench(good=300, bad=100, orders=None, more=(), settings=None, quantity=4000):
    """Many alike lots, so that the chance of a blank is nearly the share of good reeds."""
    n = good + bad
    outcome = np.where(np.arange(n) % 4 == 0, "reject", "good") if good == 3 * bad else None
    reeds = pd.DataFrame(
        {
            "reed": [f"{i}" for i in range(n)],
            "lot": [f"L{i % 8}" for i in range(n)],
            "maker": "KL",
            "tied_on": "2026-01-05",
            "outcome": outcome,
            "finished_on": "2026-01-09",
            "judged_on": "2026-01-12",
            "strength": np.where(np.arange(n) % 8 < 4, "medium", "soft"),
        }
    )
    reeds["sold_on"] = np.where(reeds["outcome"] == "good", "2026-01-20", None)
    reeds.loc[reeds["outcome"] != "good", "strength"] = None
    # Every lot has the same share: lots go round in eights, good reeds in fours.
    reeds["lot"] = [f"L{(i // 4) % 8}" for i in range(n)]
    reeds = pd.concat([reeds, pd.DataFrame(list(more))], ignore_index=True)
    lots = pd.DataFrame(
        {
            "lot": [f"L{i}" for i in range(8)], "supplier": [f"s{i % 4}" for i in range(8)],
            "bought_on": "2026-01-01", "quantity": quantity, "quantity_unit": "piece",
        }
    )  # fmt: skip
    tables = {"lots": lots, "reeds": reeds}
    if orders is not None:
        tables["orders"] = pd.DataFrame(orders)
    return Bench.from_tables(tables, settings=settings, today=TODAY)


def fewest(reeds, good, bad):
    """Fewest blanks that give so many good ones with probability 0.9, by the beta-binomial."""
    counts = np.arange(reeds, 400)
    return counts[betabinom(counts, good + 1, bad + 1).sf(reeds - 1) >= 0.9][0]


@pytest.mark.parametrize("reeds", [5, 20])
def test_a_plan_ties_as_many_as_the_beta_binomial_asks_for(reeds):
    """The posterior of alike lots is near the beta of a share; lots may still differ a little."""
    row = rl.order(bench(), reeds=reeds, by="2026-06-01").table.iloc[0]
    exact = fewest(reeds, 300, 100)
    assert exact <= row["tie"] <= exact + 2
    assert row["chance"] >= 0.9 and row["can"] == reeds


def test_a_strength_takes_its_share_of_the_good_reeds():
    """Half of the good reeds are medium, so a blank is one with about half the chance."""
    row = rl.order(bench(), reeds=5, by="2026-06-01", strength="medium").table.iloc[0]
    half = beta(151, 251).mean()
    counts = np.arange(5, 60)
    exact = counts[betabinom(counts, 400 * half, 400 * (1 - half)).sf(4) >= 0.9][0]
    assert abs(row["tie"] - exact) <= 2


def test_stock_and_blanks_come_before_new_ones_and_are_promised_once():
    shelf = [
        {"reed": f"s{i}", "lot": "L1", "maker": "KL", "tied_on": "2026-02-20", "outcome": "good",
         "finished_on": "2026-02-24", "judged_on": "2026-02-27"} for i in range(4)
    ]  # fmt: skip
    going = [
        {"reed": f"b{i}", "lot": "L1", "maker": "KL", "tied_on": "2026-03-05"} for i in range(12)
    ]
    orders = {"order": ["late", "soon"], "reeds": [4, 4], "by": ["2026-05-01", "2026-04-20"]}
    plan = rl.order(bench(orders=orders, more=[*shelf, *going]))
    soon, late = plan.table.to_dict("records")
    assert (soon["order"], soon["in_stock"], soon["tie"]) == ("soon", 4, 0)
    assert (late["order"], late["in_stock"], late["tie"]) == ("late", 0, 0)
    assert late["from_blanks"] == pytest.approx(4.0, abs=0.1)
    assert plan.verdict is rl.Verdict.SURE


def test_a_reed_kept_for_an_order_goes_to_that_order():
    shelf = [
        {"reed": "mine", "lot": "L1", "maker": "KL", "tied_on": "2026-02-20", "outcome": "good",
         "finished_on": "2026-02-24", "judged_on": "2026-02-27", "order": "late"}
    ]  # fmt: skip
    orders = {"order": ["late", "soon"], "reeds": [1, 1], "by": ["2026-05-01", "2026-04-20"]}
    table = rl.order(bench(orders=orders, more=shelf)).table.set_index("order")
    assert table.loc["late", "in_stock"] == 1 and table.loc["soon", "in_stock"] == 0


def test_an_order_that_is_due_too_soon_says_how_many_can_be_had():
    row = rl.order(bench(), reeds=5, by="2026-03-12").table.iloc[0]
    assert (row["tie"], row["can"]) == (0, 0) and row["chance"] == 0.0


def test_hours_limit_a_plan_only_where_the_week_is_known():
    timed = {"rough_min": 30.0, "finish_min": 30.0}
    made = bench()
    reeds = made.tables["reeds"].assign(**timed).reset_index(drop=True)
    tables = {**made.tables, "reeds": reeds}
    free = Bench.from_tables(tables, today=TODAY)
    busy = Bench.from_tables(tables, settings=Settings(week=Week(hours=3)), today=TODAY)
    at_ease, hurried = (rl.order(b, reeds=20, by="2026-04-10").table.iloc[0] for b in (free, busy))
    assert at_ease["chance"] >= 0.9 and at_ease["hours"] == at_ease["tie"]
    # 30 days to the posting at three hours a week are 12.9 hours, and a blank takes one.
    assert hurried["tie"] == 12 and hurried["chance"] < 0.9 and 0 < hurried["can"] < 12


def test_cane_that_does_not_reach_is_said():
    plan = rl.order(bench(quantity=51), reeds=20, by="2026-06-01")
    assert NEW_CANE in plan.table["lots"].iloc[0]
    assert any("buy cane" in note for note in plan.notes)
    assert plan.sentence().startswith(f"{ASKED.capitalize()}: 20 reeds by 1 June")


def test_a_lot_of_unknown_quantity_is_tied_as_long_as_it_is_in_use():
    row = rl.order(bench(quantity=None), reeds=5, by="2026-06-01").table.iloc[0]
    assert row["lots"].endswith("of L0") or row["lots"].split()[-1] in {f"L{i}" for i in range(8)}
    assert NEW_CANE not in row["lots"]


def test_hours_by_week_add_up():
    made = bench()
    reeds = made.tables["reeds"].assign(rough_min=40.0, finish_min=20.0).reset_index(drop=True)
    plan = rl.order(
        Bench.from_tables({**made.tables, "reeds": reeds}, today=TODAY), reeds=9, by="2026-06-01"
    )
    assert plan.weeks["hours"].sum() == pytest.approx(plan.table["hours"].sum())
    assert (plan.weeks["week"].dt.day_of_week == 0).all()


def test_a_late_order_is_planned_for_the_first_day_on_which_it_can_come():
    orders = {"order": ["K7"], "reeds": [4], "by": ["2026-02-20"]}
    plan = rl.order(bench(orders=orders))
    row = plan.table.iloc[0]
    # What can come by then can be tied from today on, and a day sooner would be too late to tie.
    assert row["by"] < pd.Timestamp(TODAY) == row["tie_by"] < row["new_by"]
    assert row["chance"] >= 0.9 and row["tie"] >= 4
    assert "was due 20 February, by" in plan.lines()[0]
    in_time = rl.order(bench(orders={**orders, "by": [str(row["new_by"].date())]})).table.iloc[0]
    assert in_time["tie"] == row["tie"] and pd.isna(in_time["new_by"])


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"reeds": 5}, "needs both"),
        ({"by": "2026-05-01"}, "needs both"),
        ({"reeds": 5, "by": "soon"}, "not a valid date"),
        ({"reeds": 5, "by": "03/12/26"}, "not a valid date"),
        ({"reeds": 5, "by": "2020-01-01"}, "cannot be planned"),
        ({"reeds": 0, "by": "2026-05-01"}, "cannot be planned"),
        ({"reeds": 5, "by": "2026-05-01", "strength": "mellow"}, "not known"),
    ],
)
def test_what_makes_no_sense_is_refused(asked, says):
    with pytest.raises(DecisionError, match=says):
        rl.order(bench(), **asked)


def test_without_an_order_it_says_so():
    answer = rl.order(bench())
    assert answer.unanswered and answer.table.empty and "tie" in answer.table


def test_a_reed_unsold_for_longer_than_nearly_all_that_were_sold_is_no_stock():
    """Half a year is not unusual; what lies for longer was used, given away or thrown out."""
    unsold = {"lot": "L1", "maker": "KL", "outcome": "good", "strength": "soft"}
    recent = [{**unsold, "reed": f"new {i}", "tied_on": "2026-01-07"} for i in range(2)]
    old = [{**unsold, "reed": f"old {i}", "tied_on": "2025-08-01"} for i in range(3)]
    plan = rl.order(bench(more=recent + old), reeds=5, by="2026-06-01")
    assert plan.table["in_stock"].item() == 2
    assert "3 older good reeds without a noted sale do not count as stock." in plan.notes
    slow = [
        {**unsold, "reed": f"slow {i}", "tied_on": "2025-03-01", "sold_on": "2025-12-01"}
        for i in range(40)
    ]  # of 340 sold, more than one in twenty took 275 days
    assert (
        rl.order(bench(more=recent + old + slow), reeds=5, by="2026-06-01").table["in_stock"].item()
        == 5
    )


def test_an_order_of_a_strength_is_planned_without_it_where_none_is_noted():
    own = bench()
    reeds = own.tables["reeds"].assign(strength=None)
    blind = Bench.from_tables({**own.tables, "reeds": reeds}, today=TODAY)
    asked = rl.order(blind, reeds=5, by="2026-06-01", strength="medium")
    plain = rl.order(blind, reeds=5, by="2026-06-01")
    assert asked.table["tie"].item() == plain.table["tie"].item() > 0
    assert any("No good reed's strength is noted" in note for note in asked.notes)
    assert "strength" in asked.record_next.what


def test_of_lots_that_nobody_counted_the_best_is_tied():
    """L0 was tied last, and half of its reeds turn out good; nine in ten of the others' do."""
    own = bench(quantity=None)
    reeds = own.tables["reeds"].copy()
    at = reeds.index[reeds["lot"] == "L0"]
    reeds.loc[at, "tied_on"] = pd.Timestamp("2026-01-06")
    reeds.loc[at, "outcome"] = np.where(np.arange(len(at)) % 4 < 3, "reject", "good")
    reeds.loc[at, "strength"] = None
    reeds.loc[at, "sold_on"] = pd.Timestamp("2026-01-20")
    plan = rl.order(
        Bench.from_tables({**own.tables, "reeds": reeds}, today=TODAY), reeds=5, by="2026-06-01"
    )
    assert "L0" not in plan.table["lots"].item() and " of L" in plan.table["lots"].item()
