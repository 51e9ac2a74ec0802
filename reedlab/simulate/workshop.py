"""The whole simulated workshop: lots, batches, reeds, measured pieces and their records."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.cane.moisture import equilibrium_moisture_pct
from reedlab.records import Bench, Settings
from reedlab.simulate.customers import with_customers
from reedlab.simulate.ledger import air_table, gauge_table, lots_table, pieces_table, tally_table
from reedlab.simulate.notes import endings, reeds_table, sittings_table
from reedlab.simulate.world import (
    DENSITY,
    MAKERS,
    Truth,
    World,
    draw_endings,
    draw_lots,
    draw_suppliers,
    name_of,
    next_lots,
)

FIRST_DAY = pd.Timestamp("2024-04-02")
_BATCH = 6
_OPEN = 240
"""A lot bought within so many days before the last day is still in use."""


def simulate_bench(
    seed: int = 1,
    suppliers: int = 5,
    lots: tuple[int, int] = (3, 5),
    reeds: int = 700,
    years: float = 2.5,
    makers: int = 2,
    world: World | None = None,
) -> tuple[Bench, Truth]:
    """Simulate the records of a workshop whose true effects are known.

    The bench counts its own last day as today.

    Parameters
    ----------
    seed : int, default 1
        The same seed gives the same bench.
    suppliers : int, default 5
        Number of suppliers, named after colours.
    lots : (int, int), default (3, 5)
        Fewest and most lots of a supplier.
    reeds : int, default 700
        Number of reeds tied.
    years : float, default 2.5
        Length of the records.
    makers : int, default 2
        Number of makers, named by initials.
    world : World, optional
        The true effects; `World()` if not given.

    Returns
    -------
    tuple of Bench and Truth
        The bench, as if opened from a folder, and its true effects.

    Examples
    --------
    >>> bench, truth = simulate_bench(seed=2, suppliers=3, lots=(2, 2), reeds=60, years=1)
    >>> len(bench.tables["reeds"]), list(truth.suppliers["supplier"])
    (60, ['ochre', 'indigo', 'crimson'])
    """
    tables, truth = simulate_tables(seed, suppliers, lots, reeds, years, makers, world or World())
    bench = Bench.from_tables(tables, settings=Settings(), today=_last_day(years).date())
    return bench, truth


def simulate_tables(
    seed: int,
    suppliers: int,
    lots: tuple[int, int],
    reeds: int,
    years: float,
    makers: int,
    world: World,
) -> tuple[dict[str, pd.DataFrame], Truth]:
    """Simulate the tables that `simulate_bench` opens, as a maker types them, and their truth."""
    rng = np.random.default_rng(seed)
    last_day = _last_day(years)
    air = _weather(rng, last_day)
    known = draw_suppliers(rng, world, suppliers)
    bought = _bought_on(rng, draw_lots(rng, world, known, lots), last_day)
    made = _batches(rng, bought, reeds, makers, last_day)
    made = _with_cane(rng, world, made, bought, air)
    made = pd.concat([made, draw_endings(rng, world, made, bought)], axis=1)
    truth = Truth(
        world,
        next_lots(rng, world, known, made),
        bought[["supplier", "lot", "effect", "minutes_effect", "density_g_cm3"]],
    )
    lot_rows = lots_table(rng, bought, made)
    tally = tally_table(rng, lot_rows, made)
    pieces, made = pieces_table(rng, made, lot_rows, set(tally["lot"]))
    ends = endings(rng, world, bought, made)
    tables = {
        "lots": lot_rows.drop(columns=["pieces", "pieces_out"]),
        "reeds": reeds_table(rng, made, ends, last_day),
        "pieces": pieces,
        "tally": tally,
        "sittings": sittings_table(made, ends, last_day),
        "air": air_table(air),
        "gauge": gauge_table(rng, pieces, made),
    }
    return with_customers(seed, tables, last_day), truth


def _last_day(years: float) -> pd.Timestamp:
    return FIRST_DAY + pd.Timedelta(days=round(365.25 * years))


def _weather(rng: np.random.Generator, last_day: pd.Timestamp) -> pd.DataFrame:
    """Draw the workshop's air, a row a day: dry in winter, humid in summer."""
    days = pd.date_range(FIRST_DAY, last_day, freq="D")
    year = 2 * np.pi * (days.day_of_year.to_numpy() - 205) / 365.25
    shocks = rng.normal(0.0, 1.0, (2, len(days)))
    for i in range(1, len(days)):
        shocks[:, i] = 0.8 * shocks[:, i - 1] + 0.6 * shocks[:, i]
    return pd.DataFrame(
        {
            "rh_pct": np.clip(48 + 11 * np.cos(year) + 6 * shocks[0], 20, 85).round(0),
            "temp_c": (20.5 + 2.5 * np.cos(year) + 1.2 * shocks[1]).round(1),
        },
        index=days,
    )


