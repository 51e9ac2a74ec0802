"""The choice under other models."""

from dataclasses import replace

import numpy as np
import pytest

from reedlab.decide.answer import Verdict, weakest
from reedlab.decide.shared_models.models import Spec, formula_of
from reedlab.decide.suppliers import robustness
from reedlab.decide.suppliers.comparison import suppliers


@pytest.fixture(scope="module")
def checked(answer):
    return answer.robustness()


def test_every_variant_ranks_every_supplier(checked, answer):
    sizes = checked.table.groupby("variant")["supplier"].nunique()
    # the demo lacks the harvest year of some lots
    assert set(sizes.index) == set(robustness.VARIANTS) - {robustness.HARVESTS}
    assert (sizes == len(answer.table)).all()
    asked = checked.table[checked.table["variant"] == "as answered"]
    assert asked["cost"].tolist() == answer.table["cost"].tolist()


def test_wider_priors_shrink_suppliers_less(checked):
    spread = checked.table.groupby("variant")["success"].agg(np.ptp)
    assert spread["priors at half"] < spread["priors at twice"] < spread["suppliers fixed"] + 0.02


def test_fixed_suppliers_are_fixed(answer):
    reeds = answer.basis.evidence.reeds
    said = formula_of(reeds, Spec(fixed=True, changing=False))
    assert said == "1 + supplier + maker + season + (1 | lot)"


def test_without_a_change_over_the_years_is_a_variant_where_the_models_have_one(small_bench):
    rows = [(s, f"{s}{i}", 4, 9, 8) for s in ("teal", "plum") for i in range(2)]
    one_month = suppliers(small_bench(rows))
    assert one_month.changes.empty
    assert robustness.NO_CHANGE not in one_month.robustness().best


def test_harvest_years_and_the_shelf_are_variants_where_they_are_known(answer):
    reeds = answer.basis.evidence.reeds
    years = reeds.assign(harvest_year=2020 + reeds["lot"].cat.codes.astype(int) % 3)
    assert "(1 | harvest_year)" in formula_of(years, Spec(harvests=True))
    assert "harvest_year" not in formula_of(reeds.assign(harvest_year=np.nan), Spec(harvests=True))
    assert "shelf_years" in formula_of(reeds, Spec(shelf=True))
    assert "shelf_years" not in formula_of(reeds.drop(columns="shelf_years"), Spec(shelf=True))


def test_a_choice_that_hangs_on_the_model_is_said(small_bench):
    """One lucky lot: a fixed effect believes it, a random one draws it to the others."""
    rows = [("teal", "t1", 4, 9, 1)]
    rows += [("plum", f"p{i}", 4, 17, 3) for i in range(3)]
    rows += [("slate", f"s{i}", 4, 5, 4) for i in range(4)]
    found = suppliers(small_bench(rows)).robustness()
    assert found.best["as answered"] == "plum"
    assert found.best["suppliers fixed"] == "teal"
    assert found.verdict is Verdict.CANNOT_SAY
    assert found.claims["probability"].iloc[0] < 0.5
    assert "it is teal instead of plum" in found.sentence()


def test_many_suppliers_are_not_tried_as_fixed_and_it_is_said(answer, monkeypatch):
    monkeypatch.setattr(robustness, "MOST_FIXED", answer.table["supplier"].nunique() - 1)
    found = robustness.check(answer)
    assert robustness.FIXED not in found.best
    assert found.notes[-1].startswith("Suppliers fixed is not tried with more than")


def test_a_choice_that_stays_is_said(checked):
    assert set(checked.best.values()) == {"indigo"}
    assert checked.verdict is weakest(checked.verdicts.values())
    own = checked.table.query("supplier == 'indigo'")["prob_best"]
    assert checked.claims["probability"].tolist() == [own.min(), *own]


def test_where_the_answer_cannot_tell_no_choice_is_said_to_stay(checked):
    verdicts = dict.fromkeys(checked.verdicts, Verdict.CANNOT_SAY)
    open_ = replace(checked, verdicts=verdicts).sentence()
    assert open_ == "Cannot say yet, but indigo is the likeliest under every model."
    one = replace(checked, verdicts={**verdicts, "suppliers fixed": Verdict.LIKELY}).sentence()
    assert one.endswith(" Only with suppliers fixed could one say more.")
