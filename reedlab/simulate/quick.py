"""The fast generator: only the frame that the models read, for thousands of calibrations."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from reedlab.cane.moisture import SEASONS
from reedlab.simulate.world import (
    DENSITY,
    MAKERS,
    MOISTURE,
    Truth,
    World,
    draw_endings,
    draw_lots,
    draw_suppliers,
    name_of,
    next_lots,
)


def simulate_reeds(
    seed: int | np.random.SeedSequence = 1,
    suppliers: int = 5,
    lots: tuple[int, int] = (3, 5),
    reeds: tuple[int, int] = (15, 45),
    makers: int = 2,
    world: World | None = None,
) -> tuple[pd.DataFrame, Truth]:
    """Simulate a model frame of settled reeds whose true effects are known.

    Parameters
    ----------
    seed : int or numpy.random.SeedSequence, default 1
        The same seed gives the same frame.
    suppliers : int, default 5
        Number of suppliers.
    lots : (int, int), default (3, 5)
        Fewest and most lots of a supplier.
    reeds : (int, int), default (15, 45)
        Fewest and most reeds of a lot.
    makers : int, default 2
        Number of makers.
    world : World, optional
        The true effects; drawn from the default priors (`World.from_prior`) if not given.

    Returns
    -------
    tuple of pandas.DataFrame and Truth
        The frame has one row a reed, with the columns of `Bench.reeds` that the decisions use:
        reed, supplier, lot, maker, season, success, scrape_min, log_scrape_min, density_g_cm3,
        gouge_asymmetry_mm, moisture_pct, came_back (a good reed that did not stay good), settled.
        The truth's suppliers also have `back`, the chance of that.

    Examples
    --------
    >>> frame, truth = simulate_reeds(seed=3, suppliers=4, lots=(2, 2), reeds=(10, 10))
    >>> len(frame), frame["lot"].nunique()
    (80, 8)
    """
    rng = np.random.default_rng(seed)
    world = World.from_prior(rng) if world is None else world
    known = draw_suppliers(rng, world, suppliers)
    bought = draw_lots(rng, world, known, lots)
    bought.insert(1, "lot", [f"L{i + 1:02d}" for i in range(len(bought))])
    counts = rng.integers(reeds[0], reeds[1] + 1, len(bought))
    at = np.repeat(np.arange(len(bought)), counts)
    n = len(at)
    season = rng.integers(0, 4, n)
    within = rng.normal(0.0, world.piece_density_sd, n)
    density = bought["density_g_cm3"].to_numpy()[at] + within
    frame = pd.DataFrame(
        {
            "lot_index": at,
            "maker_index": rng.integers(0, makers, n),
            "density_within": within,
            "density_dev": density - DENSITY,
            "hardness_dev": 0.6 * within / world.piece_density_sd + 0.8 * rng.normal(size=n),
            "bowed": rng.random(n) < 0.2,
            "gouge_asymmetry_mm": rng.normal(0.0, 0.008, n),
            "moisture_pct": MOISTURE + np.array([0.0, 1.5, 0.3, -1.8])[season] + rng.normal(size=n),
            "tube_effect": rng.normal(0.0, world.tube_sd, n),
        }
    )
    ends = draw_endings(rng, world, frame, bought)
    truth = Truth(world, next_lots(rng, world, known, frame), bought.iloc[:, :5])
    own = rng.spawn(1)[0]  # the other columns stay as they are
    of_supplier = expit(logit(world.back) + own.normal(0.0, world.supplier_back_sd, suppliers))
    truth.suppliers["back"] = of_supplier
    chance = bought["supplier"].map(dict(zip(known["supplier"], of_supplier))).to_numpy()[at]
    names = np.array([name_of(MAKERS, i) for i in range(makers)])
    tidy = pd.DataFrame(
        {
            "reed": [f"R{i + 1:04d}" for i in range(n)],
            "supplier": pd.Categorical(bought["supplier"].to_numpy()[at]),
            "lot": pd.Categorical(bought["lot"].to_numpy()[at]),
            "maker": pd.Categorical(names[frame["maker_index"].to_numpy()]),
            "season": pd.Categorical.from_codes(season, SEASONS, ordered=True),
            "success": ends["good"].astype(float),
            "scrape_min": ends["minutes"],
            "log_scrape_min": np.log(ends["minutes"]),
            "density_g_cm3": density,
            "gouge_asymmetry_mm": frame["gouge_asymmetry_mm"],
            "moisture_pct": frame["moisture_pct"],
            "came_back": ends["good"] & (own.random(n) < chance),
            "settled": True,
        }
    )
    return tidy, truth
