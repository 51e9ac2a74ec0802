"""The numbers of "How much do the priors say?", asked of the library again."""

from __future__ import annotations

import pytest

import reedlab as rl
from reedlab.report import display


@pytest.fixture(scope="module")
def reeds():
    bench = rl.demo_bench()
    return bench.reeds[bench.reeds["settled"]].dropna(subset=["supplier", "success"])


@pytest.fixture(scope="module")
def model(reeds):
    return rl.fit_reeds("success", reeds)


def test_only_the_suppliers_spread_changes_with_the_priors(model):
    """Another seed, other draws: the verdicts of the demo do not depend on them."""
    table = display.priors_verdicts(model.posterior(seed=8).sensitivity()).set_index("parameter")
    changed = table.index[table["verdict"] == "changes"].tolist()
    assert changed == ["sd supplier"]
    assert table.loc["sd supplier", "mean at half"] == pytest.approx(0.57, abs=0.03)
    assert table.loc["sd supplier", "mean at twice"] == pytest.approx(0.91, abs=0.05)
    assert table["most_shift"].drop(["sd supplier", "sd supplier:lot"]).max() < 0.1


def test_the_mean_cost_does_not_exist_at_twice_the_priors(model):
    wide = model.posterior(priors=rl.Priors().scaled(2.0))
    with pytest.warns(rl.PosteriorWarning):
        table = wide.diagnostics().set_index("check")
    assert not table.loc["change of mean 1/success", "ok"]
    usual = model.posterior().diagnostics()
    assert usual["ok"].all()
