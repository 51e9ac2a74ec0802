"""Levels not met before: the fit's prediction and the posterior's take the same ones for new."""

from __future__ import annotations

import numpy as np
import pytest

from reedlab.errors import PredictionError
from reedlab.mixed import fit
from reedlab.simulate import simulate_reeds


@pytest.fixture(scope="module")
def reeds():
    return simulate_reeds(seed=2)[0]


@pytest.fixture(scope="module")
def model(reeds):
    return fit("log_scrape_min ~ maker + (1 | supplier/lot)", reeds)


@pytest.fixture(scope="module")
def posterior(model):
    return model.posterior()


@pytest.mark.parametrize("new", ["supplier", ["supplier", "lot"], ["supplier", "supplier:lot"]])
def test_a_new_suppliers_lots_are_new(model, posterior, reeds, new):
    """Nothing is left of supplier or lot, whatever lot the row names."""
    row = reeds.head(1)
    assert model.predict(row, new_levels=new).item() == model.predict(row, random=False).item()
    drawn = posterior.predict(row, new_levels=new)
    sds = posterior.draws()[["sd supplier", "sd supplier:lot"]].to_numpy()
    assert drawn.std() == pytest.approx(np.sqrt((sds**2).sum(axis=1).mean()), rel=0.1)


@pytest.mark.parametrize("new", ["lot", "supplier:lot"])
def test_a_new_lot_keeps_its_supplier(model, posterior, reeds, new):
    row, modes = reeds.head(1), model.random_effects
    own = modes.query("group == 'supplier' and level == @row.supplier.item()")["mode"].item()
    expected = model.predict(row, random=False).item() + own
    assert model.predict(row, new_levels=new).item() == pytest.approx(expected)
    drawn, draws = posterior.predict(row, new_levels=new)[:, 0], posterior.draws()
    supplier = posterior.levels_draws("supplier")[row["supplier"].item()]
    kept = draws["Intercept"] + draws["maker[T.RS]"] * (row["maker"].item() == "RS") + supplier
    lots = drawn - kept.to_numpy()
    assert lots.std() == pytest.approx(np.sqrt((draws["sd supplier:lot"] ** 2).mean()), rel=0.1)
    assert abs(lots.mean()) < 4 * lots.std() / np.sqrt(len(lots))


def test_what_the_model_does_not_group_by_is_refused(model, posterior, reeds):
    for asked in (model, posterior):
        with pytest.raises(PredictionError, match="maker"):
            asked.predict(reeds.head(1), new_levels=["supplier", "maker"])
