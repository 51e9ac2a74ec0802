"""Is the gouger drifting, and which lots come out uneven.

A blade wears, a bed shifts, a hand changes the set-up: what the gouger cuts moves slowly, too
slowly to be noticed from one day to the next. Both questions are asked of the thickness readings
that were taken anyway.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.errors import DecisionError
from reedlab.records.tables import in_words

if TYPE_CHECKING:
    from reedlab.records import Bench

TOLERABLE_MM = 0.01  # of change in a hundred days; common practice calls sides alike within it
FEWEST_SESSIONS = 4  # days of gouging below which a slope has next to no degrees of freedom
FEWEST_PIECES = 5  # of a lot, below which its sd is not told
READINGS = {
    "gouge_centre_mm": "centre thickness",
    "gouge_asymmetry_mm": "left side less right",
}


@dataclass(frozen=True)
class Gouger:
    """How what the gouger cuts has moved under each set-up.

    Attributes
    ----------
    slopes : pandas.DataFrame
        One row a set-up and reading: `set_up`, `reading`, `sessions` (days of gouging), `pieces`,
        `first`, `last` (days), `start_mm` (at the first day), `per_100_days_mm` with `low`,
        `high`, and `verdict`: ``steady`` (changes by less than 0.01 mm in 100 days), ``drifts``
        (changes for sure) or ``cannot tell``.
    pieces : pandas.DataFrame
        One row a piece: piece, lot, measured_on, set_up, gouge_centre_mm, gouge_asymmetry_mm.
    level : float
        Of the intervals.
    """

    slopes: pd.DataFrame
    pieces: pd.DataFrame
    level: float

    def sentence(self) -> str:
        """Say which reading drifts under which set-up, and what to do."""
        parts = [_told(row) for row in self.slopes.to_dict("records") if row["verdict"] == "drifts"]
        if parts:
            return (
                f"The gouger drifts: {'; '.join(parts)}. Sharpen the blade or reset the bed, note "
                "the day as a new set-up, and measure the next pieces."
            )
        unsure = self.slopes[self.slopes["verdict"] == "cannot tell"]
        if len(unsure):
            which = unsure.drop_duplicates(["reading", "set_up"])
            named = [f"{row.reading} ({row.set_up})" for row in which.itertuples()]
            return (
                f"Whether the gouger drifts cannot be told for {', '.join(named)}: measure a few "
                "pieces on every day of gouging, and note the day and the set-up."
            )
        return (
            f"The gouger is steady: no reading moves by more than {TOLERABLE_MM} mm in 100 days. "
            "Go on measuring a few pieces on every day of gouging."
        )


def _told(row: dict[str, object]) -> str:
    return (
        f"{row['reading']} by {row['per_100_days_mm']:+.3f} mm ({row['low']:+.3f} to "
        f"{row['high']:+.3f}) in 100 days under {row['set_up']!r}"
    )


def gouger(bench: Bench, *, level: float = 0.95) -> Gouger:
    """Follow centre thickness and asymmetry over the days of gouging, set-up by set-up.

    Only pieces gouged here count, those of lots bought as tubes or split. A set-up is what
    ``bench.toml`` dates as the usual `gouger` (note a sharpening as a new one), or what a reed's
    row says. Pieces gouged on one day share that day's hand and setting, so days are a random
    effect and a slope has as many degrees of freedom as days less two.

    Parameters
    ----------
    bench : Bench
        A bench with measured pieces.
    level : float, default 0.95
        Of the intervals.

    Returns
    -------
    Gouger

    Raises
    ------
    DecisionError
        When no piece gouged here has a gouge reading and the day of it.
    """
    cane = bench.cane
    here = ~cane["form"].isin(["gouged", "shaped"]) & cane["measured_on"].notna()
    pieces = cane.loc[here, ["piece", "lot", "measured_on", *READINGS]].dropna(how="any")
    if pieces.empty:
        raise DecisionError(
            "No piece gouged at this bench has its gouge and the day noted: fill gouge_centre_mm, "
            "gouge_left_mm, gouge_right_mm and measured_on for a few pieces of every session."
        )
    pieces = pieces.assign(set_up=_set_up(bench, pieces)).reset_index(drop=True)
    rows = [
        {"set_up": set_up, "reading": says, **_slope(group, column, level)}
        for set_up, group in pieces.groupby("set_up", sort=False)
        for column, says in READINGS.items()
    ]
    return Gouger(pd.DataFrame(rows), pieces, level)


def _set_up(bench: Bench, pieces: pd.DataFrame) -> pd.Series:
    """Return the gouger's set-up for each piece: as usual on its day, or as its reed's row says."""
    set_up = pd.Series("the one set-up", index=pieces.index, dtype=object)
    for usual in sorted(bench.settings.usual, key=lambda usual: usual.since):
        if "gouger" in usual.values:
            set_up[pieces["measured_on"] >= pd.Timestamp(usual.since)] = usual.values["gouger"]
    said = bench.tables["reeds"].dropna(subset=["piece", "gouger"]).drop_duplicates("piece")
    noted = pieces["piece"].astype(object).map(said.set_index("piece")["gouger"])
    return set_up.where(noted.isna(), noted)


def _slope(pieces: pd.DataFrame, column: str, level: float) -> dict[str, object]:
    """Return one reading's change over the days of one set-up."""
    from scipy import stats

    from reedlab.mixed import fit

    first, sessions = pieces["measured_on"].min(), pieces["measured_on"].nunique()
    found: dict[str, object] = {
        "sessions": sessions,
        "pieces": len(pieces),
        "first": first,
        "last": pieces["measured_on"].max(),
        **dict.fromkeys(("start_mm", "per_100_days_mm", "low", "high"), np.nan),
        "verdict": "cannot tell",
    }
    if sessions < FEWEST_SESSIONS or len(pieces) <= sessions or pieces[column].nunique() < 2:
        return found
    data = pd.DataFrame(
        {
            "value": pieces[column],
            "hundreds": (pieces["measured_on"] - first).dt.days / 100.0,
            "session": pieces["measured_on"].dt.strftime("%Y-%m-%d"),
        }
    )
    line = fit("value ~ hundreds + (1 | session)", data)
    slope, se = line.fe_params["hundreds"], line.bse_fe["hundreds"]
    half = stats.t.ppf((1 + level) / 2, sessions - 2) * se
    low, high = slope - half, slope + half
    verdict = "cannot tell"
    if max(-low, high) < TOLERABLE_MM:
        verdict = "steady"
    elif low > 0 or high < 0:
        verdict = "drifts"
    found.update(start_mm=line.fe_params["Intercept"], per_100_days_mm=slope)
    found.update(low=low, high=high, verdict=verdict)
    return found


