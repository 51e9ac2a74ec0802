"""The value of one more lot against closed forms."""

import numpy as np
import pytest
from scipy import special, stats

from reedlab.decide.suppliers import information


def beta_binomial_value(a: float, b: float, n: int, known: float) -> float:
    """Value of n trials when the other choice pays `known` for certain, by conjugacy.

    P(y) is Beta-binomial and E[p | y] = (a + y) / (a + b + n): Raiffa and Schlaifer 1961, ch. 7.
    """
    y = np.arange(n + 1)
    chance = stats.betabinom(n, a, b).pmf(y)
    after = np.maximum((a + y) / (a + b + n), known)
    return float(chance @ after - max(a / (a + b), known))


@pytest.mark.parametrize(
    ("a", "b", "n", "known"), [(6, 4, 10, 0.6), (3, 2, 8, 0.7), (2, 2, 1, 0.5)]
)
def test_binomial_sample_is_the_beta_binomial_closed_form(a, b, n, known):
    # Draws at the quantiles of the Beta, so that only their number limits the agreement.
    p = stats.beta(a, b).ppf((np.arange(40_000) + 0.5) / 40_000)
    benefit = np.column_stack([p, np.full_like(p, known)])
    got = information.value_of_sample(benefit, information.binomial_likelihood(p, n))
    assert got == pytest.approx(beta_binomial_value(a, b, n, known), abs=2e-5)
    assert got > 0


def test_one_trial_at_even_odds_by_hand():
    # Beta(2, 2) against a sure 0.5: a success moves the mean to 3/5, a failure to 2/5; so the
    # value is 1/2 x 0.6 + 1/2 x 0.5 - 0.5 = 0.05.
    assert beta_binomial_value(2, 2, 1, 0.5) == pytest.approx(0.05)


def test_normal_sample_is_the_unit_normal_loss_integral():
    # One arm's mean is normal(m, s²) against 0; n readings with sd r. The posterior mean is normal
    # with sd s' = s² / sqrt(s² + r²/n), and EVSI = s' [φ(d) - d (1 - Φ(d))] with d = |m| / s'
    # (Raiffa and Schlaifer 1961, section 5.4; two arms differ by such a mean).
    m, s, r, n = 0.3, 1.0, 2.0, 5
    theta = stats.norm(m, s).ppf((np.arange(4_000) + 0.5) / 4_000)
    error = r / np.sqrt(n)
    edges = np.linspace(m - 8 * s - 8 * error, m + 8 * s + 8 * error, 2_001)
    cells = np.diff(stats.norm.cdf(edges[None, :], theta[:, None], error), axis=1)
    got = information.value_of_sample(np.column_stack([theta, np.zeros_like(theta)]), cells)
    sd = s**2 / np.sqrt(s**2 + error**2)
    d = m / sd
    assert got == pytest.approx(sd * (stats.norm.pdf(d) - d * stats.norm.sf(d)), rel=2e-3)


def test_minutes_alone_are_worth_the_unit_normal_loss_integral(monkeypatch):
    monkeypatch.setattr(information, "RESULTS", 4_000)
    # The same closed form, asked by simulation: every reed turns out good, so that a trial of n
    # tells nothing but mean log minutes, normal(θ, r²/n); benefit θ against 0.
    m, s, r, n = 0.3, 1.0, 2.0, 5
    theta = stats.norm(m, s).ppf((np.arange(4_000) + 0.5) / 4_000)
    theta = np.random.default_rng(1).permutation(theta)
    pace = information.Pace(np.exp(theta + r**2 / 2), np.full(4_000, r))
    likely = information.sampled_likelihood(np.ones(4_000), (pace, pace), n, seed=1)
    got = information.value_of_sample(np.column_stack([theta, np.zeros_like(theta)]), likely)
    sd = s**2 / np.sqrt(s**2 + r**2 / n)
    d = m / sd
    assert got == pytest.approx(sd * (stats.norm.pdf(d) - d * stats.norm.sf(d)), rel=0.05)


def test_minutes_that_tell_nothing_leave_the_binomial_value(monkeypatch):
    monkeypatch.setattr(information, "RESULTS", 2_000)
    p = np.random.default_rng(2).permutation(stats.beta(6, 4).ppf((np.arange(4_000) + 0.5) / 4_000))
    benefit = np.column_stack([p, np.full_like(p, 0.6)])
    pace = information.Pace(np.full(4_000, 30.0), np.full(4_000, 0.3))
    likely = information.sampled_likelihood(p, (pace, pace), 10, seed=1)
    exact = information.value_of_sample(benefit, information.binomial_likelihood(p, 10))
    assert information.value_of_sample(benefit, likely) == pytest.approx(exact, rel=0.06)


def test_a_sample_is_worth_no_more_than_the_regret_and_more_reeds_tell_more():
    rng = np.random.default_rng(3)
    p = special.expit(rng.normal(0.4, 0.5, (4000, 3)))
    least = information.expected_regret(p).min()
    values = [
        information.value_of_sample(p, information.binomial_likelihood(p[:, 0], n))
        for n in (1, 5, 20, 80)
    ]
    assert values == sorted(values)
    assert 0 < values[-1] < least


def test_regret_of_the_posterior_best_is_the_value_of_perfect_information():
    rng = np.random.default_rng(4)
    benefit = rng.normal([0.0, 0.2], 1.0, (200_000, 2))
    # The difference is normal(0.2, sqrt 2): E max(0, difference) by the loss integral.
    sd, d = np.sqrt(2), 0.2 / np.sqrt(2)
    assert information.expected_regret(benefit).min() == pytest.approx(
        sd * (stats.norm.pdf(d) - d * stats.norm.sf(d)), abs=0.005
    )


def test_likelihood_rows_are_scipys_binomial():
    p = np.array([0.0, 0.3, 1.0])
    got = information.binomial_likelihood(p, 6)
    assert got == pytest.approx(stats.binom.pmf(np.arange(7)[None, :], 6, p[:, None]))
