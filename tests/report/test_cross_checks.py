"""Other libraries beside the models: what they cannot tell of a small bench is missing.

Where they can tell they are compared with the models in the stored notebooks.
"""

import numpy as np
import pandas as pd
import pingouin as pg
import pytest

import reedlab as rl
from reedlab.errors import ModelError
from reedlab.report import cross_checks


def cane(lots: int, pieces: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    rows = [
        (f"L{lot}", *rng.normal([0.55, 0.59], 0.02)) for lot in range(lots) for _ in range(pieces)
    ]
    return pd.DataFrame(rows, columns=["lot", "density_g_cm3", "gouge_centre_mm"])


@pytest.mark.parametrize("lots", [0, 1, 2])
def test_too_few_lots_have_no_correlation_within(lots):
    pairs = cross_checks.cane_pairs(cane(lots), ["density_g_cm3", "gouge_centre_mm"])
    assert pairs["pieces"].tolist() == [4 * lots]
    assert pairs[["within_lots", "low", "high", "p_value"]].isna().all(axis=None)
    contrasts = cross_checks.lot_contrasts(cane(lots), "density_g_cm3")
    assert len(contrasts) == (1 if lots == 2 else 0)
    assert (
        contrasts.columns.tolist()
        == cross_checks.lot_contrasts(cane(3), "density_g_cm3").columns.tolist()
    )


def test_with_three_lots_it_is_pingouins():
    frame = cane(3)
    row = cross_checks.cane_pairs(frame, ["density_g_cm3", "gouge_centre_mm"]).iloc[0]
    told = pg.rm_corr(frame, x="density_g_cm3", y="gouge_centre_mm", subject="lot").iloc[0]
    assert row["within_lots"] == pytest.approx(told["r"])
    overall = pg.corr(frame["density_g_cm3"], frame["gouge_centre_mm"]).iloc[0]["r"]
    assert row["overall"] == pytest.approx(overall)


def test_where_statsmodels_gives_no_fit_its_column_is_missing(monkeypatch):
    import statsmodels.api as sm

    frame = pd.DataFrame({"y": [1.0, 2.0, 1.5, 2.5], "lot": list("aabb")})

    def singular(*_, **__):
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(sm.MixedLM, "fit", singular)
    found, notes = cross_checks.single_grouping("y ~ 1", frame, "lot")
    assert found.index.tolist() == ["Intercept", "sd lot", "sd Residual", "log-likelihood"]
    assert found.isna().all()
    assert notes == ["Singular matrix"]


def test_of_many_lots_those_with_most_pieces_are_compared(monkeypatch):
    monkeypatch.setattr(cross_checks, "MOST_LOTS", 3)
    frame = pd.concat([cane(5), cane(3, pieces=2)])  # L0 to L2 have six pieces, two others four
    assert {*cross_checks.most_measured(frame, "density_g_cm3")["lot"]} == {"L0", "L1", "L2"}
    found = cross_checks.lot_contrasts(frame, "density_g_cm3")
    assert {*found["first"], *found["second"]} == {"L0", "L1", "L2"} and len(found) == 3


@pytest.fixture(scope="module")
def judged():
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"lot": np.repeat([f"L{i}" for i in range(12)], 20)})
    frame["x"] = rng.normal(size=len(frame))
    slope = 1.0 + rng.normal(0.0, 0.7, 12).repeat(20)
    frame["good"] = (rng.random(len(frame)) < 1 / (1 + np.exp(-slope * frame["x"]))).astype(float)
    return frame.assign(tried=1, minutes=30 + frame["x"] + rng.normal(size=len(frame)))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    ("formula", "options", "why"),
    [
        ("good ~ x + (1 + x | lot)", {"family": "binomial"}, "leave the random slopes out"),
        ("good ~ x + (0 + x | lot)", {"family": "binomial"}, "leave the random slopes out"),
        ("good ~ x + (1 | lot)", {"family": "binomial", "trials": "tried"}, "without trials="),
        ("minutes ~ x + (1 | lot)", {}, "for the binomial family, and this model is gaussian"),
    ],
)
def test_what_a_gee_cannot_be_put_beside_is_refused(judged, formula, options, why):
    with pytest.raises(ModelError, match=why):
        cross_checks.beside_gee(rl.fit(formula, judged, **options), "lot")


def test_a_mixedlm_is_put_beside_a_gaussian_model_only(judged):
    with pytest.raises(ModelError, match="gaussian family, and this model is binomial"):
        cross_checks.beside_mixedlm(rl.fit("good ~ x + (1 | lot)", judged, "binomial"), "lot")
