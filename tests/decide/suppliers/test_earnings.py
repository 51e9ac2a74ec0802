"""Profit per bench hour by hand, by grade and by form of cane."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reedlab.decide.answer import Verdict, graded
from reedlab.decide.costs import Rates, Tied
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.records import Bench


def test_profit_per_bench_hour_by_hand(answer):
    """A supplier whose numbers are known, all of its reeds of one grade."""
    basis = answer.basis
    n = len(basis.lot.expected.success)
    k = len(basis.evidence.arms)
    known = Tied(np.full((n, k), 0.5), np.full((n, k), 40.0), np.full((n, k), 20.0), 2.0, 6.0)
    reeds = basis.evidence.reeds.assign(
        sold_for=np.where(basis.evidence.reeds["success"] == 1, 30.0, np.nan), grade="A"
    )
    evidence = replace(
        basis.evidence, reeds=reeds,
        rates=Rates(24.0, staple_price=3.0, staple_recovered=0.5, thread_price=0.2),
    )  # fmt: skip
    lot = replace(basis.lot, expected=known)
    got = replace(answer, basis=replace(basis, evidence=evidence, lot=lot)).earnings()
    # Two pieces: 30 earned; cane 4, thread 0.40, staples 3 + 1.50; 72 minutes.
    by_hand = (30 - 4 - 0.4 - 4.5) / 1.2
    assert got.table["profit_per_hour"].to_numpy() == pytest.approx(by_hand)
    assert got.grades["profit_per_hour"].to_numpy() == pytest.approx(by_hand)
    assert got.grades["share"].to_numpy() == pytest.approx(1.0)


def test_the_demo_earns_more_at_a_better_grade(answer):
    got = answer.earnings()
    assert got.verdict is graded(got.table["prob_best"].iloc[0])
    assert got.claims["probability"].tolist() == got.table["prob_best"].tolist()
    assert got.table["prob_best"].sum() == pytest.approx(1.0)
    for _, own in got.grades.groupby("supplier"):
        assert own["grade"].tolist() == ["C", "B", "A"]
        assert own["profit_per_hour"].is_monotonic_increasing
        assert own["share"].sum() == pytest.approx(1.0)
    first = got.table.iloc[0]
    # Of 4,000 draws the ends of an hour's range are known to a few tenths: no cents.
    assert f"{first.profit_per_hour:.0f} EUR (90% interval {first.low:.0f} to " in got.sentence()


def test_shares_of_grades_follow_the_counts(answer):
    reeds = answer.basis.evidence.reeds
    good = reeds[(reeds["success"] == 1) & reeds["grade"].notna()]
    raw = pd.crosstab(good["supplier"].astype(str), good["grade"].astype(str), normalize="index")
    got = answer.earnings().grades.pivot(index="supplier", columns="grade", values="share")
    assert np.abs(got.to_numpy() - raw[got.columns].loc[got.index].to_numpy()).max() < 0.05


def test_without_prices_it_says_what_to_fill_in(answer):
    basis = answer.basis
    reeds = basis.evidence.reeds.assign(sold_for=np.nan)
    basis = replace(basis, evidence=replace(basis.evidence, reeds=reeds))
    found = replace(answer, basis=basis).earnings()
    assert found.verdict is Verdict.CANNOT_SAY and "sold_for" in found.record_next.what


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
    got = suppliers(forms_bench(lots, {"split": 6, "gouged": 16})).forms()
    assert got.separable
    assert got.table["form"].tolist() == ["gouged", "split"]
    assert got.table["suppliers"].tolist() == [3, 3]
    assert got.verdict is Verdict.SURE  # 17 minutes a reed against 3 EUR a piece
    assert got.claims["size"].iloc[0] > 0


def test_form_and_supplier_in_one_cannot_be_told_apart():
    lots = {f"{s}{i}": form for s, form in zip("ab", ("split", "gouged")) for i in range(4)}
    got = suppliers(forms_bench(lots, {"split": 6, "gouged": 16})).forms()
    assert not got.separable
    assert got.verdict is Verdict.CANNOT_SAY
    assert "two forms" in got.record_next.what
