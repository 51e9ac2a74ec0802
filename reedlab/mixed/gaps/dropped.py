"""What leaving out the rows without a measurement does to a bench."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import DataError


@dataclass(frozen=True)
class Dropped:
    """What leaving out the unmeasured does.

    Attributes
    ----------
    table
        One row a supplier: lots, lots_measured, reeds, measured, bench_share (of all reeds) and
        bench_share_kept (of those measured), then for kept and for left-out reeds with an outcome
        their number, share of success and its Wilson interval: kept, kept_success, kept_low,
        kept_high, left_out, left_success, left_low, left_high.
    lots
        The lots without a single measured piece: supplier, lot, reeds.
    columns
        What had to be measured.
    """

    table: pd.DataFrame
    lots: pd.DataFrame
    columns: tuple[str, ...]

    def sentence(self) -> str:
        """Say how many reeds go, how that tilts the bench, and which lots are not known at all."""
        table = self.table
        reeds, measured = int(table["reeds"].sum()), int(table["measured"].sum())
        text = f"{measured} of {reeds} reeds have {' and '.join(self.columns)}"
        if measured in (0, reeds):
            return text + "."
        tilt = (table["bench_share_kept"] - table["bench_share"]).abs()
        most = table.loc[tilt.idxmax()]
        text += (
            f"; leaving the others out takes {most.iloc[0]} from {most['bench_share']:.0%} to "
            f"{most['bench_share_kept']:.0%} of the bench"
        )
        if len(self.lots):
            text += (
                f", and nothing is known of {len(self.lots)} of {int(table['lots'].sum())} lots, "
                "of which no piece was measured"
            )
        return text + "."


def dropped(
    data: pd.DataFrame,
    columns: str | Collection[str],
    outcome: str = "success",
    supplier: str = "supplier",
    lot: str = "lot",
    level: float = 0.95,
) -> Dropped:
    """Say what leaving out the reeds without a measurement does, supplier by supplier.

    Parameters
    ----------
    data
        One row a reed.
    columns
        What has to be measured for a reed to be kept.
    outcome
        A column of 1, 0 or missing.
    supplier, lot
        Whose reed it is.
    level
        Of Wilson's intervals, which take reeds one by one: a description, no inference.

    Raises
    ------
    DataError
        When a column is missing.

    References
    ----------
    Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference.
    Journal of the American Statistical Association 22, 209-212.

    Examples
    --------
    >>> reeds = pd.DataFrame({"supplier": ["teal"] * 3 + ["plum"] * 2, "lot": list("aabcc"),
    ...     "hardness": [9.0, 8.0, None, 7.0, None], "success": [1.0, 0.0, 1.0, 1.0, 0.0]})
    >>> found = dropped(reeds, "hardness")
    >>> print(found.table[["supplier", "reeds", "measured", "bench_share_kept"]].round(2).to_string(
    ...     index=False))
    supplier  reeds  measured  bench_share_kept
        plum      2         1              0.33
        teal      3         2              0.67
    >>> found.lots["lot"].tolist()
    ['b']
    """
    from statsmodels.stats.proportion import proportion_confint

    columns = (columns,) if isinstance(columns, str) else tuple(columns)
    for name in (*columns, outcome, supplier, lot):
        if name not in data:
            raise DataError(f"The data have no column {name!r}.")
    kept = data[list(columns)].notna().all(axis=1)
    frame = data[[supplier, lot]].astype(object).assign(kept=kept, ended=data[outcome])
    by_lot = frame.groupby([supplier, lot])["kept"].agg(reeds="size", measured="sum").reset_index()
    table = by_lot.groupby(supplier).agg(
        lots=("reeds", "size"),
        lots_measured=("measured", np.count_nonzero),
        reeds=("reeds", "sum"),
        measured=("measured", "sum"),
    )
    table["bench_share"] = table["reeds"] / table["reeds"].sum()
    table["bench_share_kept"] = table["measured"] / table["measured"].sum()
    for rows, label, part in ((kept, "kept", "kept"), (~kept, "left_out", "left")):
        ended = frame["ended"].where(rows).groupby(frame[supplier])
        known, hits = ended.count(), ended.sum()
        table[label], table[f"{part}_success"] = known, hits / known
        with np.errstate(invalid="ignore", divide="ignore"):  # none of a supplier's is so
            ends = proportion_confint(hits.to_numpy(), known.to_numpy(), 1.0 - level, "wilson")
        table[f"{part}_low"], table[f"{part}_high"] = ends
    lots = by_lot.loc[by_lot["measured"] == 0, [supplier, lot, "reeds"]]
    return Dropped(table.reset_index(), lots.reset_index(drop=True), columns)
