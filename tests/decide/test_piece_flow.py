"""Pieces followed from purchase to the customer, counted by hand."""

import pandas as pd
import pytest

from reedlab.decide import piece_flow
from reedlab.records import Bench


def test_the_flow_counts_every_piece_once(bench):
    flow = piece_flow.flow(bench)
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
    flow = piece_flow.flow(Bench.from_tables({**bench.tables, "reeds": both}, check=False))
    teal = flow[flow["supplier"] == "teal"].set_index("stage")["pieces"]
    assert (teal["tied"], teal["given up"], teal["good"]) == (24, 2, 15)
    assert teal["came in"] == teal[["lost before tying", "not tied yet", "tied"]].sum() == 40


def test_a_tally_that_misses_pieces_counts_those_that_were_tied(bench):
    tally = bench.tables["tally"].assign(pieces_in=[25, 20], pieces_out=[20, 18])
    flow = piece_flow.flow(Bench.from_tables({**bench.tables, "tally": tally}, check=False))
    teal = flow[flow["supplier"] == "teal"].set_index("stage")["pieces"]
    assert (teal["came in"], teal["lost before tying"], teal["not tied yet"]) == (31, 7, 0)


def test_what_every_answer_leaves_out_is_counted_and_said(bench):
    counts, says = piece_flow.left_out(bench)
    assert counts.set_index("supplier").loc["teal", "never_tied"] == 16
    assert "16 were never tied (1 lot without a count)" in says
    assert "of 48 tied, 4 are pending, 3 were given up and 2 came back" in says


def test_what_came_in_is_unknown_without_a_tally_and_not_nothing(bench):
    tables = {name: t for name, t in bench.tables.items() if name not in ("tally", "pieces")}
    counts, says = piece_flow.left_out(Bench.from_tables(tables, check=False))
    assert counts[["came_in", "never_tied"]].isna().all(axis=None)
    assert "How many pieces came in and were never tied is not known (2 lots without" in says
    assert "of 48 tied" in says


def test_returns_by_lot_have_wilsons_interval(bench):
    """Wilson's interval for 1 of 29 from Newcombe 1998, table I: 0.0061 to 0.1718."""
    lots = pd.DataFrame({"lot": ["t"], "supplier": ["teal"]})
    reeds = pd.DataFrame({"reed": [f"R{i}" for i in range(29)], "lot": "t", "maker": "KL"})
    reeds = reeds.assign(tied_on="2025-03-03", outcome="good", sold_for=30.0)
    reeds["returned_on"] = ["2025-04-01"] + [None] * 28
    reeds["return_reason"] = ["too closed"] + [None] * 28
    table = piece_flow.returns(Bench.from_tables({"lots": lots, "reeds": reeds}), level=0.95)
    row = table.set_index("lot").loc["t"]
    assert (row["sold"], row["returned"], row["reasons"]) == (29, 1, "too closed")
    assert row["low"] == pytest.approx(0.0061, abs=5e-5)
    assert row["high"] == pytest.approx(0.1718, abs=5e-5)
    assert piece_flow.returns(bench).query("lot == 'all'")["returned"].tolist() == [0, 2]
