"""The simulated workshop's true effects, and what they mean for a supplier's next lot.

A reed is good when its latent quality is above zero,

    quality = success + supplier + lot + tube + maker + cane + moisture + logistic noise,

and its minutes of scraping are log-normal, with a median and a spread that depend on whether it is
good. Suppliers and lots differ in both, and in the density of their cane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.elementary import normal_nodes

COLOURS = ("ochre", "indigo", "crimson", "olive", "slate", "amber", "teal", "plum")
MAKERS = ("KL", "RS", "TN", "VP")
DENSITY = 0.55
"""Typical dry density of the simulated cane, g/cm3."""
MOISTURE = 9.0
"""Typical moisture of the simulated cane, per cent."""


@dataclass(frozen=True)
class World:
    """The true effects. Success is on the logit scale, minutes on the log scale.

    Attributes
    ----------
    success : float
        Logit of the chance that a typical reed turns out good.
    supplier_sd, lot_sd, tube_sd : float
        Spread of suppliers, of lots within a supplier, of tubes within a lot.
    maker : float
        What each further maker adds to the logit.
    density, asymmetry, bowed, moisture : float
        Change of the logit per 0.05 g/cm3, per 0.01 mm between a piece's sides, for a piece that
        is slightly bowed, per 1 % moisture.
    supplier_density_sd, lot_density_sd, piece_density_sd : float
        Spread of density, g/cm3: of suppliers' means, of lots' means, of pieces within a lot.
    minutes : float
        Median minutes to scrape a reed that turns out good.
    minutes_sd, supplier_minutes_sd, lot_minutes_sd : float
        Spread of log minutes: between such reeds, suppliers, lots.
    failure, failure_sd : float
        Shift of the median log minutes for a reed that fails, and their spread.
    maker_minutes, hardness_minutes, moisture_minutes : float
        Change of log minutes for each further maker, per standard deviation of hardness, per 1 %
        moisture.
    back, supplier_back_sd : float
        Chance that a good reed of a typical supplier comes back, and the spread of suppliers' on
        the logit scale. Only `simulate_reeds` reads them.
    """

    success: float = 0.60
    supplier_sd: float = 0.45
    lot_sd: float = 0.30
    tube_sd: float = 0.25
    maker: float = -0.30
    density: float = -0.35
    asymmetry: float = -0.30
    bowed: float = -0.35
    moisture: float = 0.08
    supplier_density_sd: float = 0.015
    lot_density_sd: float = 0.012
    piece_density_sd: float = 0.035
    minutes: float = 34.0
    minutes_sd: float = 0.22
    supplier_minutes_sd: float = 0.08
    lot_minutes_sd: float = 0.08
    failure: float = -0.35
    failure_sd: float = 0.45
    maker_minutes: float = 0.12
    hardness_minutes: float = 0.05
    moisture_minutes: float = -0.015
    back: float = 0.0
    supplier_back_sd: float = 0.0

    @classmethod
    def from_prior(cls, rng: np.random.Generator) -> World:
        """Draw a world from the models' default priors, with effects of groups and makers only.

        The intercept is normal with standard deviation 2.5, a maker's effect with 0.5; the standard
        deviations of groups are half-normal with scale 0.75 (logit) and 0.25 (log minutes). Cane
        and moisture have no effect, so a model of supplier, lot and maker is the true one and the
        coverage of its intervals can be measured.
        """
        scales = (0.75, 0.75, 0.25, 0.25)
        supplier, lot, supplier_minutes, lot_minutes = np.abs(rng.normal(0.0, scales))
        return cls(
            success=rng.normal(0.0, 2.5),
            supplier_sd=supplier,
            lot_sd=lot,
            tube_sd=0.0,
            maker=rng.normal(0.0, 0.5),
            density=0.0,
            asymmetry=0.0,
            bowed=0.0,
            moisture=0.0,
            supplier_minutes_sd=supplier_minutes,
            lot_minutes_sd=lot_minutes,
            hardness_minutes=0.0,
            moisture_minutes=0.0,
        )

    def quality(self, reeds: pd.DataFrame) -> np.ndarray:
        """Return the logit of success from a reed's own properties, without supplier and lot."""
        return (
            self.success
            + self.maker * reeds["maker_index"].to_numpy()
            + self.density * reeds["density_dev"].to_numpy() / 0.05
            + self.asymmetry * np.abs(reeds["gouge_asymmetry_mm"].to_numpy()) / 0.01
            + self.bowed * reeds["bowed"].to_numpy()
            + self.moisture * (reeds["moisture_pct"].to_numpy() - MOISTURE)
        )

    def log_minutes(self, reeds: pd.DataFrame) -> np.ndarray:
        """Return the log minutes from a reed's own properties, as for a good reed."""
        return (
            np.log(self.minutes)
            + self.maker_minutes * reeds["maker_index"].to_numpy()
            + self.hardness_minutes * reeds["hardness_dev"].to_numpy()
            + self.moisture_minutes * (reeds["moisture_pct"].to_numpy() - MOISTURE)
        )


@dataclass(frozen=True)
class Truth:
    """The true effects of a simulation.

    Attributes
    ----------
    world : World
        The true effects.
    suppliers : pandas.DataFrame
        One row a supplier: `effect` (logit), `minutes_effect` (log) and the mean `density_g_cm3`
        of its cane; `success`, `minutes_success`, `minutes_failure`: expected values over possible
        next lots; `next_success`, `next_minutes_success`, `next_minutes_failure`: those of one next
        lot, drawn. Reeds are averaged over this bench's makers and moisture.
    lots : pandas.DataFrame
        One row a lot: supplier, lot, `effect`, `minutes_effect`, `density_g_cm3`.
    """

    world: World
    suppliers: pd.DataFrame
    lots: pd.DataFrame


