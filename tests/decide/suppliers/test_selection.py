"""What a comparison leaves out, counted by hand."""

from dataclasses import replace

import pytest

from reedlab.decide.answer import Verdict
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.decide.suppliers.selection import half_sentence
from reedlab.records import Bench


def test_bounds_of_success_by_hand(bench):
    found = suppliers(bench).selection()
    teal = found.shares.set_index("supplier").loc["teal"]
    assert teal["success"] == pytest.approx(14 / 20)
    assert teal["success_least"] == pytest.approx((14 - 2) / 24)
    assert teal["success_most"] == pytest.approx((14 + 4 + 3) / 24)
    assert teal["never_tied"] == pytest.approx(16 / 40)
    assert teal["returned"] == pytest.approx(2 / 24)
    counts = found.counts.set_index("supplier")
    assert counts.loc["teal"].to_dict() == {
        "came_in": 40, "never_tied": 16, "tied": 24, "pending": 4, "given_up": 3, "returned": 2,
        "lots_unknown": 0,
    }  # fmt: skip
    assert counts.loc["plum", "lots_unknown"] == 1
    by = found.table.pivot(index="assumption", columns="supplier", values="success")
    against = by.loc[f"every doubt goes against {found.best['as answered']}"]
    assert found.best["as answered"] == "teal"
    assert against["teal"] < by.loc["as answered", "teal"]
    assert against["plum"] - against["teal"] > by.loc["as answered", "plum"] - teal["success"]
    assert by.loc["pending and given-up reeds were good", "teal"] > against["teal"]
    # 16 pieces never tied for 24 tied: all of them good, p becomes (24 p + 16) / 40 in every draw,
    # and plum, whose lot has no tally, stays as it was.
    spared = by.loc["pieces never tied would have been good"]
    assert spared["teal"] == pytest.approx((24 * by.loc["as answered", "teal"] + 16) / 40)
    assert spared["plum"] == pytest.approx(by.loc["as answered", "plum"])


def test_the_sentence_names_what_the_choice_hangs_on(answer):
    found = answer.selection()
    changed = {name for name in found.best.values() if name != answer.best}
    assert changed, "the demo's bounds are wide enough to change its choice"
    assert all(name in found.sentence() for name in changed)
    assert found.verdict is Verdict.CANNOT_SAY and found.compared is answer.verdict
    assert str(found.record_next) in repr(found)
    named = answer.though
    assert named and all(f"{name} if " in named for name in changed if name in named)
    # That every doubt goes against it is a bound, and changes no sentence.
    bound = {k: v for k, v in found.best.items() if not k.startswith("every doubt")}
    assert half_sentence(replace(found, best=bound)) == named
    clear = replace(found, best={"as answered": "teal", "x": "teal"}, compared=Verdict.LIKELY)
    assert "does not change the choice: it is teal" in clear.sentence()
    assert half_sentence(clear) == ""
    unsure = replace(clear, compared=Verdict.CANNOT_SAY)
    assert "does not change which is the likeliest: it is teal" in unsure.sentence()
    alone = replace(clear, table=found.table.query("supplier == @answer.best"))
    assert "no choice to change" in alone.sentence()


def test_a_blank_without_its_day_of_tying_is_no_doubt_and_no_fault(bench):
    """Models over the years cannot place it; its count stands among the pending all the same."""
    reeds = bench.tables["reeds"].copy()
    waiting = reeds.index[reeds["outcome"].isna()][0]
    reeds.loc[waiting, "tied_on"] = None
    undated = Bench.from_tables({**bench.tables, "reeds": reeds}, today=bench.today)
    found, before = suppliers(undated).selection(), suppliers(bench).selection()
    assert not found.unanswered
    assert found.counts["pending"].sum() == before.counts["pending"].sum()
