"""What the notebook on pieces not measured says, asked of the library, and small benches."""

from dataclasses import replace

import numpy as np
import pytest

import reedlab as rl
from reedlab.mixed.gaps import missing
from reedlab.paths import shipped

WITHIN = "within(density_g_cm3, lot)"


@pytest.fixture(scope="module")
def bench():
    return rl.demo_bench()


@pytest.fixture(scope="module")
def answer(bench):
    """Of fewer imputations than the page has, which takes a third of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(missing, "MOST", 12)
        return rl.unmeasured(bench, level=0.95)


def test_the_counts_are_those_of_the_records(answer, bench):
    """Beside plain pandas; and the density's true slope of the demo is in both intervals."""
    reeds = bench.reeds[bench.reeds["settled"]].dropna(subset=["supplier", "success"])
    table = answer.bench_shares.set_index("supplier")
    known = reeds["density_g_cm3"].notna()
    by = reeds["supplier"].astype(str)
    assert (table["measured"] == known.groupby(by).sum()).all()
    assert (table["reeds"] == known.groupby(by).size()).all()
    none = ~known.groupby(reeds["lot"].astype(str)).any()
    assert sorted(answer.unmeasured_lots["lot"]) == sorted(none.index[none])
    assert answer.unit == 0.05
    truth = -0.35  # World.density, per 0.05 g/cm3, of a piece in its lot
    for summary in (answer.left_out, answer.filled_in):
        assert summary.loc[WITHIN, "low"] < truth < summary.loc[WITHIN, "high"]


def test_filling_in_tells_more_of_what_every_reed_tells(answer):
    """The season is known of every reed, so that keeping them all must narrow its interval."""
    season = "season[T.spring]"
    assert answer.filled_in.loc[season, "sd"] < 0.85 * answer.left_out.loc[season, "sd"]
    assert answer.information.loc[season, "missing"] < 0.15
    assert answer.information.loc[WITHIN, "missing"] > 0.2


@pytest.mark.parametrize(("moved", "changed"), [(0.4, False), (0.6, True)])
def test_an_answer_changes_where_a_slope_moves_by_half_its_sd(answer, moved, changed):
    before = answer.left_out
    other = before.copy()
    other.loc[WITHIN, "mean"] += moved * before.loc[WITHIN, "sd"]
    said = replace(answer, filled_in=other)
    assert said.changed is changed
    assert ("changes the answer" in said.sentence()) is changed


@pytest.mark.parametrize("missing", [0.4, 0.6])
def test_where_most_is_filled_in_the_sentence_says_so(answer, missing):
    information = answer.information.assign(missing=missing)
    said = replace(answer, information=information).sentence()
    assert ("60% of what decides one of them is filled in" in said) == (missing > 0.5)


def test_the_slope_under_other_readings_is_shown(answer):
    """Of the same imputations, so that only the shift is between them."""
    shifted = answer.shifted
    spread = answer.reeds["density_g_cm3"].std()
    assert shifted["shift"].tolist() == pytest.approx([-spread / 2, 0.0, spread / 2])
    middle = answer.filled_in.loc[WITHIN]
    assert shifted["mean"][1] == pytest.approx(middle["mean"], abs=0.5 * middle["sd"])
    assert shifted["moved"][1] == 0.0 and (shifted["moved"].drop(1) != 0.0).all()
    times = np.exp(shifted["mean"])
    assert any(f"with {times[0]:.2f} times the odds" in note for note in answer.notes)
    assert any(f"with {times[2]:.2f} times if they had" in note for note in answer.notes)


def test_the_claims_are_those_of_the_slopes_filled_in_first(answer):
    claims, slopes = answer.claims, answer.slopes
    assert answer.verdict is rl.Verdict.CANNOT_SAY
    assert claims["statement"].str.contains("filled in").tolist() == [True, True, False, False]
    assert sorted(claims["probability"]) == pytest.approx(sorted(slopes["prob_matters"]))
    ratio = answer.table.set_index("parameter").loc[WITHIN]
    row = slopes.set_index(["unmeasured", "which"]).loc[("filled in", "within")]
    assert ratio["filled_in_low"] == pytest.approx(row["low"], rel=0.02)


def test_the_slopes_are_those_of_suppliers_at_equal_cane(answer, bench):
    """One question, one number: of the measured reeds, at the same level and for one step."""
    equal = rl.suppliers(bench, level=0.95).equal_cane().slopes
    own = answer.slopes.query("unmeasured == 'left out'").set_index("which")
    assert own["odds_ratio"].to_dict() == pytest.approx(equal["odds_ratio"].to_dict(), rel=1e-9)


def test_a_bench_that_cannot_answer_says_what_to_record(bench, answer):
    small, _ = rl.simulate_bench(seed=1, suppliers=2, lots=(1, 1), reeds=40, years=1)
    for few in (small, rl.open_bench(shipped("data") / "messy")):
        refused = rl.unmeasured(few)
        assert refused.unanswered and "hardness of ten pieces" in refused.record_next.what
        for name in ("table", "left_out", "filled_in", "information", "values", "bench_shares",
                     "unmeasured_lots", "shifted"):
            assert [*refused.tables[name]] == [*answer.tables[name]], name
    with pytest.raises(rl.DecisionError, match="choose one of density_g_cm3, hardness and gouge"):
        rl.unmeasured(bench, "colour")
    tables = dict(bench.tables)
    every = bench.reeds.dropna(subset=["density_g_cm3"])["reed"]
    tables["reeds"] = tables["reeds"][tables["reeds"]["reed"].isin(every)]
    measured = type(bench).from_tables(tables, settings=bench.settings)
    assert "nothing is missing" in rl.unmeasured(measured).unanswered
