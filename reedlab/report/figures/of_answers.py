"""The pictures of each kind of answer, with their alternative text: `reedlab.figure`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial, singledispatch
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from reedlab.decide.answer import Answer
from reedlab.decide.conditions.gouging import READINGS, Gouger, UnevenLots
from reedlab.decide.conditions.measured_or_not import Unmeasured
from reedlab.decide.conditions.season_effects import Seasons
from reedlab.decide.conditions.workshop_air import Air
from reedlab.decide.evidence import listed
from reedlab.decide.gauge.hands import GaugeAgreement
from reedlab.decide.gauge.repeatability import GaugeStudy
from reedlab.decide.losses_by_stage import Losses
from reedlab.decide.makers import Makers
from reedlab.decide.orders.planning import Orders
from reedlab.decide.price import Price
from reedlab.decide.pupil import Pupil
from reedlab.decide.stopping.after_roughing import GivingUp
from reedlab.decide.stopping.before_tying import PassingOver
from reedlab.decide.suppliers.comparison import Suppliers
from reedlab.decide.suppliers.earnings import Earnings, Forms
from reedlab.decide.suppliers.equal_cane import EqualCane
from reedlab.decide.suppliers.robustness import Robustness
from reedlab.decide.suppliers.selection import Selection
from reedlab.decide.today import Today
from reedlab.decide.trial.analysis import TrialAnswer
from reedlab.decide.trial.new_trial import TrialPlan
from reedlab.errors import DecisionError
from reedlab.mixed.ask.checks.binned_residuals import BinnedResiduals
from reedlab.mixed.ask.checks.held_out import HeldOut
from reedlab.mixed.ask.checks.predictive_check import PredictiveCheck
from reedlab.mixed.posterior.nested_laplace import Posterior
from reedlab.report.figures import base, draw_cane, draw_missing, draw_priors, draw_seasons
from reedlab.report.figures.draw_adequacy import binned, calibration, made_and_met
from reedlab.report.figures.draw_stopping import savings, signs, slopes
from reedlab.report.figures.draw_suppliers import ask_and_fetched, chances, flow
from reedlab.report.words.coefficients import both_in_words
from reedlab.report.words.numbers import heading, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes


class Picture(NamedTuple):
    """One picture of an answer: what it draws, from which rows, and what it shows in words."""

    draw: Callable[[], Axes]
    rows: pd.DataFrame
    alt: str


Pictures = Mapping[str, Picture]


def _picture(
    rows: pd.DataFrame, alt: str, draw: Callable[..., Axes], *how: Any, **more: Any
) -> Picture:
    """Have a picture drawn of rows, and of what else the drawing asks for."""
    return Picture(partial(draw, rows, *how, **more), rows, alt)


def figure(answer: Any, which: str | None = None) -> Axes:
    """Draw an answer.

    Parameters
    ----------
    answer : Answer, Posterior, HeldOut, BinnedResiduals or PredictiveCheck
        What a question returned; or ``fit.posterior()``, drawn beside its priors; or what
        ``fit.calibration(...)``, ``fit.binned_residuals(...)`` (a picture a check) or
        ``fit.predictive_check(...)`` return.
    which : str, optional
        Which of its pictures, such as ``"rules"``; the first one when not given. A wrong name gets
        an error that lists them.

    Returns
    -------
    matplotlib.axes.Axes
        Its figure's label is the alternative text. Where the records cannot answer, the Axes are
        empty but for the sentence that says so.

    Raises
    ------
    DecisionError
        For something without pictures, with the reason, and for a name that is none of them.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench, truth = rl.simulate_bench(seed=1, suppliers=3, reeds=150, years=1)
    >>> rl.figure(rl.losses(bench)).get_xlabel()
    'settled reeds lost at this stage'
    """
    drawn = pictures(answer)
    name = next(iter(drawn)) if which is None else which
    if name not in drawn:
        raise DecisionError(
            f"{type(answer).__name__} has no picture {name!r}: choose one of {', '.join(drawn)}."
        )
    draw, rows, alt = drawn[name]
    if not len(rows):
        says = answer.sentence() if getattr(answer, "unanswered", "") else ""
        return base.without_data(says or f"These records have nothing to draw of {name}.")
    return base.described(draw(), alt)


@singledispatch
def pictures(answer: Any) -> Pictures:
    """Return what there is to draw of something by name, the main picture first."""
    raise DecisionError(
        f"There is no picture of {type(answer).__name__}: figure draws answers, posteriors and "
        "what fit.calibration, fit.binned_residuals and fit.predictive_check return."
    )


def _nothing_to_draw(answer: Answer) -> Pictures:
    reasons = {
        TrialPlan: "a plan has no results yet",
        TrialAnswer: "its two effects have no scale in common",
        Today: "a list of what to do is read, not seen",
        Orders: "a plan is read, not seen",
        Pupil: "a pupil has a page, see pupil_page",
    }
    kind = type(answer)
    raise DecisionError(f"There is no picture of {kind.__name__}: {reasons[kind]}; see its table.")


for _kind in (TrialPlan, Today, Orders, Pupil, TrialAnswer):
    pictures.register(_kind, _nothing_to_draw)


def _intervals(answer: Answer) -> str:
    return f"{percent(answer.level)} intervals"


@pictures.register
def _suppliers(answer: Suppliers) -> Pictures:
    label = (
        f"cost of a saleable reed of the next lot ({answer.currency}), "
        f"{percent(answer.level)} interval"
    )
    alt = (
        f"What a saleable reed of each supplier's next lot would cost, with {_intervals(answer)}, "
        "the supplier likeliest to be cheapest on top."
    )
    if answer.lacks:
        label = (
            f"chance of a reed that stays good, of the next lot, {percent(answer.level)} interval"
        )
        alt = (
            "How many reeds of each supplier's next lot should stay good, with "
            f"{_intervals(answer)}, the most on top."
        )
        columns = ("supplier", "stayed_good", "stayed_low", "stayed_high")
        return {"stayed_good": _picture(answer.table, alt, base.intervals, *columns, xlabel=label)}
    columns = ("supplier", "cost", "cost_low", "cost_high")
    return {"cost": _picture(answer.table, alt, base.intervals, *columns, xlabel=label)}


@pictures.register
def _robustness(answer: Robustness) -> Pictures:
    alt = f"Each supplier's probability of being the cheapest: {listed(answer.best)}."
    return {"chances": _picture(answer.table, alt, chances, "variant")}


@pictures.register
def _selection(answer: Selection) -> Pictures:
    through = (
        "How many pieces of each supplier came in, were tied, were judged, turned out good and "
        "were not brought back, and how many left at each step: never tied, pending, given up or "
        "not good, back."
    )
    bounds = (
        "Each supplier's probability of being the cheapest as answered, with pending and returned "
        "reeds as failures, with pending and given-up ones as good, with the pieces never tied as "
        "good ones, and with every doubt against the likeliest supplier."
    )
    return {
        "flow": _picture(answer.flow, through, flow),
        "chances": _picture(answer.table, bounds, chances, "assumption"),
    }


def _hourly(answer: Earnings | Forms, arm: str, what: str) -> Pictures:
    label = f"earned in an hour at the bench ({answer.currency}), wage not yet paid"
    alt = f"What an hour at the bench earns on {what}, with {_intervals(answer)}."
    of = _picture(answer.table, alt, base.intervals, arm, "profit_per_hour", xlabel=label)
    return {"profit": of}


@pictures.register
def _earnings(answer: Earnings) -> Pictures:
    return _hourly(answer, "supplier", "cane of each supplier")


@pictures.register
def _forms(answer: Forms) -> Pictures:
    return _hourly(answer, "form", "each form of cane")


@pictures.register
def _equal_cane(answer: EqualCane) -> Pictures:
    odds = answer.slopes.rename_axis("slope").reset_index()
    step = answer.step
    label = f"odds of a good reed, {step}, times"
    alt = (
        f"Odds ratios of a good reed for {step} between lots and within them, with "
        f"{_intervals(answer)}; a dashed line at 1 marks no difference."
    )
    return {"slopes": _picture(odds, alt, base.ratios, "slope", "odds_ratio", xlabel=label)}


@pictures.register
def _makers(answer: Makers) -> Pictures:
    label = "reeds that turn out good, on the same lots"
    alt = f"Chance of a good reed by maker, on the same lots, with {_intervals(answer)}."
    return {"good": _picture(answer.table, alt, base.shares, "maker", "good", xlabel=label)}


@pictures.register
def _price(answer: Price) -> Pictures:
    alt = (
        f"The price at which an hour earns the wage, for a reed of each supplier with "
        f"{_intervals(answer)}, and the mean price that its reeds fetch now."
    )
    return {"price": _picture(answer.table, alt, ask_and_fetched, answer.currency, answer.wage)}


@pictures.register
def _losses(answer: Losses) -> Pictures:
    stages = (
        "Share of all settled reeds lost at each stage of the work, from tying to playing, with "
        f"{_intervals(answer)}; the table beneath has the figures."
    )
    lots = (
        "For each lot with a tally, the share of its pieces that was tied, with "
        f"{_intervals(answer)}."
    )
    lost, reached = "settled reeds lost at this stage", "pieces that reached a staple"
    return {
        "stages": _picture(answer.table, stages, base.shares, "stage", xlabel=lost),
        "before tying": _picture(answer.before_tying, lots, base.shares, "lot", xlabel=reached),
    }


@pictures.register
def _passing_over(answer: PassingOver) -> Pictures:
    odds = (
        "How the odds of a good reed change with one step more of each thing "
        f"measured, within lots, with {_intervals(answer)}; a dashed line at 1 marks no difference."
    )
    saved = (
        f"What each rule saved for 100 pieces of held-out lots, with {_intervals(answer)}; a "
        "dashed line at 0 marks tying them all."
    )
    return {
        "slopes": _picture(answer.table, odds, slopes),
        "rules": _picture(answer.rules, saved, savings, answer.unit),
    }


@pictures.register
def _giving_up(answer: GivingUp) -> Pictures:
    good = (
        f"Share of good reeds among the blanks with each sign, with {_intervals(answer)}; a dashed "
        "line marks the chance below which finishing stops paying for itself."
    )
    saved = (
        f"Minutes that each rule saved for 100 blanks of held-out lots, with {_intervals(answer)}; "
        "a dashed line at 0 marks going on with all."
    )
    # Without stakes no chance is known below which finishing stops paying.
    table = answer.table if answer.stakes else answer.table.head(0)
    threshold = answer.stakes.threshold if answer.stakes else 0.0
    return {
        "signs": _picture(table, good, signs, threshold),
        "rules": _picture(answer.rules, saved, savings, "minutes"),
    }


@pictures.register
def _seasons(answer: Seasons) -> Pictures:
    what = {
        "success": "Share of reeds that turn out good",
        "minutes": "Minutes to scrape a good reed",
    }
    by = {"moisture": "the moisture of the cane", "year": "the time of year"}
    curves = answer.curves
    return {
        f"{measure} by {over}": Picture(
            partial(draw_seasons.smooth, curves, measure, over),
            curves[(curves["measure"] == measure) & (curves["over"] == over)],
            f"{of} by {name}, with a {percent(answer.level)} band.",
        )
        for measure, of in what.items()
        for over, name in by.items()
    }


@pictures.register
def _air(answer: Air) -> Pictures:
    alt = (
        "Moisture by month: the mean and the middle eight tenths of the readings, heated months "
        "shaded."
    )
    return {"months": _picture(answer.table, alt, draw_cane.workshop_months)}


@pictures.register
def _gouger(answer: Gouger) -> Pictures:
    return {
        reading: Picture(
            partial(draw_cane.drift, answer.pieces, answer.table, column, reading),
            answer.table,
            f"The gouge's {reading} over the days of gouging, with a line for each set-up.",
        )
        for column, reading in READINGS.items()
    }


@pictures.register
def _uneven_lots(answer: UnevenLots) -> Pictures:
    name, _, unit = heading(answer.column).partition(" (")
    label = f"standard deviation of {name} within a lot" + (f" ({unit}" if unit else "")
    alt = (
        f"The spread of {name} within each lot with its {percent(answer.level)} interval, widest "
        "on top."
    )
    return {"spread": _picture(answer.table, alt, base.intervals, "lot", "sd", xlabel=label)}


@pictures.register
def _gauge(answer: GaugeStudy) -> Pictures:
    name = answer.quantity
    every = (
        f"Every reading of {name} in the gauge study, piece by piece, hands by shape: readings of "
        "one piece are close together where the gauge is good."
    )
    sources = (
        f"Standard deviations of {name} by source, with {_intervals(answer)}: pieces, hands, hands "
        "by piece, repeats, all measuring, everything."
    )
    return {
        "readings": _picture(answer.measured, every, draw_cane.gauge_readings, name),
        "spread": _picture(answer.spread, sources, draw_cane.gauge_spread, name),
    }


@pictures.register
def _gauge_agreement(answer: GaugeAgreement) -> Pictures:
    alt = (
        f"Differences between {answer.first} and {answer.second} in {answer.quantity} against "
        "their mean, with the mean difference and the limits of agreement as bands."
    )
    how = (draw_cane.agreement, answer.table, answer.quantity)
    return {"differences": _picture(answer.pieces, alt, *how)}


@pictures.register
def _unmeasured(answer: Unmeasured) -> Pictures:
    both = (
        "Odds ratios of a good reed for the measurement, maker and season, each twice with its "
        f"{percent(answer.level)} interval: unmeasured reeds left out, and filled in; a dashed "
        "line at 1 marks no effect."
    )
    share = (
        "Each supplier's share of all reeds and of the measured ones, joined by a line; beside the "
        "name how many of its reeds were measured."
    )
    filled = (
        "Lot by lot the readings and the values filled in, with bars for the middle 95 in a "
        "hundred of what was filled in; bars of lots never measured are the widest."
    )
    return {
        "both ways": Picture(
            partial(draw_missing.both_ways, both_in_words(answer), "odds of a good reed, times"),
            answer.table,
            both,
        ),
        "bench shares": _picture(answer.bench_shares, share, draw_missing.bench_shares),
        "filled in": _picture(answer.values, filled, draw_missing.filled_in, answer.column),
    }


@pictures.register
def _posterior(post: Posterior) -> Pictures:
    from reedlab.mixed.posterior.prior_check import beside

    scale = "in the response's unit" if post.family == "gaussian" else "logit scale"
    if post.recipe is not None and str(post.recipe.formula.response).startswith("log_"):
        scale = "log minutes"
    label = f"standard deviation ({scale})"
    alt = (
        "For each standard deviation of the model its prior, a dashed line falling from 0, and its "
        "posterior, a filled outline."
    )
    return {"priors": _picture(beside(post), alt, draw_priors.beside, label)}


@pictures.register
def _held_out(found: HeldOut) -> Pictures:
    alt = (
        "Share of good reeds against the predicted chance, in five groups of reeds of held-out "
        "lots, with 95% intervals; a dashed diagonal marks chances that are right."
    )
    return {"calibration": _picture(found.bins, alt, calibration)}


@pictures.register
def _binned(found: BinnedResiduals) -> Pictures:
    drawn = {}
    for name, rows in found.bins.groupby("check", sort=False):
        what = heading(str(name))
        alt = (
            f"Mean responses by bins of {what}: a dot for what came, a line for where it lies in "
            "95 of 100 responses simulated from the fit, a cross for what was predicted."
        )
        drawn[str(name)] = _picture(rows.reset_index(drop=True), alt, binned, what)
    return drawn


@pictures.register
def _predictive(found: PredictiveCheck) -> Pictures:
    spread = (
        "Share of rows by response: dots for the data, bars for the middle 95 in a hundred of "
        "responses that the model makes."
    )
    drawn = {}
    if len(found.spread) > 2 or not len(found.levels):  # of 0 and 1 there is nothing to see
        drawn["spread"] = _picture(found.spread, spread, made_and_met, "response")
    if len(found.levels):
        what = heading(found.group.split(":")[-1])
        levels = (
            f"Mean response of each {what}: dots for the data, bars for the middle 95 in a hundred "
            "of responses that the model makes, in the order of what the model makes."
        )
        rows = found.levels.sort_values("median").rename(columns={"level": "value"})
        drawn["levels"] = _picture(rows, levels, made_and_met, "", "mean response")
    return drawn
