"""What a comparison leaves out, counted by hand."""

from dataclasses import replace

import pandas as pd
import pytest

from reedlab.decide.answer import Verdict
from reedlab.decide.suppliers import selection
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.records import Bench


def counted_bench():
    """Two suppliers, a lot each; teal's counts are asked for below."""
    lots = pd.DataFrame({"lot": ["t", "p"], "supplier": ["teal", "plum"], "form": "gouged"})
    lots = lots.assign(quantity=40, quantity_unit="piece", price=80.0)
    outcomes = {
        "t": ["good"] * 14 + ["given_up"] * 3 + ["reject"] * 2 + ["broken"] + [None] * 4,
        "p": ["good"] * 12 + ["playable"] * 4 + ["reject"] * 8,
    }
    reeds = pd.DataFrame([(lot, o) for lot, many in outcomes.items() for o in many],
                         columns=["lot", "outcome"])  # fmt: skip
    reeds.insert(0, "reed", [f"R{i}" for i in range(len(reeds))])
    reeds["maker"] = "KL"
    reeds["tied_on"] = "2025-03-03"
    reeds["judged_on"] = reeds["outcome"].map(lambda o: None if o is None else "2025-03-10")
    reeds["rough_min"] = [10 + i % 7 for i in range(len(reeds))]
    reeds["finish_min"] = [12 + i % 5 for i in range(len(reeds))]
    good = reeds["outcome"] == "good"
    reeds["sold_for"] = [30.0 if g else None for g in good]
    reeds["returned_on"] = [f"2025-04-0{i + 1}" if i < 2 else None for i in range(len(reeds))]
    tally = pd.DataFrame({"lot": ["t", "t"], "date": "2025-03-01", "stage": ["sort", "shape"],
                          "pieces_in": [40, 34], "pieces_out": [34, 30]})  # fmt: skip
    return Bench.from_tables({"lots": lots, "reeds": reeds, "tally": tally})


@pytest.fixture(scope="module")
def bench():
    return counted_bench()


def test_the_flow_counts_every_piece_once(bench):
    flow = selection.flow(bench)
    teal = flow[flow["supplier"] == "teal"].set_index("stage")["pieces"]
    assert teal.to_dict() == {
        "came in": 40, "lost before tying": 10, "not tied yet": 6, "tied": 24, "pending": 4,
        "given up": 3, "broken": 1, "reject": 2, "playable": 0, "good": 14, "sold": 14,
        "returned": 2,
    }  # fmt: skip
    assert teal["came in"] == teal[["lost before tying", "not tied yet", "tied"]].sum()
    ends = ["pending", "given up", "broken", "reject", "playable", "good"]
    assert teal["tied"] == teal[ends].sum()
    unknown = flow[(flow["supplier"] == "plum") & (flow["stage"] == "came in")]
    assert unknown["lots_unknown"].item() == 1


def test_cane_tied_again_is_one_piece_with_its_last_end(bench):
    reeds = bench.tables["reeds"].copy()
    again = reeds[reeds["outcome"] == "given_up"].iloc[[0]]
    again = again.assign(retie_of=again["reed"], reed="R99", outcome="good")
    both = pd.concat([reeds, again], ignore_index=True)
    flow = selection.flow(Bench.from_tables({**bench.tables, "reeds": both}, check=False))
    teal = flow[flow["supplier"] == "teal"].set_index("stage")["pieces"]
    assert (teal["tied"], teal["given up"], teal["good"]) == (24, 2, 15)
    assert teal["came in"] == teal[["lost before tying", "not tied yet", "tied"]].sum() == 40


def test_a_tally_that_misses_pieces_counts_those_that_were_tied(bench):
    tally = bench.tables["tally"].assign(pieces_in=[25, 20], pieces_out=[20, 18])
    flow = selection.flow(Bench.from_tables({**bench.tables, "tally": tally}, check=False))
    teal = flow[flow["supplier"] == "teal"].set_index("stage")["pieces"]
    assert (teal["came in"], teal["lost before tying"], teal["not tied yet"]) == (31, 7, 0)


def test_what_every_answer_leaves_out_is_counted_and_said(bench):
    counts, says = selection.left_out(bench)
    assert counts.set_index("supplier").loc["teal", "never_tied"] == 16
    assert "16 were never tied (1 lot without a count)" in says
    assert "of 48 tied, 4 are pending, 3 were given up and 2 came back" in says


def test_what_came_in_is_unknown_without_a_tally_and_not_nothing(bench):
    tables = {name: t for name, t in bench.tables.items() if name not in ("tally", "pieces")}
    counts, says = selection.left_out(Bench.from_tables(tables, check=False))
    assert counts[["came_in", "never_tied"]].isna().all(axis=None)
    assert "How many pieces came in and were never tied is not known (2 lots without" in says
    assert "of 48 tied" in says


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
    assert str(found.record_next) in found.sentence()
    clear = replace(found, best={"as answered": "teal", "x": "teal"})
    assert "does not change the choice: teal" in clear.sentence()
    unsure = replace(clear, compared=Verdict.CANNOT_SAY)
    assert "does not change which is the likeliest: teal" in unsure.sentence()
    alone = replace(clear, table=found.table.query("supplier == @answer.best"))
    assert "no choice that it could change" in alone.sentence()


def test_returns_by_lot_have_wilsons_interval(bench):
    """Wilson's interval for 1 of 29 from Newcombe 1998, table I: 0.0061 to 0.1718."""
    lots = pd.DataFrame({"lot": ["t"], "supplier": ["teal"]})
    reeds = pd.DataFrame({"reed": [f"R{i}" for i in range(29)], "lot": "t", "maker": "KL"})
    reeds = reeds.assign(tied_on="2025-03-03", outcome="good", sold_for=30.0)
    reeds["returned_on"] = ["2025-04-01"] + [None] * 28
    reeds["return_reason"] = ["too closed"] + [None] * 28
    table = selection.returns(Bench.from_tables({"lots": lots, "reeds": reeds}), level=0.95)
    row = table.set_index("lot").loc["t"]
    assert (row["sold"], row["returned"], row["reasons"]) == (29, 1, "too closed")
    assert row["low"] == pytest.approx(0.0061, abs=5e-5)
    assert row["high"] == pytest.approx(0.1718, abs=5e-5)
    assert selection.returns(bench).query("lot == 'all'")["returned"].tolist() == [0, 2]
