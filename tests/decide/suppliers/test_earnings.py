"""Profit per bench hour by hand, by grade and by form of cane."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reedlab.decide.costs import Rates, Tied
from reedlab.decide.suppliers import earnings
from reedlab.errors import DecisionError
from reedlab.records import Bench


def test_profit_per_bench_hour_by_hand(answer):
    """A supplier whose numbers are known, all of its reeds of one grade."""
    n = len(answer.lot.expected.success)
    k = len(answer.evidence.arms)
    known = Tied(np.full((n, k), 0.5), np.full((n, k), 40.0), np.full((n, k), 20.0), 2.0, 6.0)
    reeds = answer.evidence.reeds.assign(
        sold_for=np.where(answer.evidence.reeds["success"] == 1, 30.0, np.nan), grade="A"
    )
    evidence = replace(
        answer.evidence, reeds=reeds,
        rates=Rates(24.0, staple_price=3.0, staple_recovered=0.5, thread_price=0.2),
    )  # fmt: skip
    said = replace(answer, evidence=evidence, lot=replace(answer.lot, expected=known))
    got = earnings.by_grade(said)
    # Two pieces: 30 earned; cane 4, thread 0.40, staples 3 + 1.50; 72 minutes.
    by_hand = (30 - 4 - 0.4 - 4.5) / 1.2
    assert got.suppliers["profit_per_hour"].to_numpy() == pytest.approx(by_hand)
    assert got.grades["profit_per_hour"].to_numpy() == pytest.approx(by_hand)
    assert got.grades["share"].to_numpy() == pytest.approx(1.0)


def test_the_demo_earns_more_at_a_better_grade(answer):
    got = earnings.by_grade(answer)
    assert got.suppliers["prob_best"].sum() == pytest.approx(1.0)
    for _, own in got.grades.groupby("supplier"):
        assert own["grade"].tolist() == ["C", "B", "A"]
        assert own["profit_per_hour"].is_monotonic_increasing
        assert own["share"].sum() == pytest.approx(1.0)
    assert got.suppliers["supplier"].iloc[0] in got.sentence()
    assert "EUR" in got.sentence()


def test_shares_of_grades_follow_the_counts(answer):
    reeds = answer.evidence.reeds
    good = reeds[(reeds["success"] == 1) & reeds["grade"].notna()]
    raw = pd.crosstab(good["supplier"].astype(str), good["grade"].astype(str), normalize="index")
    got = earnings.by_grade(answer).grades.pivot(index="supplier", columns="grade", values="share")
    assert np.abs(got.to_numpy() - raw[got.columns].loc[got.index].to_numpy()).max() < 0.05


def test_without_prices_it_says_what_to_fill_in(answer):
    reeds = answer.evidence.reeds.assign(sold_for=np.nan)
    with pytest.raises(DecisionError, match="sold_for"):
        earnings.by_grade(replace(answer, evidence=replace(answer.evidence, reeds=reeds)))


def forms_bench(form_of_lot, good):
    lots = pd.DataFrame(
        {
            "lot": list(form_of_lot), "supplier": [lot[0] for lot in form_of_lot],
            "form": list(form_of_lot.values()), "quantity": 40, "quantity_unit": "piece",
            "price": 60.0,
        }
    )  # fmt: skip
    rows = [
        (lot, "good" if i < good[form] else "reject", i)
        for lot, form in form_of_lot.items()
        for i in range(20)
    ]
    reeds = pd.DataFrame(rows, columns=["lot", "outcome", "i"])
    reeds = reeds.assign(
        reed=[f"R{i}" for i in range(len(reeds))], maker="KL", tied_on="2025-03-03",
        judged_on="2025-03-10", rough_min=10 + reeds["i"] % 7, finish_min=12 + reeds["i"] % 5,
    )  # fmt: skip
    reeds["sold_for"] = [30.0 if o == "good" else None for o in reeds["outcome"]]
    return Bench.from_tables({"lots": lots, "reeds": reeds.drop(columns="i")})


def test_a_form_that_clearly_pays_is_named():
    lots = {f"{s}{i}": ("split", "gouged")[i % 2] for s in "abc" for i in range(4)}
    got = earnings.by_form(forms_bench(lots, {"split": 6, "gouged": 16}), draws=1000)
    assert got.separable
    assert got.table["form"].tolist() == ["gouged", "split"]
    assert got.table["suppliers"].tolist() == [3, 3]
    assert got.verdict == "lean"
    assert "bought gouged pays the hour best" in got.sentence()


def test_form_and_supplier_in_one_cannot_be_told_apart():
    lots = {f"{s}{i}": form for s, form in zip("ab", ("split", "gouged")) for i in range(4)}
    got = earnings.by_form(forms_bench(lots, {"split": 6, "gouged": 16}), draws=1000)
    assert not got.separable
    assert got.verdict == "cannot tell"
    assert "no supplier sold two forms" in got.sentence()
