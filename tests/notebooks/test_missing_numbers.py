"""What the notebook on pieces not measured says, asked of the library, and small benches."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import reedlab as rl
from reedlab.decide.conditions import measured_or_not
from reedlab.paths import shipped


@pytest.fixture(scope="module")
def bench():
    return rl.demo_bench()


@pytest.fixture(scope="module")
def answer(bench):
    """Of fewer imputations than the page has, which takes a third of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measured_or_not, "_FILLED", 12)
        patch.setattr(measured_or_not, "_SHIFTED", 4)
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
    assert answer.unit == pytest.approx(reeds["density_g_cm3"].std())
    truth = -0.35 * answer.unit / 0.05  # World.density, per 0.05 g/cm3
    for summary in (answer.left_out, answer.filled_in):
        assert summary.loc["density_g_cm3", "low"] < truth < summary.loc["density_g_cm3", "high"]


def test_filling_in_tells_more_of_what_every_reed_tells(answer):
    """The maker is known of every reed, so that keeping them all must narrow its interval."""
    maker = "maker[T.RS]"
    assert answer.filled_in.loc[maker, "sd"] < 0.85 * answer.left_out.loc[maker, "sd"]
    assert answer.information.loc[maker, "missing"] < 0.15
    assert answer.information.loc["density_g_cm3", "missing"] > 0.2


SURE, WIDE, MOVED = (-0.3, 0.15, -0.6, -0.1), (-0.3, 0.2, -0.7, 0.1), (-0.39, 0.15, -0.7, -0.1)


@pytest.mark.parametrize(
    ("left_out", "filled_in", "changed", "words"),
    [  # mean, sd, low, high
        (SURE, (-0.3, 0.2, -0.7, -0.1), False, "where it is, and which way it goes is clear with"),
        (SURE, WIDE, False, "where it is, but which way it goes is no longer clear"),
        (WIDE, SURE, False, "where it is, but which way it goes is now clear"),
        (WIDE, WIDE, False, "where it is, and which way it goes is clear neither with them nor"),
        (SURE, MOVED, True, "changes the answer on density, and which way it goes is clear with"),
    ],
)
def test_what_is_said_follows_from_the_intervals(answer, left_out, filled_in, changed, words):
    def table(row):
        return pd.DataFrame([row], ["density_g_cm3"], ["mean", "sd", "low", "high"])

    other = replace(answer, left_out=table(left_out), filled_in=table(filled_in))
    assert other.changed is changed and words in other.sentence()
    assert "as sure as" not in other.sentence()


@pytest.mark.parametrize("missing", [0.4, 0.6])
def test_where_most_is_filled_in_the_sentence_says_so(answer, missing):
    information = answer.information.assign(missing=missing)
    said = replace(answer, information=information).sentence()
    assert ("60% of what decides it is filled in, too much for an answer" in said) == (missing > 0.5)


def test_the_slope_under_other_readings_is_shown(answer):
    """Of the same imputations, so that only the shift is between them."""
    shifted = answer.shifted
    assert shifted["shift"].tolist() == pytest.approx([-answer.unit / 2, 0.0, answer.unit / 2])
    middle = answer.filled_in.loc["density_g_cm3"]
    assert shifted["mean"][1] == pytest.approx(middle["mean"], abs=0.5 * middle["sd"])
    assert shifted["moved"][1] == 0.0 and (shifted["moved"].drop(1) != 0.0).all()
    times = np.exp(shifted["mean"])
    assert any(f"with {times[0]:.2f} times the odds" in note for note in answer.notes)
    assert any(f"with {times[2]:.2f} times if they had" in note for note in answer.notes)


def test_the_claim_is_as_sure_as_its_interval_is_clear_of_none(answer):
    """The filled-in interval holds 0, the left-out one does not: the first of them decides."""
    assert answer.verdict is rl.Verdict.CANNOT_SAY and not answer.changed
    assert answer.claims["grade"].tolist() == [rl.Verdict.CANNOT_SAY, rl.Verdict.SURE]
    for claim, summary in zip(answer.claims.itertuples(), (answer.filled_in, answer.left_out)):
        row = summary.loc["density_g_cm3"]
        assert claim.size == pytest.approx(np.exp(row["mean"]))
        assert claim.probability == pytest.approx(norm.cdf(abs(row["mean"]) / row["sd"]), abs=0.01)
    ratio = answer.table.set_index("parameter").loc["density_g_cm3"]
    assert ratio["filled_in_low"] == pytest.approx(
        np.exp(answer.filled_in.loc["density_g_cm3", "low"])
    )


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
