"""What a supplier's next lot will do, draw by draw.

What a maker buys is the next lot. So every posterior draw of a supplier's own effect is joined by a
new lot of it, drawn with that draw's own standard deviation of lots. This gives two answers:
`expected`, averaged over the lots that may come, which is what buying from a supplier time after
time leads to; and `one`, a single lot that may come next, whose spread the maker should be ready
for.

A lot that scrapes badly may also turn out badly: `correlation` says how the two effects of a lot go
together, draw by draw as estimated (`lot_correlation.py`), or set; a report shows the answer at
-0.5, 0 and 0.5 as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.decide.costs import Tied
from reedlab.elementary import normal_nodes, quick_expit

Floats = NDArray[np.float64]
_NODES, _WEIGHTS = normal_nodes(9)


@dataclass(frozen=True)
class Ability:
    """Posterior draws of one model's linear predictor, in parts."""

    # fixed part for each combination of circumstances (maker, season), shape (draws, C)
    base: Floats
    weights: Floats  # share of each combination among the reeds, shape (C,)
    supplier: Floats  # suppliers' effects, shape (draws, suppliers)
    lot_sd: Floats  # standard deviation of lots within a supplier, shape (draws,)
    # standard deviation between reeds, shape (draws,); zeros where there is none
    residual_sd: Floats

    def chance(self, lot: Floats | float) -> Floats:
        """Chance of success with a lot `lot` standard deviations from its supplier's mean."""
        shift = self.supplier + self.lot_sd[:, None] * lot
        out = np.zeros_like(shift)
        for c, weight in enumerate(self.weights):
            out += weight * quick_expit(self.base[:, c, None] + shift)
        return out

    def expected_chance(self) -> Floats:
        """Chance of success averaged over the lots that may come."""
        return np.asarray(sum(w * self.chance(z) for z, w in zip(_NODES, _WEIGHTS)))

    def minutes(self, lot: Floats | float, unexplained: Floats | float = 0.0) -> Floats:
        """Mean minutes with a lot `lot` standard deviations from its supplier's mean.

        The mean of a log-normal: half the residual variance is added, and half of `unexplained`
        times the variance of lots where only that part of a lot is averaged over.
        """
        spread = (self.residual_sd**2 + unexplained * self.lot_sd**2) / 2
        level = np.exp(self.base + spread[:, None]) @ self.weights
        return level[:, None] * np.exp(self.supplier + self.lot_sd[:, None] * lot)


@dataclass(frozen=True)
class NextLot:
    """What a tied piece leads to, shape (draws, suppliers)."""

    # averaged over the lots that may come. The minutes given success are averaged over the reeds
    # that succeed, so that lots with more of them weigh more.
    expected: Tied
    one: Tied  # a single next lot a draw


def next_lot(
    success: Ability,
    when_good: Ability | None,
    when_failed: Ability | None,
    cane: Floats,
    minutes_before: Floats,
    correlation: Floats | float = 0.0,
    seed: int = 1,
) -> NextLot:
    """Work out each supplier's next lot.

    Where no minutes were recorded there is no ability in them, and they count as none. `cane` and
    `minutes_before` are per tied piece, shape (suppliers,); `correlation`, one for all draws or
    (draws,), is how a lot's effects on success and on minutes go together; the seed is of the new
    lots.
    """
    shape = success.supplier.shape
    rho = np.broadcast_to(np.asarray(correlation, dtype=float), shape[0])
    apart, together = 1.0 - rho**2, rho[:, None]

    def spent(ability: Ability | None, lot: Floats, unexplained: Floats | float) -> Floats:
        return np.zeros(shape) if ability is None else ability.minutes(lot, unexplained)

    total, good_minutes, failed_minutes = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for node, weight in zip(_NODES, _WEIGHTS):
        p = success.chance(node)
        total += weight * p
        good_minutes += weight * p * spent(when_good, together * node, apart)
        failed_minutes += weight * (1 - p) * spent(when_failed, together * node, apart)
    expected = Tied(total, good_minutes / total, failed_minutes / (1 - total), cane, minutes_before)
    rng = np.random.default_rng(seed)
    lot, own = rng.standard_normal((2, *shape))
    pace = together * lot + np.sqrt(apart)[:, None] * own
    one = Tied(
        success.chance(lot),
        spent(when_good, pace, 0.0),
        spent(when_failed, pace, 0.0),
        cane,
        minutes_before,
    )
    return NextLot(expected, one)