def _bought_on(
    rng: np.random.Generator, bought: pd.DataFrame, last_day: pd.Timestamp
) -> pd.DataFrame:
    """Spread each supplier's lots over the years, and label all lots in order of purchase."""
    turn = bought.groupby("supplier").cumcount()
    of = bought.groupby("supplier")["supplier"].transform("size")
    span = (last_day - FIRST_DAY).days - 75
    day = span * (turn + rng.uniform(0.05, 0.75, len(bought))) / of
    bought = bought.assign(bought_on=FIRST_DAY + pd.to_timedelta(day.astype(int), unit="D"))
    bought = bought.sort_values("bought_on", kind="stable").reset_index(drop=True)
    return bought.assign(lot=[f"L{i + 1:02d}" for i in range(len(bought))])


def _batches(
    rng: np.random.Generator,
    bought: pd.DataFrame,
    reeds: int,
    makers: int,
    last_day: pd.Timestamp,
) -> pd.DataFrame:
    """Distribute the reeds over lots and batches: one row a reed, in order of tying."""
    least = min(8, max(1, reeds // (2 * len(bought))))
    weights = rng.gamma(4.0, size=len(bought))
    extra = rng.multinomial(reeds - least * len(bought), weights / weights.sum())
    share = np.append(1.0, np.full(makers - 1, 0.55))
    rows = []
    for lot, n in enumerate(least + extra):
        first = bought["bought_on"].iloc[lot] + pd.Timedelta(days=int(rng.integers(8, 25)))
        left = (last_day - first).days - 1
        span = left if left < _OPEN else min(int(rng.integers(80, 280)), left)
        batches = -(-int(n) // _BATCH)
        days = np.sort(rng.integers(0, max(span, 1), batches))
        if left < _OPEN:
            days[-1] = max(0, span - int(rng.integers(0, 9)))
        who = rng.choice(makers, batches, p=share / share.sum())
        for i in range(n):
            b = i % batches
            rows.append((lot, first + pd.Timedelta(days=int(days[b])), who[b]))
    made = pd.DataFrame(rows, columns=["lot_index", "tied_on", "maker_index"])
    made = made.sort_values(["tied_on", "lot_index", "maker_index"], kind="stable")
    made = made.reset_index(drop=True)
    made["batch"] = made.groupby(["tied_on", "lot_index", "maker_index"], sort=False).ngroup()
    made["reed"] = [f"R{i + 1:03d}" for i in range(len(made))]
    made["lot"] = bought["lot"].to_numpy()[made["lot_index"]]
    made["maker"] = [name_of(MAKERS, i) for i in made["maker_index"]]
    later = rng.integers(0, 3, made["batch"].nunique()), rng.integers(2, 9, made["batch"].nunique())
    made["rough_on"] = made["tied_on"] + pd.to_timedelta(later[0][made["batch"]], unit="D")
    made["finished_on"] = made["rough_on"] + pd.to_timedelta(later[1][made["batch"]], unit="D")
    return made


def _with_cane(
    rng: np.random.Generator,
    world: World,
    made: pd.DataFrame,
    bought: pd.DataFrame,
    air: pd.DataFrame,
) -> pd.DataFrame:
    """Add the properties of each reed's piece of cane, correlated within a tube."""
    made, n = made.copy(), len(made)
    made["tube_index"] = made.groupby("lot").cumcount() // 3
    tube = made.groupby(["lot", "tube_index"], sort=False).ngroup().to_numpy()
    tubes = tube.max() + 1
    made["tube_effect"] = rng.normal(0.0, world.tube_sd, tubes)[tube]
    alike, apart = np.sqrt(0.7), np.sqrt(0.3)
    within = alike * rng.normal(size=tubes)[tube] + apart * rng.normal(size=n)
    made["density_within"] = world.piece_density_sd * within
    lot_density = bought["density_g_cm3"].to_numpy()[made["lot_index"]]
    made["density_dev"] = lot_density + made["density_within"] - DENSITY
    made["hardness_dev"] = 0.6 * within + 0.8 * rng.normal(size=n)
    made["diameter_mm"] = rng.normal(10.35, 0.22, tubes)[tube]
    at_rough = air.reindex(made["rough_on"], method="nearest")
    made["rh_pct"], made["temp_c"] = at_rough["rh_pct"].to_numpy(), at_rough["temp_c"].to_numpy()
    made["moisture_pct"] = equilibrium_moisture_pct(made["rh_pct"], made["temp_c"])
    made["bowed"] = rng.random(n) < 0.2
    skew = rng.normal(0.0, 0.004, len(bought))[made["lot_index"]]
    made["gouge_asymmetry_mm"] = skew + rng.normal(0.0, 0.009, n)
    drier = 9.0 - made["moisture_pct"]
    made["gouge_centre_mm"] = 0.588 + 0.003 * drier + 0.008 * np.clip(rng.standard_t(4, n), -6, 6)
    return made