@dataclass(frozen=True)
class UnevenLots:
    """How much the pieces of each lot differ among themselves.

    Attributes
    ----------
    column : str
        The property.
    table : pandas.DataFrame
        One row a lot, the most uneven first: `lot`, `supplier`, `pieces`, `sd` of the readings with
        `low` and `high`, `others_sd` (of the other lots' pieces about their own lots' means),
        `piece_sd` (the readings' with the gauge's error taken out; NaN where that is not known, 0
        where the readings differ no more than the gauge errs) and `uneven`, whether the lot
        differs more than the others for sure, all lots considered.
    p_alike : float
        Of Levene's test (about the medians) that all lots are equally even.
    level : float
        Of the intervals.
    """

    column: str
    table: pd.DataFrame
    p_alike: float
    level: float

    def sentence(self) -> str:
        """Name the lots whose pieces differ most, or say that none stands out."""
        name = READINGS.get(self.column, in_words(self.column))
        uneven = self.table[self.table["uneven"]]
        if uneven.empty:
            chance = "what seems so may be chance"
            if self.p_alike < 0.05:
                chance = "yet lots are not all alike in it"
            return (
                f"No lot stands out as uneven in {name}; {chance}. Measure ten pieces of each new "
                "lot to see one that is."
            )
        named = [f"{row.lot} ({row.supplier}, sd {row.sd:.3g})" for row in uneven.itertuples()]
        return (
            f"Uneven in {name}: {', '.join(named)}, where other lots have sd "
            f"{uneven['others_sd'].iloc[0]:.3g}. Measure each of their pieces before tying."
        )


def uneven_lots(
    bench: Bench, column: str, *, error_sd: float | None = None, level: float = 0.95
) -> UnevenLots:
    """Compare lots by how much their pieces differ.

    An uneven lot needs every piece measured; an even one is known from a few.

    Parameters
    ----------
    bench : Bench
        A bench with measured pieces.
    column : str
        A measured column of ``bench.cane``.
    error_sd : float, optional
        Sd of a reading's error from a gauge study, to be taken out.
    level : float, default 0.95
        Of the intervals, which are those of a normal variance (χ²).

    Returns
    -------
    UnevenLots

    Raises
    ------
    DecisionError
        When fewer than two lots have five measured pieces.

    References
    ----------
    Brown and Forsythe (1974), J Am Stat Assoc 69(346) 364-367 (Levene's test about medians). Lots
    are called uneven by the lower end of an interval that Bonferroni widens to all lots.
    """
    import pingouin
    from scipy import stats

    cane = bench.cane.dropna(subset=[column, "lot"])
    cane = cane.assign(lot=cane["lot"].astype(str))
    groups = cane.groupby("lot")[column]
    table = groups.agg(pieces="size", sd="std").query(f"pieces >= {FEWEST_PIECES}")
    if len(table) < 2:
        raise DecisionError(
            f"Fewer than two lots have {FEWEST_PIECES} pieces with {column}: measure ten pieces of "
            "each lot to see which are uneven."
        )
    df = table["pieces"] - 1
    squares = df * table["sd"] ** 2
    table["others_sd"] = np.sqrt((squares.sum() - squares) / (df.sum() - df))

    def end(chance: float) -> pd.Series:
        return table["sd"] * np.sqrt(df / stats.chi2.ppf(chance, df))

    table["low"], table["high"] = end((1 + level) / 2), end((1 - level) / 2)
    table["uneven"] = end(1 - (1 - level) / 2 / len(table)) > table["others_sd"]
    left = table["sd"] ** 2 - (np.nan if error_sd is None else error_sd) ** 2
    table["piece_sd"] = np.sqrt(left.clip(lower=0))
    table["supplier"] = cane.groupby("lot")["supplier"].first().astype(str)
    kept = [groups.get_group(lot).to_numpy() for lot in table.index]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        test = pingouin.homoscedasticity(kept, method="levene")
    columns = ["lot", "supplier", "pieces", "sd", "low", "high", "others_sd", "piece_sd", "uneven"]
    table = table.sort_values("sd", ascending=False).reset_index()[columns]
    return UnevenLots(column, table, float(test["pval"].iloc[0]), level)
