"""What a saleable reed is worth: one declaration for every question that weighs one.

Reeds sold are worth their mean price. Where no price is kept, a saleable reed is worth what another
one costs to make; a rule or a supplier then gains exactly if it makes saleable reeds cheaper.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Worth:
    """The value of a saleable reed."""

    value: float
    says: str  # where it comes from, as a sentence


def worth(price: float, cost: float, unit: str, at_the_wage: str = "") -> Worth:
    """Value a saleable reed by the mean price of those sold, NaN where none is kept, or by a cost.

    The cost is what another one costs to make; both are in `unit`, a currency or minutes.
    `at_the_wage` is said after the price where that had to be turned into the unit.

    Examples
    --------
    >>> worth(27.3, 24.0, "EUR").says
    'A saleable reed is counted at its mean price, 27.30 EUR.'
    >>> worth(float("nan"), 24.0, "EUR").says
    'No selling price is kept: a saleable reed is counted at what another costs, about 24 EUR.'
    """
    if price > 0:  # it keeps what a price needs; a cost is an estimate
        counts = f"{price:.2f} {unit}"
        if unit == "minutes":
            counts = f"which pays for {price:.0f} minutes of work{at_the_wage}"
        return Worth(price, f"A saleable reed is counted at its mean price, {counts}.")
    why = "No selling price is kept: a saleable reed is counted at what another costs"
    return Worth(cost, f"{why}, about {cost:.0f} {unit}.")


def mean_price(reeds: pd.DataFrame) -> float:
    """Return what the reeds sold fetched on average; NaN where no price is kept."""
    return float(reeds["sold_for"].mean())
