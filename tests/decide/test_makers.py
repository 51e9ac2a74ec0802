"""Makers' losses, counted by hand, and pooled as a beta-binomial would."""

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide import makers
from reedlab.records import Bench


def bench(*makers, **more):
    """Each maker: name, good, then lost at rough, at finish."""
    rows = []
    for name, good, rough, finish in makers:
        ends = (
            [("good", None)] * good
            + [("given_up", "rough")] * rough
            + [("reject", "finish")] * finish
        )
        for outcome, lost in ends:
            rows.append((name, outcome, lost, f"L{len(rows) % 4}"))
    reeds = pd.DataFrame(rows, columns=["maker", "outcome", "lost_at", "lot"])
    reeds.insert(0, "reed", [str(i) for i in range(len(reeds))])
    reeds["tied_on"] = "2025-03-01"
    for name, values in more.items():
        reeds[name] = values
    lots = pd.DataFrame({"lot": [f"L{i}" for i in range(4)], "supplier": "ochre"})
    return Bench.from_tables({"lots": lots, "reeds": reeds}, today="2026-01-01")


def test_each_stage_counts_those_that_reached_it():
    answer = rl.makers(bench(("KL", 20, 5, 15), ("RS", 10, 10, 0)))
    found = answer.stages.set_index(["maker", "stage"])[["reached", "lost"]]
    assert found.loc[("KL", "rough")].tolist() == [40, 5]
    assert found.loc[("KL", "finish")].tolist() == [35, 15]
    assert found.loc[("RS", "rough")].tolist() == [20, 10]
    assert found.loc[("RS", "finish")].tolist() == [10, 0]


def test_what_to_practise_is_where_more_are_lost_than_by_the_others():
    answer = rl.makers(bench(("KL", 30, 2, 18), ("RS", 30, 18, 2)))
    assert answer.table.set_index("maker")["practise"].to_dict() == {"KL": "finish", "RS": "rough"}
    assert answer.claims["grade"].iloc[0] is rl.Verdict.SURE


def test_makers_that_lose_alike_have_no_stage_that_stands_out():
    answer = rl.makers(bench(("KL", 30, 10, 10), ("RS", 30, 10, 10)))
    assert (answer.table["practise"] == "").all() and answer.claims.empty


def test_few_reeds_are_drawn_towards_the_others():
    table = rl.makers(bench(("KL", 60, 40, 0), ("RS", 0, 5, 0))).table.set_index("maker")
    assert 0.05 < table.loc["RS", "good"] < table.loc["KL", "good"] < 0.65
    assert table.loc["RS", "high"] - table.loc["RS", "low"] > 2 * (
        table.loc["KL", "high"] - table.loc["KL", "low"]
    )


def test_reeds_in_which_a_teacher_helped_count_neither_way():
    helped = ["both" if i < 10 else None for i in range(30)]
    answer = rl.makers(bench(("KL", 20, 5, 5), helped=helped))
    assert answer.table["reeds"].tolist() == [20]
    assert any("helped count neither way: 10" in note for note in answer.notes)


def test_a_maker_alone_is_compared_with_nobody():
    answer = rl.makers(bench(("KL", 20, 5, 15)))
    assert answer.table["practise"].tolist() == ["finish"]
    assert answer.stages["worse"].isna().all() and answer.claims.empty


def test_progress_is_said_from_twenty_reeds_on():
    days = pd.date_range("2024-01-01", periods=60, freq="10D").strftime("%Y-%m-%d")
    good = np.r_[[0, 1] * 12, [0, 1, 1] * 6, [1] * 18].astype(bool)
    made = {"outcome": np.where(good, "good", "reject"), "lost_at": None, "tied_on": days}
    long = rl.makers(bench(("KL", 60, 0, 0), **made)).table.iloc[0]
    assert long["a_year"] > 0.1 and long["a_year_low"] > -0.05
    short = rl.makers(bench(("KL", 10, 5, 0))).table.iloc[0]
    assert pd.isna(short["a_year"])


def test_faults_count_the_first_of_a_cell():
    answer = rl.makers(bench(("KL", 2, 2, 0), fault=[None, None, "Leaks; flat", "leaks"]))
    assert answer.faults[["stage", "fault", "reeds"]].to_numpy().tolist() == [["rough", "leaks", 2]]


@pytest.mark.parametrize("more", [{"outcome": None, "lost_at": None}, {"helped": "both"}])
def test_without_a_judged_reed_of_her_own_it_cannot_answer(more):
    answer = rl.makers(bench(("KL", 5, 0, 0), **more))
    assert answer.unanswered and list(answer.table.columns)[:2] == ["maker", "reeds"]


def test_practice_reeds_stay_out_of_suppliers_and_are_counted_as_left_out():
    from reedlab.decide.evidence import gather

    practice = ["no" if i < 8 else None for i in range(40)]
    made = bench(("KL", 20, 5, 15), for_sale=practice)
    assert len(gather(made).reeds) == 32
    assert rl.makers(made).table["reeds"].tolist() == [40]
    assert made.flow(settled=False)["reason"].iloc[-1] == "8 were made for practice"


def test_of_many_reeds_whole_lots_serve_and_all_are_counted(monkeypatch):
    all_of_them = bench(("KL", 20, 10, 10), ("RS", 20, 10, 10))
    assert not any("whole lots" in note for note in rl.makers(all_of_them).notes)
    monkeypatch.setattr(makers, "_MOST_REEDS", 40)  # two of the four lots of twenty
    answer = rl.makers(all_of_them)
    assert any("at most 40 of the 80 reeds, in whole lots" in note for note in answer.notes)
    assert answer.table["reeds"].tolist() == [40, 40]
    assert answer.stages["reached"].max() == 40
