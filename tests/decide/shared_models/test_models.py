"""A bench in its first weeks is answered in a maker's words, not in a model's."""

import pytest

from reedlab.decide.answer import CannotAnswer
from reedlab.decide.shared_models.models import Spec, fit_reeds, formula_of
from reedlab.errors import ModelError
from reedlab.mixed import fit
from reedlab.simulate import simulate_reeds


@pytest.fixture(scope="module")
def reeds():
    return simulate_reeds(seed=1)[0]


def test_it_is_the_fit_of_the_formula_that_the_reeds_carry(reeds):
    ours = fit_reeds("log_scrape_min", reeds, "scale(density_g_cm3)")
    formula = "log_scrape_min ~ " + formula_of(reeds, Spec(terms=("scale(density_g_cm3)",)))
    assert ours.formula == formula
    assert ours.llf == pytest.approx(fit(formula, reeds).llf)


def test_one_lot_is_said_with_what_to_record(reeds):
    alone = reeds[reeds["lot"] == reeds["lot"].iloc[0]]
    with pytest.raises(CannotAnswer, match="of 1 lot can answer") as refusal:
        fit_reeds("success", alone)
    assert "at least two lots" in refusal.value.record_next.what


def test_reeds_too_alike_are_said_with_what_to_record(reeds):
    alike = reeds.groupby("lot", observed=True).head(3).copy()
    alike["maker"] = alike["season"].isin(["winter", "spring"]).map({True: "KL", False: "RS"})
    with pytest.raises(CannotAnswer, match=r"too alike, for this question .*Record more of them"):
        fit_reeds("success", alike)


def test_another_response_is_refused(reeds):
    with pytest.raises(ModelError, match="no response of reeds 'minutes': choose success or log_"):
        fit_reeds("minutes", reeds)


def test_reeds_that_all_turned_out_good_have_no_difference_to_ask_about(reeds):
    with pytest.raises(CannotAnswer, match="are alike in what is asked"):
        fit_reeds("success", reeds.assign(success=1.0))
