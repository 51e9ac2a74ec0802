"""Which pieces to pass over: benches that can tell, with nothing to tell, and too small."""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.answer import Verdict
from reedlab.decide.costs import Rates, Tied, cost_per_saleable
from reedlab.decide.shared_models.cane_slopes import PROPERTIES
from reedlab.decide.stopping.before_tying import money_at_stake, passing_over
from reedlab.decide.stopping.pieces import MEASURES, OF_CANE, measured_reeds
from reedlab.decide.stopping.tryout import Lack, slopes_alone
from reedlab.records import Bench
from reedlab.simulate import World


@cache
def bench(seed=3, reeds=700, **effects):
    return rl.simulate_bench(seed=seed, reeds=reeds, world=World(**effects))[0]


@cache
def culled(seed=3, reeds=700, **effects):
    return passing_over(bench(seed, reeds, **effects))


NOTHING = {"density": 0.0, "asymmetry": 0.0, "bowed": 0.0}
MUCH = {"density": -3.0, "asymmetry": -0.3, "success": -0.2}


def test_where_nothing_predicts_it_says_to_measure_nothing():
    answers = [culled(seed, **NOTHING) for seed in (3, 4, 5, 6)]
    assert not any(a.follow for a in answers)
    sure = [a for a in answers if a.verdict is Verdict.SURE]
    assert len(sure) >= 3 and not sure[0].claims["matters"].item()
    assert "Tie every piece" in sure[0].sentence()


def test_what_predicts_well_is_passed_over_and_pays_on_the_true_world():
    found = culled(**MUCH)
    assert found.follow and found.verdict is Verdict.SURE
    assert found.best.low > 0 and found.claims["size"].item() == found.best.saving
    assert "density less the mean of its lot" in found.table["measure"].iloc[0]
    slope = found.table.set_index("measure").loc["density less the mean of its lot"]
    # Truth: -3 per 0.05 g/cm3; the pieces' own spread is `per`.
    truth = np.exp(-3.0 * slope["per"] / 0.05)
    assert slope["low"] < truth < slope["high"]
    assert found.sentence().startswith("Pass over pieces with a density")
    assert "EUR a month (" in found.sentence()


def test_minutes_of_measuring_count():
    cases, stakes = measured_reeds(bench(**MUCH)), culled(**MUCH).stakes
    free, slow = (
        slopes_alone(cases, tuple(replace(m, minutes=took) for m in MEASURES), stakes)
        for took in (0.0, 30.0)
    )
    assert (free["could_save"] >= culled(**MUCH).table["could_save"]).all()
    assert free["could_save"].max() > culled(**MUCH).table["could_save"].max()
    assert slow["could_save"].max() == 0


def test_a_bench_too_small_cannot_tell_and_says_what_to_record():
    found = passing_over(rl.simulate_bench(seed=1, reeds=90, suppliers=2, lots=(2, 2))[0])
    assert found.verdict is Verdict.CANNOT_SAY and found.lacks is Lack.BLANKS and not found.follow
    assert "both sides of the gouge and straightness" in found.record_next.what
    assert len(found.sorted_before) and found.table.empty


def test_what_differs_between_lots_only_is_no_measure_of_pieces():
    pieces = bench().tables["pieces"]
    odd = pieces["lot"].str[-1].isin(list("13579"))
    pieces = pieces.assign(straightness=np.where(odd, "slight", "straight"))
    found = passing_over(Bench.from_tables({**bench().tables, "pieces": pieces}, check=False))
    assert not any("bend" in measure for measure in found.table["measure"])
    assert any("never differs within a lot: bend" in note for note in found.notes)


def test_without_a_measured_piece_it_says_what_is_missing():
    tables = {name: frame for name, frame in bench().tables.items() if name != "pieces"}
    tables["reeds"] = tables["reeds"].assign(piece=None)
    found = passing_over(Bench.from_tables(tables))
    assert found.unanswered and "piece's label" in found.record_next.what
    for name, frame in culled(**MUCH).tables.items():
        assert [*found.tables[name]] == [*frame], name


