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

from reedlab.decide import matters
from reedlab.decide.answer import (
    About,
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.conditions.smooth import contrast, curve, fit_smooth, groups_of
from reedlab.decide.draws import interval
from reedlab.decide.evidence import as_factors, count
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
        (difference of shares; ratio of minutes) taken alone with ``low`` and ``high``, ``prob``
        (that the effect has the sign it seems to have, taken alone), ``ratio`` (of variances, see
        `CANNOT_TELL`), ``reeds``, ``pooled`` with ``pooled_low`` and ``pooled_high`` (the effect,
        all comparisons pooled towards none, see `matters.towards_none`), ``prob_matters`` (that
        the pooled effect has its direction and is beyond the smallest size that matters) and
        ``usual`` (the value at the second place).
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
    humidity : tuple of float
        The same percentiles of what the hygrometer showed, in per cent.
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
        "pooled",
        "pooled_low",
        "pooled_high",
        "prob_matters",
        "usual",
    )
    curves: pd.DataFrame = empty("measure", "over", "at", "value", "low", "high")
    settings: pd.DataFrame = empty("setting", "reeds", "per_pct", "low", "high", "damp_less_dry")
    moisture: tuple[float, float] = (float("nan"), float("nan"))
    humidity: tuple[float, float] = (float("nan"), float("nan"))

    def _sentence(self) -> str:
        association = "Gouge and scrape change with the season too, so the air need not be why."
        first = str(self.claims["statement"].iloc[0])
        if self.verdict is not Verdict.SURE:
            first = f"{first[:1].lower()}{first[1:]}"
        found = f"{_SAYS[self.verdict]}{first}"
        return f"{found} {association}"


_SAYS = {
    Verdict.SURE: "",
    Verdict.LIKELY: "Likely: ",
    Verdict.CANNOT_SAY: "Cannot say yet what the season does. The best guess: ",
}


def _in_words(row: dict[Any, Any], humidity: tuple[float, float]) -> str:
    """Say a comparison, pooled, in reeds of a hundred or in minutes of a reed."""
    dry, damp = humidity
    first, second = str(row["first"]), str(row["second"])
    if row["over"] == "moisture":
        first, second = f"In damp air ({damp:.0f} % humidity)", f"in dry air ({dry:.0f} %)"
    size, low, high = (row[name] for name in ("pooled", "pooled_low", "pooled_high"))
    if row["measure"] == "success":
        size, low, high = 100 * size, 100 * low, 100 * high
        ways, what = ("more", "fewer"), "{size} {way} of 100 reeds turn out good"
    else:
        size, low, high = (row["usual"] * (ratio - 1) for ratio in (size, low, high))
        ways, what = ("more", "less"), "a good reed takes you {size} minutes {way}"
    if size < 0:
        size, low, high = -size, -high, -low
        ways = ways[1], ways[0]
    text = what.format(size=f"about {size:.0f}" if size >= 0.5 else "under 1", way=ways[0])
    if size < 1.5:
        text = text.replace(" minutes", " minute")
    # Where the other way is possible it is named: nobody understands "−3 fewer".
    ends = (
        f"{-low:.0f} {ways[1]} to {high:.0f} {ways[0]}"
        if low <= -0.5
        else f"{abs(low):.0f} to {high:.0f}"
    )
    return f"{first[:1].upper()}{first[1:]} {text} than {second} ({ends})."


def _claims(table: pd.DataFrame, humidity: tuple[float, float]) -> pd.DataFrame:
    """Claim every comparison's pooled effect, the surest to matter first."""
    separable = table["ratio"] <= CANNOT_TELL
    rows = table.assign(grade=table["prob_matters"].where(separable, 0.0).map(graded))
    rows = rows.sort_values(
        "prob_matters", key=lambda p: p.where(separable, 0.0), ascending=False, kind="stable"
    )
    return claims_frame(
        [
            (_in_words(row, humidity), row["prob_matters"], row["grade"], row["pooled"],
             bool(_beyond(row["measure"], row["pooled"])))
            for row in rows.to_dict("records")
        ]
    )  # fmt: skip


def _beyond(measure: str, effect: float) -> bool:
    """Whether an effect is beyond the smallest size that matters."""
    if measure == "success":
        return abs(effect) >= matters.SUCCESS
    return abs(np.log(effect)) >= matters.MINUTES


def pooled(compared: pd.DataFrame, level: float) -> pd.DataFrame:
    """Pool comparisons of one question, from `smooth.contrast`, towards none.

    See `Seasons.table`.
    """
    found = matters.towards_none(compared["mean"], compared["sd"])
    columns: dict[str, list[float]] = {}
    for name, chance in (("", 0.5), ("_low", (1 - level) / 2), ("_high", (1 + level) / 2)):
        sizes = [effect.quantile(chance) for effect in found]
        columns[f"pooled{name}"] = [
            matters.SUCCESS * size
            if measure == "success"
            else float(np.exp(matters.MINUTES * size))
            for measure, size in zip(compared["measure"], sizes)
        ]
    columns["prob_matters"] = [effect.beyond(1.0) for effect in found]
    usual = compared["usual"]
    return compared.drop(columns=["mean", "sd", "usual"]).assign(**columns, usual=usual)


_TRIAL = "Compare two settings on blanks of one lot ('reedlab trial')."
_MORE = "Note humidity at every rough scrape, and work each lot in more than one season."
_MORE_SEASONS = "Work each lot in more than one season."
_NEARLY_ALL = 0.95
"""Share of reeds with a humidity from which on noting it is no advice."""


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
        As sure as its surest comparison, all of them pooled towards none. Unanswered where fewer
        than 60 settled reeds of four lots have a date and an outcome.
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
    compared = pooled(pd.DataFrame(contrasts), level)
    air = tuple(float(q) for q in reeds["rh_pct"].quantile([0.1, 0.9]))
    claims = _claims(compared, (air[0], air[1]))
    known_enough = claims["grade"].iloc[0] is not Verdict.CANNOT_SAY
    return Seasons(
        table=compared,
        level=level,
        claims=claims,
        notes=(*notes, *why),
        record_next=RecordNext(
            _TRIAL if known_enough else _MORE_SEASONS if known.mean() >= _NEARLY_ALL else _MORE,
            about=About.AIR,
        ),
        curves=pd.concat(curves, ignore_index=True),
        settings=settings_by_moisture(reeds, damp - dry, level, seed),
        moisture=(dry, damp),
        humidity=(air[0], air[1]),
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

    `span` is from dry to damp, in per cent moisture. See `Seasons.settings`; a setting noted for
    fewer than 30 reeds of four lots is left out.
    """
    from reedlab.mixed import fit

    slope, rows = "within(moisture_pct, lot)", []
    for setting in SETTINGS:
        use = reeds.dropna(subset=[setting, "moisture_pct"])
        use = as_factors(use, "maker", "supplier", "lot")
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
