"""What the default priors say, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, halfnorm, norm

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import RandomTerm
from reedlab.mixed.posterior.priors import Priors, coefficient_prior, column_scale
from reedlab.mixed.posterior.scales import Scales


def test_prior_on_coefficients_is_normal_at_the_columns_means():
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(50), rng.normal(0.55, 0.04, 50), rng.integers(0, 2, 50)])
    mean, precision = coefficient_prior(X, ("Intercept", "density", "maker"), Priors())
    covariance = np.linalg.inv(precision)
    middle = X.mean(axis=0)
    assert middle @ mean == pytest.approx(0.0, abs=1e-12)
    assert middle @ covariance @ middle == pytest.approx(2.5**2)
    assert covariance[1, 1] == pytest.approx((2.5 / X[:, 1].std(ddof=1)) ** 2)
    assert covariance[2, 2] == pytest.approx(2.5**2)


def test_a_column_may_have_a_scale_of_its_own():
    X = np.column_stack([np.ones(50), np.linspace(-2.5, 0.0, 50), np.arange(50) % 2])
    names = ("Intercept", "years", "maker")
    _, precision = coefficient_prior(X, names, Priors(by_column={"years": 0.35}))
    covariance = np.linalg.inv(precision)
    assert np.sqrt(np.diag(covariance)[1:]) == pytest.approx([0.35, 2.5])
    with pytest.raises(ModelError, match="by_column names 'yaers': name a column of the model"):
        coefficient_prior(X, names, Priors(by_column={"yaers": 0.35}))
    with pytest.raises(ModelError, match=r"by_column\['years'\] is -1.0"):
        Priors(by_column={"years": -1.0})


def test_gaussian_centre_is_the_responses():
    X = np.column_stack([np.ones(4), [1.0, 2.0, 3.0, 5.0]])
    y = np.array([3.0, 3.2, 3.5, 3.9])
    for priors in (Priors.default("gaussian", y), Priors.log_minutes(), Priors()):
        mean, _ = coefficient_prior(X, ("Intercept", "x"), priors.centred("gaussian", y))
        assert X.mean(axis=0) @ mean == pytest.approx(y.mean())
    assert Priors(intercept_mean=1.0).centred("gaussian", y).intercept_mean == 1.0
    assert Priors().centred("binomial", y).intercept_mean == 0.0


def test_default_scales_are_the_responses_own_sd():
    y = np.array([3.0, 3.2, 3.5, 3.9])
    priors, unit = Priors.default("gaussian", y), y.std(ddof=1)
    assert priors.sd_scale == priors.residual_scale == pytest.approx(unit)
    assert priors.coefficient_sd == priors.intercept_sd == pytest.approx(2.5 * unit)
    assert Priors.default("binomial", np.array([0.0, 1.0])) == Priors()


def test_without_an_intercept_each_column_stands_alone():
    X = np.eye(3)[[0, 1, 2, 0, 1, 2]]
    mean, precision = coefficient_prior(X, ("a", "b", "c"), Priors())
    assert not mean.any()
    np.testing.assert_allclose(precision, np.eye(3) / 2.5**2)


def test_column_scale():
    assert column_scale(np.array([0.0, 5.0, 5.0])) == 5.0
    assert column_scale(np.arange(5.0)) == pytest.approx(np.std(np.arange(5.0), ddof=1))


def test_sd_prior_is_half_normal_and_correlation_lkj():
    rng = np.random.default_rng(1)
    x = rng.normal(0, 2.0, 30)
    basis = np.column_stack([np.ones(30), x])
    term = RandomTerm("lot", ("a", "b"), np.arange(30) % 2, ("Intercept", "x"), basis)
    scales = Scales.of((term,), Priors(), residual=True)
    assert scales.names == ("sd lot", "sd lot x", "cor lot x", "sd Residual")

    def log_density(sd1: float, sd2: float, r: float, sigma: float) -> float:
        # Lewandowski et al. 2009: for 2 x 2, (1 + r) / 2 is beta(eta, eta)
        parts = halfnorm.logpdf([sd1, sd2], scale=[0.75, 0.75 / x.std(ddof=1)]).sum()
        parts += beta.logpdf((1 + r) / 2, 2, 2) + halfnorm.logpdf(sigma, scale=1.0)
        return float(parts + np.log(1 - r**2) + np.log(sigma))  # Jacobians of atanh and log

    values = [(0.5, 0.1, 0.3, 0.4), (1.0, 0.6, -0.8, 1.7)]
    points = np.array([[a, b, np.arctanh(r), np.log(s)] for a, b, r, s in values])
    ours = scales.log_prior(points)
    assert ours[1] - ours[0] == pytest.approx(log_density(*values[1]) - log_density(*values[0]))
    np.testing.assert_allclose(scales.parameters(points), values)


def test_three_correlated_columns_have_the_lkj_margin():
    """Under LKJ(2) a correlation of a 3 x 3 matrix has (1 + r) / 2 ~ beta(2.5, 2.5)."""
    basis = np.random.default_rng(0).normal(size=(20, 3))
    term = RandomTerm("lot", ("a", "b"), np.arange(20) % 2, ("p", "q", "r"), basis)
    scales = Scales.of((term,), Priors(), residual=False)
    rng = np.random.default_rng(7)
    points = np.column_stack([np.ones((60_000, 3)), rng.normal(0, 1.2, (60_000, 3))])
    weight = scales.log_prior(points) - norm.logpdf(points[:, 3:], scale=1.2).sum(axis=1)
    weight = np.exp(weight - weight.max())
    cors = scales.parameters(points)[:, 3:]
    assert scales.cor_names == ("cor lot p q", "cor lot p r", "cor lot q r")
    for r in cors.T:
        second = np.average(r**2, weights=weight)
        assert second == pytest.approx(1 / 6, rel=0.04)  # variance of 2 beta(2.5, 2.5) - 1
    lambdas = scales.lambdas(points[:5])[0]
    covariance = lambdas @ lambdas.transpose(0, 2, 1)
    np.testing.assert_allclose(np.einsum("gii->gi", covariance), 1.0)
    np.testing.assert_allclose(covariance[:, 2, 1], cors[:5, 2])