def test_each_slope_is_that_of_its_measure_alone():
    """A rule on one measure uses what goes with it, others not held equal: rl.fit, one by one."""
    cases, found = measured_reeds(bench()), culled()
    of_lots = [measure.column for measure in MEASURES]
    within = cases[of_lots] - cases.groupby("lot")[of_lots].transform("mean")
    alone = slopes_alone(cases.assign(**within), MEASURES, found.stakes, 0.9)
    slopes = alone.set_index("measure")
    for measure in MEASURES:
        x = cases[measure.column]
        x = x - x.groupby(cases["lot"]).transform("mean")
        frame = cases.assign(x=(x / x.std()).fillna(0.0))
        fit = rl.fit("good ~ x + (1 | lot)", frame, family="binomial")
        low, high = np.exp(fit.conf_int(level=0.9).loc["x"])
        told = slopes.loc[measure.says]
        assert told["odds_ratio"] == pytest.approx(np.exp(fit.fe_params["x"]), rel=1e-4)
        assert [told["low"], told["high"]] == pytest.approx([low, high], rel=1e-3)
    # The page has a property of the cane as every page has it: supplier in the model, fixed step.
    table = found.table.set_index("measure")
    for measure in MEASURES:
        column = OF_CANE.get(measure.column)
        own, step = slopes.loc[measure.says], within[measure.column].std()
        if column is not None:
            rows = found.slopes.query("which == 'within'").set_index("property")
            own, step = rows.loc[PROPERTIES[column].more], PROPERTIES[column].step
        assert table.loc[measure.says, "per"] == pytest.approx(step)
        shown = table.loc[measure.says, ["odds_ratio", "low", "high"]].tolist()
        assert shown == own[["odds_ratio", "low", "high"]].tolist()


def test_without_minutes_it_says_that_they_are_missing():
    own = bench()
    untimed = own.tables["reeds"].assign(rough_min=np.nan, finish_min=np.nan)
    tables = {**own.tables, "reeds": untimed, "sittings": own.tables["sittings"].head(0)}
    found = passing_over(Bench.from_tables(tables, check=False))
    assert found.verdict is Verdict.CANNOT_SAY and found.lacks is Lack.MINUTES
    assert "have too few minutes noted to say which to pass over. Note the" in found.sentence()


def test_earlier_sorting_is_said():
    narrow = culled().sorted_before.set_index("measure")
    bend = narrow.loc["bend (0 straight, 1 slight, 2 reject)"]
    assert bend["ratio"] < 0.9 and bend["pieces"] > bend["tied"]
    assert any("earlier sorting has narrowed" in note for note in culled().notes)


def test_cases_count_from_their_own_lot_and_gauge():
    cases, own = measured_reeds(bench()), bench()
    assert cases["good"].isin([0, 1]).all() and cases["reed"].is_unique
    one = cases.dropna(subset="density_over_lot").iloc[0]
    piece = own.reeds.set_index("reed").loc[one["reed"]]
    lot = own.cane[own.cane["lot"].astype(str) == one["lot"]]
    expected = piece["density_g_cm3"] - lot["density_g_cm3"].mean()
    assert one["density_over_lot"] == pytest.approx(expected)


def test_the_value_of_a_reed_is_what_suppliers_say_it_costs():
    # The same arithmetic as the supplier question's, from the other side.
    rates = Rates()
    cases = pd.DataFrame({"good": [1] * 60 + [0] * 39, "scrape_min": [36.0] * 60 + [24.0] * 39})
    before = pd.DataFrame({"cane": [2.4], "minutes_before": [5.0]}, index=["ochre"])
    found = money_at_stake(cases, rates, before, pd.Series({"ochre": 99}))
    tied = Tied(60.5 / 100, minutes_success=36, minutes_failure=24, cane=2.4, minutes_before=5)
    assert found.value == pytest.approx(float(cost_per_saleable(tied, rates)))
