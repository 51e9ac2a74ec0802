"""Density of cane by three routes, each with the standard uncertainty of its readings.

Floating needs a tube of water, mass over volume a gauge and a good balance, weighing in water
patience. `compare_routes` gives the precision of each on an ordinary piece. Guard the supporting
finger when you handle reed knives and splitters, and do not breathe the dust.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reedlab.cane.gouge import volume_mm3, volume_sd_mm3
from reedlab.cane.readings import ROOM_C, USUAL, Floats, Steps, floats, propagate, sd_of_step

if TYPE_CHECKING:
    import pandas as pd

AIR_G_CM3 = 0.0012  # air at 20 °C and one atmosphere; conventional value of OIML D 28 (2004)
TENSION_N_M = 0.0727  # water against air at 20 °C: IAPWS R1-76 (2014)
GRAVITY_M_S2 = 9.80665  # standard acceleration of gravity
GOUGED_WALL_MM = 0.55  # mean thickness of a gouged piece: common practice, no source


class Density(NamedTuple):
    """A density and its standard uncertainty."""

    g_cm3: Floats  # density, g/cm³
    sd: Floats  # its standard uncertainty, g/cm³


def water_density(temp_c: ArrayLike) -> Floats:
    """Return the density (g/cm³) of pure, air-free water at one atmosphere; NaN outside 0 to 40 °C.

    Tanaka, Girard, Davis, Peuto and Bignell (2001), Recommended table for the density of water
    between 0 °C and 40 °C, Metrologia 38(4) 301-309, doi 10.1088/0026-1394/38/4/3.

    >>> water_density([4, 20, 30]).round(5).tolist()
    [0.99997, 0.99821, 0.99565]
    """
    t = floats(temp_c)
    kg_m3 = 999.97495 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))
    return np.where((t >= 0) & (t <= 40), kg_m3 / 1000.0, np.nan)


def by_floating(
    float_submerged_mm: ArrayLike,
    length_mm: ArrayLike,
    *,
    wall_mm: ArrayLike = GOUGED_WALL_MM,
    grip: float = 0.2,
) -> Density:
    """Return density from how deep a strip floats upright in a narrow tube of water.

    ρ = ρ_air + (ρ_water - ρ_air) · submerged / length. Read within seconds: cane absorbs water.

    Surface tension pulls a wetted strip down by 2 γ cos θ / wall per unit width (γ the surface
    tension, θ the contact angle), which is not small compared with the weight of gouged cane. Dry,
    waxy cane is near cos θ = 0, but the angle of a piece is unknown, so the pull counts as
    uncertainty instead of being corrected: cos θ is uniform within ± `grip` (an assumption, no
    source). It is similar for strips floated in the same way: ``grip=0`` gives the uncertainty of a
    comparison between them. On a thick split it is a quarter of that on a gouged piece, whose mean
    thickness counts where `wall_mm` is missing.

    ASTM D2395, test method C (flotation tube) for wood. The pull at the waterline is the principle
    of the Wilhelmy plate: Adamson and Gast (1997), Physical Chemistry of Surfaces, 6th ed., II-8.

    >>> floated = by_floating([41.0, 45.0], 75.0)
    >>> floated.g_cm3.round(3).tolist(), floated.sd.round(3).tolist()
    ([0.546, 0.599], [0.042, 0.042])
    >>> by_floating([41.0, 45.0], 75.0, grip=0).sd.round(4).tolist()
    [0.0022, 0.0022]
    """

    def density(submerged: Floats, length: Floats, temp: Floats, cos: Floats) -> Floats:
        pull_g_cm3 = 2 * TENSION_N_M * cos / (GRAVITY_M_S2 * wall * length) * 1000.0
        return AIR_G_CM3 + (water_density(temp) - AIR_G_CM3) * submerged / length - pull_g_cm3

    wall = floats(wall_mm)
    wall = np.where(np.isnan(wall), GOUGED_WALL_MM, wall)
    readings = {
        "submerged": floats(float_submerged_mm),
        "length": floats(length_mm),
        "temp": np.asarray(ROOM_C),
        "cos": np.asarray(0.0),
    }
    sds = {
        "submerged": sd_of_step(USUAL.submerged_mm),
        "length": sd_of_step(USUAL.length_mm),
        "temp": sd_of_step(USUAL.temp_c),
        "cos": grip / np.sqrt(3.0),
    }
    return Density(density(**readings), propagate(density, readings, sds))


def by_volume(
    mass_g: ArrayLike, volume_mm3: ArrayLike, volume_sd_mm3: ArrayLike, *, steps: Steps = USUAL
) -> Density:
    """Return density as mass over the volume from the gouge's geometry.

    For gouged, not yet shaped, air-dry pieces. On a pocket balance the mass of one piece is the
    least precise reading. Weigh ten together and give their summed mass and volume: the result is
    the mean density of the ten, and the balance's step counts a tenth.

    ISO 13061-2:2014 (density of wood, test pieces of regular shape), here with the gouge's shape.

    >>> one = by_volume(0.22, 398.0, 5.6)
    >>> ten = by_volume(2.20, 3980.0, 5.6 * 10**0.5)
    >>> [(round(float(x.g_cm3), 3), round(float(x.sd), 4)) for x in (one, ten)]
    [(0.553, 0.0106), (0.553, 0.0026)]
    """

    def density(mass: Floats, volume: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            return mass / volume * 1000.0

    readings = {"mass": floats(mass_g), "volume": floats(volume_mm3)}
    sds: dict[str, ArrayLike] = {"mass": sd_of_step(steps.mass_g), "volume": floats(volume_sd_mm3)}
    return Density(density(**readings), propagate(density, readings, sds))


def by_weighing(mass_g: ArrayLike, mass_in_water_g: ArrayLike, *, steps: Steps = USUAL) -> Density:
    """Return density by weighing in air and in water (Archimedes): for the researcher.

    ρ = ρ_air + (ρ_water - ρ_air) · m_air / (m_air - m_water). Cane floats, so it must be held
    under water, and its mass in water is negative: with a beaker of water tared on the balance and
    the piece pushed just under with a needle, the balance shows m_air - m_water. The piece may have
    any shape. Weigh within seconds or seal the piece: cane absorbs water.

    ASTM D2395, test method B (volume by water immersion). On a balance of a milligram:

    >>> weighed = by_weighing(0.219, -0.179, steps=Steps(mass_g=0.001))
    >>> round(float(weighed.g_cm3), 3), round(float(weighed.sd), 4)
    (0.55, 0.0005)
    """

    def density(mass: Floats, in_water: Floats, temp: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            share = mass / (mass - in_water)
        return AIR_G_CM3 + (water_density(temp) - AIR_G_CM3) * share

    readings = {
        "mass": floats(mass_g),
        "in_water": floats(mass_in_water_g),
        "temp": np.asarray(ROOM_C),
    }
    step = sd_of_step(steps.mass_g)
    sds = {"mass": step, "in_water": step, "temp": sd_of_step(steps.temp_c)}
    return Density(density(**readings), propagate(density, readings, sds))


def best_route(routes: Mapping[str, Density]) -> tuple[Density, NDArray[np.object_]]:
    """Return each piece's density by its most precise route, and that route's name, or None.

    A density without an uncertainty, such as one that the maker noted, comes first.

    >>> nan = float("nan")
    >>> floated = Density(np.array([0.55, 0.58, nan]), np.array([0.04, 0.04, nan]))
    >>> measured = Density(np.array([0.56, nan, nan]), np.array([0.01, nan, nan]))
    >>> best, route = best_route({"float": floated, "volume": measured})
    >>> best.g_cm3.tolist(), route.tolist()
    ([0.56, 0.58, nan], ['volume', 'float', None])
    """
    names = np.array([*routes, None], dtype=object)
    values = np.stack([floats(route.g_cm3) for route in routes.values()])
    sds = np.stack([floats(route.sd) for route in routes.values()])
    doubt = np.where(np.isnan(values), np.inf, np.where(np.isnan(sds), -1.0, sds))
    choice = doubt.argmin(axis=0)
    columns = np.arange(values.shape[1])
    nowhere = np.isinf(doubt[choice, columns])
    return (
        Density(values[choice, columns], sds[choice, columns]),
        names[np.where(nowhere, len(routes), choice)],
    )


def compare_routes() -> pd.DataFrame:
    """Compare the precision of the routes on an ordinary gouged piece.

    The piece is 75 mm by 8.9 mm, gouged 0.59 and 0.48 mm from a tube of 10.25 mm, with 0.55 g/cm³.
    Ten pieces are weighed together for their mean.

    Returns
    -------
    pandas.DataFrame
        One row a route: `route`, `sd_g_cm3`, `sd_pct` (of the density) and `tells_apart`, the
        smallest difference between two pieces (or two means) outside the 95 % interval of no
        difference, 1.96 √2 sd.

    Examples
    --------
    >>> worth = compare_routes()
    >>> worth["sd_pct"].round(1).head(4).tolist()
    [7.6, 0.4, 1.9, 0.5]
    """
    import pandas as pd

    density_g_cm3, n = 0.55, 10
    centigram, milligram = Steps(mass_g=0.01), Steps(mass_g=0.001)
    piece = (75.0, 8.9, 10.25, 0.59, 0.48, 0.48, 3.5)
    volume = float(volume_mm3(*piece))
    volume_sd = float(volume_sd_mm3(*piece))
    mass = density_g_cm3 * volume / 1000.0
    in_water = mass - volume / 1000.0 * float(water_density(ROOM_C))
    submerged = 75.0 * density_g_cm3 / float(water_density(ROOM_C))
    all_volume = (n * volume, np.sqrt(n) * volume_sd)
    ways = {
        "floating": by_floating(submerged, 75.0),
        "floating, pieces floated alike": by_floating(submerged, 75.0, grip=0.0),
        "weight and size, to 0.01 g": by_volume(mass, volume, volume_sd, steps=centigram),
        f"weight and size, mean of {n}": by_volume(n * mass, *all_volume, steps=centigram),
        "weight and size, to 0.001 g": by_volume(mass, volume, volume_sd, steps=milligram),
        "in air and water, to 0.01 g": by_weighing(mass, in_water, steps=centigram),
        f"in air and water, mean of {n}": by_weighing(n * mass, n * in_water, steps=centigram),
        "in air and water, to 0.001 g": by_weighing(mass, in_water, steps=milligram),
    }
    sds = np.array([float(way.sd) for way in ways.values()])
    return pd.DataFrame(
        {
            "route": list(ways),
            "sd_g_cm3": sds,
            "sd_pct": 100.0 * sds / density_g_cm3,
            "tells_apart": 1.96 * np.sqrt(2.0) * sds,
        }
    )
