"""How far two hands, or two gauges, agree on the same pieces.

References
----------
Bland and Altman (1986), Lancet 327(8476) 307-310, and (1999), Statistical Methods in Medical
Research 8(2) 135-160.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.decide.gauge.repeatability import readings_of
from reedlab.errors import DecisionError

if TYPE_CHECKING:
    from reedlab.records import Bench


_FEWEST_PIECES = 5
"""Pieces that both must have measured; ten are good (common practice, no source)."""


@dataclass(frozen=True)
class GaugeAgreement:
    """How far two hands, or two gauges, agree on the same pieces.

    Attributes
    ----------
    quantity, first, second : str
        What was measured, and the two labels compared.
    pieces : pandas.DataFrame
        One row a piece: `piece`, `mean` of the two and `difference`, second less first.
    limits : pandas.DataFrame
        Rows ``difference`` (the mean one), ``lower limit`` and ``upper limit`` (between which 95 of
        100 differences of single readings lie): `estimate`, `low`, `high`.
    level : float
        Of the intervals.
    """

    quantity: str
    first: str
    second: str
    pieces: pd.DataFrame
    limits: pd.DataFrame
    level: float

    def sentence(self) -> str:
        """Say how far the two are apart and between which limits a reading may differ."""
        at = self.limits["estimate"]
        low, high = self.limits.loc["difference", ["low", "high"]]
        told = "more" if at["difference"] > 0 else "less"
        # Two figures of the limits' width are all that these readings carry.
        size = np.floor(np.log10(max(at["upper limit"] - at["lower limit"], 1e-12)))
        digits = int(max(0, 1 - size))
        bias = f"{self.second} reads {abs(at['difference']):.{digits}f} {told} than {self.first}"
        if low < 0 < high:
            bias = f"It cannot be told that {self.second} reads otherwise than {self.first}"
        return (
            f"{bias} on the whole (difference {low:.{digits}f} to {high:.{digits}f}); on one piece "
            f"{self.second} may read from {at['lower limit']:+.{digits}f} to "
            f"{at['upper limit']:+.{digits}f} beside it. If that is too much, let one of the two "
            "do all the measuring."
        )


def gauge_agreement(
    bench: Bench | pd.DataFrame, quantity: str, first: str, second: str, *, level: float = 0.95
) -> GaugeAgreement:
    """Compare two hands, or two gauges of one unit, on the pieces that both have measured.

    Note another gauge in the column `operator`, as in ``KL`` and ``KL old gauge``. Correlation is
    no measure of agreement, and hardness gauges of different scales do not agree at all.

    Parameters
    ----------
    bench : Bench or pandas.DataFrame
        A bench, or its ``gauge`` table.
    quantity, first, second : str
        Which quantity, and the two labels in `operator`.
    level : float, default 0.95
        Of the intervals.

    Returns
    -------
    GaugeAgreement
        With several readings of a piece, means are compared and the limits widened to single
        readings, as Bland and Altman (1999, section 5) do.

    Raises
    ------
    DecisionError
        When fewer than five pieces were measured by both.
    """
    from scipy import stats

    readings = readings_of(bench, quantity)
    cells = readings[readings["operator"].isin([first, second])].groupby(
        ["operator", "piece"], observed=True
    )["value"]
    means, counts = cells.mean().unstack("operator"), cells.size().unstack("operator")
    both = means.reindex(columns=[first, second]).dropna()
    if len(both) < _FEWEST_PIECES:
        raise DecisionError(
            f"{first!r} and {second!r} have not both measured five pieces for {quantity!r}: "
            "measure ten pieces with each."
        )
    difference, n = both[second] - both[first], len(both)
    squares = sum(
        # what averaging a piece's readings took out of the differences' variance
        (1 - 1 / counts.loc[both.index, label]).mean() * _repeat_variance(cells, label)
        for label in (first, second)
    )
    sd_of_means = float(difference.std())
    sd = float(np.sqrt(sd_of_means**2 + squares))
    t, z = stats.t.ppf((1 + level) / 2, n - 1), 1.96
    mean = float(difference.mean())
    rows = {
        "difference": (mean, sd_of_means / np.sqrt(n)),
        "lower limit": (mean - z * sd, sd * np.sqrt(3 / n)),
        "upper limit": (mean + z * sd, sd * np.sqrt(3 / n)),
    }
    limits = pd.DataFrame(
        {name: (at, at - t * se, at + t * se) for name, (at, se) in rows.items()},
        index=["estimate", "low", "high"],
    ).T
    pieces = pd.DataFrame({"mean": both.mean(axis=1), "difference": difference}).reset_index()
    return GaugeAgreement(quantity, first, second, pieces, limits, level)


def _repeat_variance(cells: Any, label: str) -> float:
    """Return the pooled variance of repeats under one label, 0 where there are none."""
    spread = cells.agg(["var", "size"]).loc[label]
    spread = spread[spread["size"] > 1]
    return float(np.average(spread["var"], weights=spread["size"] - 1)) if len(spread) else 0.0
