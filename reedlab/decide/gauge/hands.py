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

from reedlab.decide.answer import (
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    question,
)
from reedlab.decide.gauge.repeatability import readings_of
from reedlab.records.tables import in_words

if TYPE_CHECKING:
    from reedlab.records import Bench


_FEWEST_PIECES = 5
"""Pieces that both must have measured; ten are good (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class GaugeAgreement(Answer):
    """How far two hands, or two gauges, agree on the same pieces.

    Attributes
    ----------
    table : pandas.DataFrame
        Bland and Altman's limits of agreement, indexed by `limit`: ``difference`` (the mean one),
        ``lower limit`` and ``upper limit`` (between which 95 of 100 differences of single readings
        are): `estimate`, `low`, `high`.
    quantity, first, second : str
        What was measured, and the two labels compared.
    pieces : pandas.DataFrame
        One row a piece: `piece`, `mean` of the two and `difference`, second less first.
    """

    table: pd.DataFrame = empty("estimate", "low", "high", index="limit")
    level: float = 0.9
    quantity: str = ""
    first: str = ""
    second: str = ""
    pieces: pd.DataFrame = empty("piece", "mean", "difference")

    def _sentence(self) -> str:
        at = self.table["estimate"]
        low, high = self.table.loc["difference", ["low", "high"]]
        # Two figures of the limits' width are all that these readings carry.
        size = np.floor(np.log10(max(at["upper limit"] - at["lower limit"], 1e-12)))
        digits = int(max(0, 1 - size))
        way = "more" if at["difference"] > 0 else "less"
        bias = f"{self.second} reads {abs(at['difference']):.{digits}f} {way} than {self.first}"
        if self.verdict is Verdict.CANNOT_SAY:
            bias = f"Whether {self.second} reads more or less than {self.first} is not clear"
        return (
            f"{bias} (mean difference {low:.{digits}f} to {high:.{digits}f}); on one piece "
            f"{self.second} may read from {at['lower limit']:+.{digits}f} to "
            f"{at['upper limit']:+.{digits}f} beside it."
        )


@question(GaugeAgreement)
def gauge_agreement(
    bench: Bench, quantity: str, first: str, second: str, *, level: float = 0.9, seed: int = 1
) -> GaugeAgreement:
    """Compare two hands, or two gauges of one unit, on the pieces that both have measured.

    Note another gauge in the column `operator`, as in ``KL`` and ``KL old gauge``. Correlation is
    no measure of agreement, and hardness gauges of different scales do not agree at all.

    Parameters
    ----------
    bench : Bench
        Its ``gauge`` table.
    quantity, first, second : str
        Which quantity, and the two labels in `operator`.
    level : float
        Of the intervals.
    seed : int
        As every question has it; this one draws nothing.

    Returns
    -------
    GaugeAgreement
        Sure of the mean difference's sign where its interval leaves 0 out. Unanswered where fewer
        than five pieces were measured by both. With several readings of a piece, means are compared
        and the limits widened to single readings (Bland and Altman 1999, section 5).
    """
    from scipy import stats

    readings = readings_of(bench, quantity)
    cells = readings[readings["operator"].isin([first, second])].groupby(
        ["operator", "piece"], observed=True
    )["value"]
    means, counts = cells.mean().unstack("operator"), cells.size().unstack("operator")
    both = means.reindex(columns=[first, second]).dropna()
    if len(both) < _FEWEST_PIECES:
        raise CannotAnswer(
            f"{first} and {second} have not both measured {_FEWEST_PIECES} pieces for "
            f"{in_words(quantity)}.",
            RecordNext("Measure ten pieces with each."),
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
    mean, se = float(difference.mean()), sd_of_means / np.sqrt(n)
    rows = {
        "difference": (mean, se),
        "lower limit": (mean - z * sd, sd * np.sqrt(3 / n)),
        "upper limit": (mean + z * sd, sd * np.sqrt(3 / n)),
    }
    limits = pd.DataFrame(
        {name: (at, at - t * se, at + t * se) for name, (at, se) in rows.items()},
        index=["estimate", "low", "high"],
    ).T
    pieces = pd.DataFrame({"mean": both.mean(axis=1), "difference": difference}).reset_index()
    low, high = limits.loc["difference", ["low", "high"]]
    claim = (
        f"{second} reads {'more' if mean > 0 else 'less'} than {first}",
        float(stats.t.cdf(abs(mean) / se, n - 1)) if se > 0 else 1.0,
        Verdict.CANNOT_SAY if low < 0 < high else Verdict.SURE,
        mean,
        True,
    )
    return GaugeAgreement(
        table=limits.rename_axis("limit"),
        level=level,
        claims=claims_frame([claim]),
        record_next=RecordNext("If that is too much, let one of the two do all the measuring."),
        quantity=quantity,
        first=first,
        second=second,
        pieces=pieces,
    )


def _repeat_variance(cells: Any, label: str) -> float:
    """Return the pooled variance of repeats under one label, 0 where there are none."""
    spread = cells.agg(["var", "size"]).loc[label]
    spread = spread[spread["size"] > 1]
    return float(np.average(spread["var"], weights=spread["size"] - 1)) if len(spread) else 0.0
