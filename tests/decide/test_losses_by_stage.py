"""Where reeds and pieces are lost, counted by hand."""

import pandas as pd
import pytest

from reedlab.decide.answer import Verdict
from reedlab.decide.losses_by_stage import NOT_NOTED, losses
from reedlab.records import Bench

REEDS = pd.DataFrame(
    {
        "settled": [True, True, True, True, False],
        "status": ["failure", "failure", "success", "pending", "failure"],
        "lost_at": pd.Categorical(["dry", None, None, None, "dry"]),
    }
)
LOTS = pd.DataFrame(
    {
        "lot": ["b", "a", "c"],
        "supplier": ["teal", "teal", "plum"],
        "pieces_in": [29.0, 20.0, None],
        "yield_before_tying": [1 / 29, 1.0, 0.5],
    }
)


def bench_of(reeds):
    """A bench of these reeds, all of one supplier."""
    known = {"supplier": "teal", "outcome": None, "success": None, "sold_for": None}
    known |= {"return_result": None, "returned_on": pd.NaT, "sold_on": pd.NaT}
    known |= {"judged_on": pd.NaT, "finished_on": pd.NaT}
    more = {"reed": [str(i) for i in range(len(reeds))], "retie_of": None}
    lots = LOTS.assign(pieces_lost=None, pieces_tied=1)
    bench = Bench.from_tables({}, check=False)
    vars(bench).update(reeds=reeds.assign(**known, **more), losses=lots)
    return bench


def test_a_loss_is_counted_once_and_only_among_the_settled():
    found = losses(bench_of(REEDS))
    lost = found.table.set_index("stage")
    assert lost["lost"].sum() == 2
    assert lost.loc["dry", ["lost", "tied"]].tolist() == [1, 3]  # one of the four is pending
    assert lost.loc[NOT_NOTED, "lost"] == 1
    assert (found.verdict, found.worst, found.level) == (Verdict.DESCRIBES, "dry", 0.9)
    assert "at which stage" in found.record_next.what


def test_pieces_kept_have_wilsons_interval():
    """Wilson's interval for 1 of 29 from Newcombe 1998, table I: 0.0061 to 0.1718."""
    kept = losses(bench_of(REEDS), level=0.95).before_tying
    assert kept["lot"].tolist() == ["teal a", "teal b"]
    row = kept.set_index("lot").loc["teal b"]
    assert row["pieces_kept"] == 1
    assert row[["low", "high"]].tolist() == pytest.approx([0.0061, 0.1718], abs=5e-5)


def test_the_wording_of_each_case():
    """One settled bench a case: none lost, none noted, one stage noted."""
    said = []
    for status, stage in (("success", None), ("failure", None), ("failure", "clip")):
        reeds = pd.DataFrame({"settled": [True], "status": [status], "lost_at": [stage]})
        said.append(losses(bench_of(reeds)).sentence())
    assert said[0].startswith("None of 1 settled")
    assert said[1].endswith("is not noted.")
    assert "loses most is 'clip', with 1 of 1" in said[2]


def test_stages_that_are_noted_nowhere_are_no_zeros():
    found = losses(bench_of(REEDS.assign(lost_at=None)))
    assert found.table.empty and found.worst == ""
    assert (found.judged, found.failed) == (3, 2)
    assert found.sentence().startswith("At which stage 2 reeds were lost is not noted.")


def test_nothing_settled_cannot_be_answered():
    lots = pd.DataFrame({"lot": ["a"], "supplier": ["teal"]})
    reeds = pd.DataFrame({"reed": ["1"], "lot": ["a"], "maker": ["KL"], "outcome": [None]})
    bench = Bench.from_tables({"lots": lots, "reeds": reeds.assign(tied_on="2025-03-03")})
    found = losses(bench)
    assert found.verdict is Verdict.CANNOT_SAY and found.worst == ""
    assert list(found.before_tying) == ["lot", "pieces_in", "pieces_kept", "share", "low", "high"]


def test_what_every_answer_leaves_out_comes_with_it():
    found = losses(bench_of(REEDS))
    assert found.left_out.set_index("supplier")["tied"].to_dict() == {"plum": 0, "teal": 5}
    assert len(found.notes) == 1
