"""What the season does.

Smooth effects of the cane's moisture and of the time of year on success and on minutes, and how
gouge and rough scrape were set by moisture. All of it is association: a maker changes gouge and
scrape because it is winter, so that the air and what the maker did about it are confounded. A
trial (`reedlab.decide.trial`) is the way to know.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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
from reedlab.decide.conditions.smooth import contrast, curve, fit_smooth, groups_of, with_groups
from reedlab.decide.draws import interval
from reedlab.decide.evidence import count
from reedlab.errors import ModelError
from reedlab.mixed.ask.design_table import CANNOT_TELL

FEWEST_REEDS = 60
FEWEST_LOTS = 4
NEAR_DAYS = 45
"""Days of the year further than this from every reed are left out."""
_DAYS = {"mid-January": 14, "mid-April": 104, "mid-July": 195, "mid-October": 287}
Pair = tuple[tuple[str, float], tuple[str, float]]
SETTINGS = ("gouge_centre_mm", "tip_thickness_mm", "heart_thickness_mm", "back_thickness_mm")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Seasons(Answer):
    """What goes with the season at this bench.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a comparison: ``measure``, ``over``, ``first``, ``second`` (in words), ``effect``
        (difference of shares; ratio of minutes), ``low``, ``high``, ``prob`` (that the effect has
        the sign it seems to have), ``ratio`` (of variances, see `CANNOT_TELL`), ``reeds``,
        ``sure`` (whether the sign is sure at the level taken over all comparisons together, by
        Bonferroni, and the ratio is small enough).
    curves : pandas.DataFrame
        Smooth effects: ``measure`` (success, as a share averaged over lots; minutes of reeds that
        turned out good, in the middle of reeds and lots), ``over`` (moisture, year), ``at`` (per
        cent; day of the year), ``value``, ``low``, ``high``; missing on days of the year further
        than `NEAR_DAYS` from every reed.
    settings : pandas.DataFrame
        One row a setting of gouge or scrape: ``setting``, ``reeds``, ``per_pct`` (mm for one per
        cent more moisture, within lots) with ``low``, ``high``, and ``damp_less_dry`` (mm).
    moisture : tuple of float
        What counts as dry and as damp: the 10th and the 90th percentile at this bench.
    """

    table: pd.DataFrame = empty(
        "measure",
        "over",
        "first",
        "second",
        "effect",
        "low",
        "high",
        "prob",
        "ratio",
        "reeds",
        "sure",
    )
    curves: pd.DataFrame = empty("measure", "over", "at", "value", "low", "high")
    settings: pd.DataFrame = empty("setting", "reeds", "per_pct", "low", "high", "damp_less_dry")
    moisture: tuple[float, float] = (float("nan"), float("nan"))

    def _sentence(self) -> str:
        association = "These are associations, since gouge and scrape change with the season too."
        sure = self.table[self.table["sure"]]
        if sure.empty:
            surest = _in_words(self.table.loc[self.table["prob"].idxmax()].to_dict())
            found = (
                f"Cannot say what the season does: of {len(self.table)} differences looked at "
                f"together, none is sure. The surest, taken alone: {surest[0].lower()}{surest[1:]}"
            )
        else:
            found = " ".join(_in_words(row) for row in sure.to_dict("records"))
        return f"{found} {association} {self.record_next}"


def _in_words(row: dict[Any, Any]) -> str:
    if row["measure"] == "success":
        size = f"{100 * abs(row['effect']):.0f} points"
        way = "more often" if row["effect"] > 0 else "less often"
        low, high = (f"{100 * row[end]:+.0f}".replace("-", "−") for end in ("low", "high"))
        return (
            f"Reeds turned out good {size} {way} {row['first']} than {row['second']} "
            f"({low} to {high})."
        )
    return (
        f"Good reeds took {row['effect']:.2f} times as long {row['first']} as {row['second']} "
        f"({row['low']:.2f} to {row['high']:.2f})."
    )


def _claims(table: pd.DataFrame) -> pd.DataFrame:
    """Claim the sign of every comparison, the surest first."""
    rows = table.sort_values(["sure", "prob"], ascending=False, kind="stable").to_dict("records")
    grade = {True: Verdict.SURE, False: Verdict.CANNOT_SAY}
    return claims_frame(
        [(_in_words(row), row["prob"], grade[row["sure"]], row["effect"], True) for row in rows]
    )


_TRIAL = "Compare two settings on blanks of one lot ('reedlab trial')."
_MORE = "Note humidity at every rough scrape, and work each lot in more than one season."


@question(Seasons)
def seasons(bench: Any, *, level: float = 0.9, seed: int = 1) -> Seasons:
    """Describe what success, minutes and settings did with moisture and with the year.

    Moisture is the equilibrium moisture content of wood at the air's humidity, as a proxy for
    cane's. Its effect is a natural cubic spline with three degrees of freedom, the year's a cosine
    and a sine; makers, lots and suppliers are in the model too.

    Parameters
    ----------
    bench : Bench
    level : float
        Of the intervals.
    seed : int
        Of the posterior draws.

    Returns
    -------
    Seasons
        Sure where some comparison is. Unanswered where fewer than 60 settled reeds of four lots
        have a date and an outcome.
    """
    every = bench.reeds
    reeds = every[every["settled"] & every["success"].notna() & every["supplier"].notna()]
    if len(reeds) < FEWEST_REEDS or reeds["lot"].nunique() < FEWEST_LOTS:
        raise CannotAnswer(
            "Too few settled reeds to say what the season does: "
            f"{count(len(reeds), 'reed')} of {count(reeds['lot'].nunique(), 'lot')}.",
            RecordNext(
                f"Record outcome and minutes of at least {FEWEST_REEDS} reeds of {FEWEST_LOTS} "
                "lots, over a whole year."
            ),
        )
    reeds = reeds.reset_index(drop=True)
    good = reeds[(reeds["success"] == 1) & reeds["log_scrape_min"].notna()].reset_index(drop=True)
    known = reeds["moisture_pct"].notna()
    dry, damp = (float(q) for q in reeds["moisture_pct"].quantile([0.1, 0.9]).round(1))
    curves, contrasts, notes, why = [], [], _notes(reeds, known), []
    for over in ("year", "moisture"):
        for measure, rows in (("success", reeds), ("minutes", good)):
            use = rows[rows["moisture_pct"].notna()] if over == "moisture" else rows
            if len(use) < FEWEST_REEDS or use["lot"].nunique() < FEWEST_LOTS:
                why.append(
                    f"{measure.capitalize()} over the {over} is not asked: "
                    f"{count(len(use), 'reed')} of {count(use['lot'].nunique(), 'lot')} are too "
                    "few."
                )
                continue
            if measure == "success" and use["success"].nunique() < 2:
                why.append(f"Success over the {over} is not asked: {len(use)} reeds ended alike.")
                continue
            at, pairs = np.linspace(dry, damp, 41), _airs(dry, damp)
            if over == "year":
                at, (pairs, unmet) = np.arange(0.0, 366.0, 7.0), _met(use["tied_on"])
                why += [f"{measure.capitalize()} is not compared {days}" for days in unmet]
                if not pairs:
                    continue
            smooth = fit_smooth(use, measure, over, seed)
            along = curve(smooth, at, level)
            if over == "year":
                along.loc[~_near(at, use["tied_on"]), ["value", "low", "high"]] = np.nan
            curves.append(along)
            contrasts += [contrast(smooth, first, second, level) for first, second in pairs]
    if not contrasts:
        raise CannotAnswer(
            why[0],
            RecordNext(
                f"Record outcome and minutes of at least {FEWEST_REEDS} reeds, over a whole year."
            ),
        )
    compared = pd.DataFrame(contrasts)
    sure = compared["prob"] > 1 - (1 - level) / 2 / len(compared)
    compared = compared.assign(sure=sure & (compared["ratio"] <= CANNOT_TELL))
    return Seasons(
        table=compared,
        level=level,
        claims=_claims(compared),
        notes=(*notes, *why),
        record_next=RecordNext(_TRIAL if compared["sure"].any() else f"{_MORE} {_TRIAL}"),
        curves=pd.concat(curves, ignore_index=True),
        settings=settings_by_moisture(reeds, damp - dry, level, seed),
        moisture=(dry, damp),
    )


def _near(at: np.ndarray, tied_on: pd.Series) -> np.ndarray:
    """Whether a reed was tied near a day of the year, in any year."""
    away = np.abs(at[:, None] - tied_on.dt.day_of_year.to_numpy()) % 365
    return np.asarray(np.minimum(away, 365 - away).min(axis=1) <= NEAR_DAYS)


def _met(tied_on: pd.Series) -> tuple[list[Pair], list[str]]:
    """Return the comparisons over the year that reeds support, and for the others why not."""
    days = np.array([float(day) for day in _DAYS.values()])
    near = dict(zip(_DAYS, _near(days, tied_on)))
    pairs, unmet = [], []
    for names in (("mid-January", "mid-July"), ("mid-April", "mid-October")):
        missing = [name for name in names if not near[name]]
        if missing:
            unmet.append(
                f"between {names[0]} and {names[1]}: no reed was tied within {NEAR_DAYS} days of "
                f"{' or '.join(missing)}."
            )
        else:
            one, other = ((f"in {name}", float(_DAYS[name])) for name in names)
            pairs.append((one, other))
    return pairs, unmet


def _airs(dry: float, damp: float) -> list[Pair]:
    return [((f"at {damp:.1f} % moisture", damp), (f"at {dry:.1f} %", dry))]


def settings_by_moisture(
    reeds: pd.DataFrame, span: float, level: float = 0.9, seed: int = 1
) -> pd.DataFrame:
    """Say how gouge and rough scrape were set by moisture, within lots and makers.

    Parameters
    ----------
    reeds : pandas.DataFrame
        Rows of ``bench.reeds``.
    span : float
        From dry to damp, in per cent moisture.
    level : float
    seed : int

    Returns
    -------
    pandas.DataFrame
        See `Seasons.settings`; a setting noted for fewer than 30 reeds of four lots is left out.
    """
    from reedlab.mixed import fit

    slope, rows = "within(moisture_pct, lot)", []
    for setting in SETTINGS:
        use = with_groups(reeds.dropna(subset=[setting, "moisture_pct"]))
        if len(use) < 30 or use["lot"].nunique() < FEWEST_LOTS or use[setting].nunique() < 3:
            continue
        try:
            model = fit(f"{setting} ~ {slope}{groups_of(use)}", use)
        except ModelError:
            continue
        drawn = model.posterior(seed=seed).draws()[slope]
        low, high = interval(drawn, level)
        rows.append((setting, len(use), drawn.median(), low, high, span * drawn.median()))
    names = ["setting", "reeds", "per_pct", "low", "high", "damp_less_dry"]
    return pd.DataFrame(rows, columns=names)


def _notes(reeds: pd.DataFrame, known: pd.Series) -> tuple[str, ...]:
    notes = [
        "Moisture is what wood would hold in that air; cane is not wood, and follows it roughly.",
        "A maker changes gouge and scrape with the season, and buys when there is cane: what is "
        "shown is association.",
    ]
    if not known.all():
        notes.append(
            f"{int((~known).sum())} of {len(reeds)} settled reeds have no humidity on their day "
            "and do not count in comparisons of moisture."
        )
    return tuple(notes)