def draw_suppliers(rng: np.random.Generator, world: World, suppliers: int) -> pd.DataFrame:
    """Draw suppliers: `effect` (logit), `minutes_effect` (log), `density_g_cm3`."""
    return pd.DataFrame(
        {
            "supplier": [name_of(COLOURS, i) for i in range(suppliers)],
            "effect": rng.normal(0.0, world.supplier_sd, suppliers),
            "minutes_effect": rng.normal(0.0, world.supplier_minutes_sd, suppliers),
            "density_g_cm3": rng.normal(DENSITY, world.supplier_density_sd, suppliers),
        }
    )


def draw_lots(
    rng: np.random.Generator, world: World, suppliers: pd.DataFrame, lots: tuple[int, int]
) -> pd.DataFrame:
    """Draw between ``lots[0]`` and ``lots[1]`` lots a supplier, with their effects.

    Returns
    -------
    pandas.DataFrame
        One row a lot: supplier, `density_g_cm3`, `effect`, `minutes_effect`, and its supplier's as
        `supplier_effect`, `supplier_minutes`.
    """
    counts = rng.integers(lots[0], lots[1] + 1, len(suppliers))
    of = suppliers.loc[suppliers.index.repeat(counts)].reset_index(drop=True)
    frame = of[["supplier", "density_g_cm3"]].assign(
        effect=rng.normal(0.0, world.lot_sd, len(of)),
        minutes_effect=rng.normal(0.0, world.lot_minutes_sd, len(of)),
        supplier_effect=of["effect"],
        supplier_minutes=of["minutes_effect"],
    )
    frame["density_g_cm3"] += rng.normal(0.0, world.lot_density_sd, len(of))
    return frame


def draw_endings(
    rng: np.random.Generator, world: World, reeds: pd.DataFrame, lots: pd.DataFrame
) -> pd.DataFrame:
    """Draw each reed's latent quality, whether it is good, and its minutes.

    `reeds` holds `lot_index` into `lots` and what `World.quality` reads; `lots` is of `draw_lots`.
    """
    own = lots.iloc[reeds["lot_index"].to_numpy()]
    latent = (
        world.quality(reeds)
        + (own["effect"] + own["supplier_effect"]).to_numpy()
        + rng.logistic(size=len(reeds))
        + reeds["tube_effect"].to_numpy()
    )
    good = latent > 0
    log_minutes = (
        world.log_minutes(reeds)
        + (own["minutes_effect"] + own["supplier_minutes"]).to_numpy()
        + np.where(good, 0.0, world.failure)
        + np.where(good, world.minutes_sd, world.failure_sd) * rng.normal(size=len(reeds))
    )
    return pd.DataFrame({"latent": latent, "good": good, "minutes": np.exp(log_minutes)})


def next_lots(
    rng: np.random.Generator, world: World, suppliers: pd.DataFrame, reeds: pd.DataFrame
) -> pd.DataFrame:
    """Work out what each supplier's next lot will do: expected, and one lot that came about.

    Lot, density and tube effects are integrated by Gauss-Hermite quadrature. All else is averaged
    over `reeds`, with a piece's density counted from its lot's mean. Minutes given success weigh
    each reed by its chance of success, minutes given failure by that of failure. See
    `Truth.suppliers`.
    """
    own = reeds.assign(density_dev=reeds["density_within"])
    quality, log_minutes = world.quality(own), world.log_minutes(own)
    per_density = world.density / 0.05
    lot_sd = float(np.hypot(world.lot_sd, per_density * world.lot_density_sd))
    nodes, weights = normal_nodes(15)

    def chances(shift: float, sd: float) -> np.ndarray:
        return np.asarray(expit(quality[:, None] + shift + sd * nodes) @ weights)

    # The mean of a log-normal is exp(μ + σ²/2).
    def minutes(shift: float, sd: float, share: np.ndarray) -> float:
        each = np.exp(log_minutes + shift + sd**2 / 2)
        return float(np.average(each, weights=share))

    def outcome(shift: float, sd: float, pace: float, pace_sd: float) -> tuple[float, ...]:
        p = chances(shift, sd)
        good_sd = float(np.hypot(pace_sd, world.minutes_sd))
        failed_sd = float(np.hypot(pace_sd, world.failure_sd))
        return (
            float(p.mean()),
            minutes(pace, good_sd, p),
            minutes(pace + world.failure, failed_sd, 1 - p),
        )

    names = ("success", "minutes_success", "minutes_failure")
    rows = []
    for effect, pace, density in suppliers.drop(columns="supplier").itertuples(index=False):
        shift = effect + per_density * (density - DENSITY)
        spread = float(np.hypot(lot_sd, world.tube_sd))
        expected = outcome(shift, spread, pace, world.lot_minutes_sd)
        lot, lot_pace = rng.normal(0.0, lot_sd), rng.normal(0.0, world.lot_minutes_sd)
        one = outcome(shift + lot, world.tube_sd, pace + lot_pace, 0.0)
        rows.append(dict(zip((*names, *(f"next_{n}" for n in names)), (*expected, *one))))
    return pd.concat([suppliers.reset_index(drop=True), pd.DataFrame(rows)], axis=1)


def name_of(names: tuple[str, ...], index: int) -> str:
    """Return the index-th name, numbered when the names run out.

    Examples
    --------
    >>> name_of(("KL", "RS"), 1), name_of(("KL", "RS"), 2)
    ('RS', 'KL 2')
    """
    cycle, place = divmod(index, len(names))
    return names[place] if cycle == 0 else f"{names[place]} {cycle + 1}"
