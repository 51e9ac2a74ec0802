"""A pupil's own reeds, counted by hand; the others only as a group of three or more."""

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.records import Bench
from reedlab.records.tables import FAULT_WORDS, FAULTS
from reedlab.records.tidy.faults import main_fault


def bench(*makers, **more):
    """Each maker: name, good, lost at rough, lost at finish; on lots that name other makers."""
    rows = []
    for name, good, rough, finish in makers:
        ends = [("good", None)] * good + [("given_up", "rough")] * rough
        for outcome, lost in [*ends, *[("reject", "finish")] * finish]:
            rows.append((name, outcome, lost, f"lot of {'ZOE' if len(rows) % 2 else 'YVES'}"))
    reeds = pd.DataFrame(rows, columns=["maker", "outcome", "lost_at", "lot"])
    reeds.insert(0, "reed", [str(i) for i in range(len(reeds))])
    reeds["tied_on"] = pd.date_range("2024-01-01", periods=len(reeds), freq="5D").astype(str)
    reeds["sold_for"] = 31.5
    for name, values in more.items():
        reeds[name] = values
    lots = pd.DataFrame({"lot": ["lot of ZOE", "lot of YVES"], "supplier": "ochre", "price": 77.7})
    return Bench.from_tables({"lots": lots, "reeds": reeds}, today="2027-01-01")


def test_what_was_made_and_lost_is_counted():
    made = bench(
        ("MR", 4, 6, 3),
        ("ZOE", 30, 1, 1),
        outcome=["good", "good", None, "playable", *["given_up"] * 6, *["reject"] * 3,
                 *["good"] * 30, "given_up", "reject"],
        helped=[*["both"], *[None] * 44],
        fault=[*[None] * 4, *["air escapes at the side"] * 4, "chipped corner", None, *[None] * 35],
    )  # fmt: skip
    answer = rl.pupil(made, "mr")
    assert answer.maker == "MR" and answer.made.to_dict() == {
        "made": 13, "good": 1, "playable": 1, "lost": 9, "waiting": 1, "helped": 1,
    }  # fmt: skip
    table = answer.table.set_index("stage")
    # A playable reed without a stage reached none that is known.
    assert table.loc["rough", ["reached", "lost"]].tolist() == [10, 6]
    assert table.loc["finish", ["reached", "lost"]].tolist() == [4, 3]
    assert (answer.worst, answer.practise) == ("rough", "rough")
    assert answer.faults.to_numpy().tolist() == [["leaks", 4], ["chipped", 1]]
    assert answer.marks == "+-" + "-" * 9 and answer.curve.empty
    assert "6 of 9, most often leaks (4) and chipped (1)" in answer.sentence()


@pytest.mark.parametrize(
    ("others", "compared"),
    [([("ZOE", 30, 1, 1), ("YVES", 30, 1, 1)], 0),
     ([("ZOE", 30, 1, 1), ("YVES", 30, 1, 1), ("ADA", 8, 0, 1)], 0),
     ([("ZOE", 28, 1, 3), ("YVES", 28, 2, 2), ("ADA", 9, 0, 1)], 3)],
)  # fmt: skip
def test_the_others_are_three_with_ten_reeds_each_or_nobody(others, compared):
    answer = rl.pupil(bench(("MR", 10, 6, 8), *others), "MR")
    assert answer.others == compared
    table = answer.table.set_index("stage")
    if compared:
        # Of 74 that the others roughed they lost 3; of the 71 left 6 at finishing.
        assert table["others"].tolist() == pytest.approx([3 / 74, 6 / 71][: len(table)])
        assert "the others" in answer.to_do()
    else:
        assert table["others"].isna().all() and "others" not in answer.to_do()
        assert answer.practise == answer.worst == "finish"


@pytest.mark.parametrize("others", [2, 3])
def test_a_page_names_nobody_else_no_lot_and_no_price(others):
    names = ["ZOE", "YVES", "ADA"][:others]
    page = rl.pupil_page(rl.pupil(bench(("M<R", 14, 6, 8), *[(n, 20, 3, 3) for n in names]), "M<R"))
    assert "M&lt;R" in page and "M<R" not in page
    for private in ("ZOE", "YVES", "ADA", "lot of", "ochre", "31.5", "77.7", "http"):
        assert private not in page, private
    assert ("as one group" in page) is (others == 3)
    for heading in ("What you made", "Where it went wrong most", "One thing to practise",
                    "What has become better"):  # fmt: skip
        assert page.count(heading) == 1


def test_better_is_said_where_the_later_half_clearly_is():
    late = np.arange(40) >= 20
    ends = ["good" if good else "given_up" for good in (np.arange(40) % 3 == 0) | late]
    lost = [None if end == "good" else "rough" for end in ends]
    answer = rl.pupil(bench(("MR", 40, 0, 0), outcome=ends, lost_at=lost), "MR")
    # Seven of the first twenty, all of the last.
    assert answer.better.set_index("what")[["before", "after"]].to_numpy().tolist() == [
        [35, 100], [65, 0],
    ]  # fmt: skip
    assert answer.curve["good"].is_monotonic_increasing and answer.marks == ""
    steady = bench(("MR", 40, 0, 0), outcome=["good", "reject"] * 20)
    said = rl.pupil(steady, "MR").has_become_better()
    assert said == ["Nothing is clearly better yet in the later half of your reeds."]


def test_without_a_judged_reed_the_page_says_what_was_made():
    page = rl.pupil_page(rl.pupil(bench(("MR", 5, 0, 0), outcome=None), "MR"))
    assert "You made 5 by yourself: 0 good, 5 not judged yet." in page
    assert "From 20 judged reeds on" in page


def test_a_maker_who_made_nothing_is_refused():
    with pytest.raises(rl.DecisionError, match="made by 'KL': the makers are MR, ZOE"):
        rl.pupil(bench(("MR", 5, 0, 0), ("ZOE", 5, 0, 0)), "KL")


@pytest.mark.parametrize(
    ("cell", "fault"),
    [("leaks at the sides", "leaks"), ("Tiefe Töne kommen nicht", "low notes"), ("zu tief", "flat"),
     ("cracked while tying", "cracked"), ("low notes, flat", "low notes"), ("???", "other"),
     ("opening closed up", "closed"), ("thread slipped", "tying"), *((f, f) for f in FAULTS)],
)  # fmt: skip
def test_free_words_mean_a_fault_of_the_list(cell, fault):
    assert main_fault(cell) == fault


def test_each_word_for_a_fault_is_one_faults_own():
    assert {*FAULT_WORDS} == {*FAULTS} - {"other"}
    words = [word for words in FAULT_WORDS.values() for word in words]
    assert len(words) == len({*words}) and all(word == word.casefold() for word in words)
    assert all(main_fault(w) == fault for fault, words in FAULT_WORDS.items() for w in words)


def test_a_makers_own_word_for_a_fault_counts_before_the_list(tmp_path):
    (tmp_path / "bench.toml").write_text('[words.fault]\n"Flat as a pancake" = "too soft"\n')
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,ochre\n")
    (tmp_path / "reeds.csv").write_text(
        "reed,lot,maker,tied_on,outcome,lost_at,fault\n"
        "1,L1,MR,2025-01-07,reject,finish,flat as a pancake\n"
    )
    opened = rl.open_bench(tmp_path, "2026-01-01")
    assert not (opened.findings["severity"] == "error").any()
    assert rl.pupil(opened, "MR").faults.to_numpy().tolist() == [["too soft", 1]]
