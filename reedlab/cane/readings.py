"""The resolution of each instrument, and its propagation to derived quantities."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
ROOM_C = 20.0
"""Temperature of the room, and of water in it, where it is missing: a degree changes the water's
density by 0.0002 g/cm³ and the cane's moisture by 0.03 per cent."""


def floats(values: ArrayLike) -> Floats:
    """Return `values` as a float array, missing values (None, ``pd.NA``, NaN) as NaN."""
    if hasattr(values, "to_numpy"):
        return np.asarray(values.to_numpy(dtype=float, na_value=np.nan))
    return np.asarray(values, dtype=float)


@dataclass(frozen=True)
class Steps:
    """The resolution of each instrument: the smallest step that is read.

    The defaults are common practice, no source: a rule to half a millimetre, callipers to a tenth,
    a thickness gauge to a hundredth, a pocket balance to a hundredth of a gram.
    """

    length_mm: float = 0.5
    width_mm: float = 0.1
    diameter_mm: float = 0.05  # of the tube
    thickness_mm: float = 0.01
    side_at_mm: float = 0.5  # where the sides are read
    submerged_mm: float = 0.5  # the waterline on a floating strip
    mass_g: float = 0.01  # the balance
    temp_c: float = 1.0  # the water's temperature


USUAL = Steps()


def sd_of_step(step: float) -> float:
    """Return the standard uncertainty of a reading made to the nearest `step`, in its unit.

    The true value is uniform within half a step of the reading: a rectangular distribution with
    standard deviation step / √12.

    JCGM 100:2008 (Guide to the expression of uncertainty in measurement), 4.3.7 and F.2.2.1.

    >>> round(sd_of_step(0.01), 5)
    0.00289
    """
    return float(step / np.sqrt(12.0))


def propagate(
    quantity: Callable[..., Any], readings: Mapping[str, ArrayLike], sds: Mapping[str, ArrayLike]
) -> Floats:
    """Propagate the readings' standard uncertainties to a derived quantity, in its unit.

    First-order propagation for independent readings: √Σ (∂f/∂x · sd)², each slope by a central
    difference of half a standard uncertainty either side. The formula is called with the readings
    by keyword, elementwise on arrays; those without an sd count as exact.

    JCGM 100:2008, 5.1.2 (law of propagation) and 5.1.3 note 2 (its numerical form).

    Half a millimetre on each side of a 10 mm by 20 mm rectangle:

    >>> area = lambda a, b: a * b
    >>> float(propagate(area, {"a": 10.0, "b": 20.0}, {"a": 0.5, "b": 0.5}).round(3))
    11.18
    """
    # JCGM 100, 5.1.3 note 2: f(x + sd/2) - f(x - sd/2) ≈ sd · ∂f/∂x.
    values = {name: floats(value) for name, value in readings.items()}
    variance: Any = 0.0
    for name, sd in sds.items():
        half = floats(sd) / 2.0
        above = quantity(**{**values, name: values[name] + half})
        below = quantity(**{**values, name: values[name] - half})
        variance = variance + np.square(above - below)
    return np.sqrt(np.asarray(variance, dtype=float))
