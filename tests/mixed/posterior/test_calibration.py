"""Intervals counted on simulated benches whose truths are drawn from the default priors.

The whole study is ``tests/benchmarks/calibration.py``; this is a small run of the same functions.
For each bench one supplier is picked at random, so that whether an interval holds its next lot's
true success is a coin of known bias, and counts obey the binomial distribution. Each bound below
fails a right interval once in 10,000 runs; the seed is fixed.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, chisquare

BENCHES = 120


@pytest.fixture(scope="module")
def calibration():
    path = Path(__file__).parents[2] / "benchmarks" / "calibration.py"
    spec = importlib.util.spec_from_file_location("calibration", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["calibration"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def rows(calibration):
    plan = calibration.Plan(4, lots=(2, 3), reeds=(10, 20))
    seeds = np.random.SeedSequence(2026).spawn(BENCHES)
    return [calibration.one_bench(seed, plan) for seed in seeds]


def within(held: int, n: int, level: float) -> bool:
    low, high = binom.ppf([5e-5, 1 - 5e-5], n, level)
    return bool(low <= held <= high)


def holds(ranks: pd.Series, level: float) -> int:
    return int((np.abs(ranks.astype(float) - 0.5) < level / 2).sum())


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_intervals_hold_as_often_as_they_say(rows, level):
    frame = pd.DataFrame(rows)
    for name in ("next lot's success", "Intercept", "maker[T.TL]", "density",
                 "sd supplier", "sd supplier:lot"):  # fmt: skip
        assert within(holds(frame[name], level), BENCHES, level), name


def test_plugging_in_the_estimated_variances_fails_the_same_bounds(rows):
    held = holds(pd.DataFrame(rows)["plug-in: next lot's success"], 0.95)
    assert not within(held, BENCHES, 0.95)
    assert held < 0.9 * BENCHES


def test_ranks_are_uniform(rows):
    frame = pd.DataFrame(rows)
    for name in ("next lot's success", "density", "sd supplier", "sd supplier:lot"):
        counts = np.histogram(frame[name].astype(float), bins=10, range=(0, 1))[0]
        assert chisquare(counts).pvalue > 1e-4, name


def test_the_best_supplier_is_best_as_often_as_stated(rows):
    """Sum of hits less stated probabilities, over the sd that right statements give it."""
    stated = [r["stated"][int(np.argmax(r["stated"]))] for r in rows]
    hit = [int(np.argmax(r["stated"])) == r["best"] for r in rows]
    p = np.array(stated)
    assert abs((np.array(hit) - p).sum()) < 3.9 * np.sqrt((p * (1 - p)).sum())


def test_the_approximation_is_trusted_nearly_everywhere(rows):
    assert np.mean([r["pareto_k"] > 0.7 for r in rows]) < 0.02
