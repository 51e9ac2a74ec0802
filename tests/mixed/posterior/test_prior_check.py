"""What the priors imply, against closed forms and against the priors themselves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, k0, logit
from scipy.stats import halfnorm, laplace, norm

from reedlab.mixed import fit
from reedlab.mixed.posterior.prior_check import beside, implied
from reedlab.mixed.posterior.priors import Priors
from reedlab.simulate import simulate_reeds

SHARES = {"low": 0.05, "lower": 0.25, "middle": 0.5, "upper": 0.75, "high": 0.95}


def test_another_lot_is_a_product_of_two_normals():
    """|N(0, s)| times N(0, 2) has the density K0(|d| / c) / (pi c), c = s sqrt 2."""
    row = implied(Priors(), "success", 0.6).set_index("other").loc["lot"]
    c = 0.75 * np.sqrt(2.0)
    d = np.linspace(1e-9, 14.0, 2_000_001)
    upper = np.cumsum(k0(d / c)) * (d[1] - d[0]) / (np.pi * c)
    for name in ("upper", "high"):
        at = d[np.searchsorted(upper, SHARES[name] - 0.5)]
        assert row[name] == pytest.approx(expit(logit(0.6) + at), abs=2e-3)
    assert row["middle"] == pytest.approx(0.6)


def test_another_suppliers_lot_is_laplace():
    """Two half-normal sds of one scale s: the variance is exponential, the mixture Laplace."""
    row = implied(Priors(sd_scale=0.25), "minutes", 40.0).set_index("other").loc["supplier's lot"]
    for name, share in SHARES.items():
        exact = 40.0 * np.exp(laplace(scale=np.sqrt(2.0) * 0.25).ppf(share))
        assert row[name] == pytest.approx(exact, rel=0.005)


def test_another_maker_is_the_coefficients_normal():
    row = implied(Priors(by_group={"supplier": 0.1}), "success", 0.5).set_index("other")
    assert row.loc["maker", "high"] == pytest.approx(expit(norm(scale=2.5).ppf(0.95)))
    assert row.loc["supplier", "high"] < row.loc["lot", "high"] < row.loc["maker", "high"]


def test_densities_beside_each_other():
    reeds = simulate_reeds(seed=1)[0]
    model = fit("log_scrape_min ~ maker + (1 | supplier/lot)", reeds)
    post = model.posterior(priors=Priors.log_minutes())
    table = beside(post)
    assert table["parameter"].unique().tolist() == ["sd supplier", "sd supplier:lot"]
    for name, own in table.groupby("parameter"):
        np.testing.assert_allclose(own["prior"], halfnorm(scale=0.25).pdf(own["at"]))
        step = own["at"].iloc[1] - own["at"].iloc[0]
        draws = post.draws()[name]
        assert own["posterior"].sum() * step == pytest.approx(1.0)
        assert (own["at"] * own["posterior"]).sum() * step == pytest.approx(
            draws[draws < own["at"].iloc[-1] + step / 2].mean(), abs=step / 4
        )


def test_an_intercept_whose_prior_stands_elsewhere_is_left_out():
    reeds = simulate_reeds(seed=1)[0]
    sloped = "log_scrape_min ~ density_g_cm3 + (density_g_cm3 | lot)"
    named = [
        beside(fit(formula, reeds).posterior(draws=500))["parameter"].unique().tolist()
        for formula in (sloped, sloped.replace("density_g_cm3", "center(density_g_cm3)"))
    ]
    assert named[0] == ["sd lot density_g_cm3"]
    assert named[1] == ["sd lot", "sd lot center(density_g_cm3)"]
