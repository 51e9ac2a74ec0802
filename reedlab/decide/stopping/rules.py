"""Rules that pass over a blank, learnt from records.

A rule takes what is measured of a blank and decides whether to go on with it: by its predicted
chance of success, or by simple windows for use at the bench. `reedlab.decide.stopping.stakes`
counts what following one is worth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.decide.stopping.stakes import Stakes
from reedlab.elementary import normal_nodes
from reedlab.errors import ModelError

_NODES, _WEIGHTS = normal_nodes(15)
_TRIED = (0.1, 0.2, 0.3, 0.4)
"""Shares of the training pieces beyond which a window's edge is tried."""


@dataclass(frozen=True)
class Measure:
    """One thing that can be known of a blank when it is decided on.

    Attributes
    ----------
    column : str
        Its name in the frame.
    says : str
        What it is, in words that a sentence can hold.
    unit : str
        Its unit, or an empty string.
    step : float
        The finest division that the bench reads; the edges of windows are rounded to it.
    minutes : float
        What it takes to measure one blank.
    two_sided : bool
        Whether too little can be as bad as too much.
    flag : bool
        Whether it is there or not, 1 or 0, so that no unit or edge needs naming.
    """

    column: str
    says: str
    unit: str
    step: float
    minutes: float
    two_sided: bool = True
    flag: bool = False


def fit_rules(
    rules: Mapping[str, Rule], data: pd.DataFrame, stakes: Stakes
) -> dict[str, FittedRule]:
    """Find every rule from the same rows.

    Parameters
    ----------
    rules : mapping of str to Rule
    data : pandas.DataFrame
        One row a blank: ``good`` (0 or 1), ``lot`` and the measures' columns.
    stakes : Stakes

    Returns
    -------
    dict
        Rules with the same measures share one model. Where the rows do not identify it, the rule
        is to go on with every blank.
    """
    models: dict[tuple[Measure, ...], FittedPrediction | None] = {}
    fitted: dict[str, FittedRule] = {}
    for name, rule in rules.items():
        if rule.measures not in models:
            try:
                models[rule.measures] = fit_prediction(rule.measures, data, stakes)
            except ModelError:
                models[rule.measures] = None
        model = models[rule.measures]
        fitted[name] = GO_ON if model is None else rule.read(model, data, stakes)
    return fitted


@dataclass(frozen=True)
class PredictedSuccess:
    """Go on where the predicted chance of success is above the break-even of the stakes.

    The chance comes from a mixed model with the measures' slopes and the lots' effects, those of
    a new lot and the uncertainty of the slopes integrated out. Scaling and the value put in for
    a missing measurement (the mean) come from the training rows.

    Attributes
    ----------
    measures : tuple of Measure
    learns : bool
        Whether the lot's effect is updated by its own reeds, as far as they are known when the
        blank is decided on. The rows then hold ``decided_on`` and ``known_on``.
    """

    measures: tuple[Measure, ...]
    learns: bool = False

    def read(self, model: FittedPrediction, data: pd.DataFrame, stakes: Stakes) -> FittedRule:
        """Take the model as it is, if it expects to pay; else go on with every blank."""
        fitted = replace(model, learns=self.learns)
        expected = stakes.saving(fitted.keep(data), fitted.chance(data), fitted.minutes)
        return fitted if expected.mean() > 0 else GO_ON


def fit_prediction(
    measures: tuple[Measure, ...], data: pd.DataFrame, stakes: Stakes
) -> FittedPrediction:
    """Fit the chance of success to the measures, with a random effect of lots.

    Parameters
    ----------
    measures : tuple of Measure
    data : pandas.DataFrame
        One row a blank: ``good`` (0 or 1), ``lot`` and the measures' columns.
    stakes : Stakes
        They give the threshold.

    Returns
    -------
    FittedPrediction
        A measure that never differs in these rows has no slope.

    Raises
    ------
    ModelError
        When the rows do not identify the model.
    """
    from reedlab.mixed import fit

    columns = [m.column for m in measures]
    raw = data[columns].astype(float)
    centre, scale = raw.mean(), raw.std()
    used = [c for c in columns if scale[c] > 0]
    frame = ((raw[used] - centre[used]) / scale[used]).fillna(0.0)
    frame = frame.assign(good=data["good"].to_numpy(), lot=data["lot"].astype(str))
    model = fit(" + ".join(["good ~ 1", *used, "(1 | lot)"]), frame, family="binomial")
    return FittedPrediction(
        measures,
        centre,
        scale,
        model.fe_params,
        model.cov_fe,
        float(model.vcomp["variance"].sum()),
        stakes.threshold,
    )


@dataclass(frozen=True)
class FittedPrediction:
    """A fitted `PredictedSuccess`.

    Attributes
    ----------
    measures : tuple of Measure
    centre, scale : pandas.Series
        Of each measure in the training rows.
    coefficients : pandas.Series
        ``Intercept`` and the slope of each measure per standard deviation, on the logit scale.
    covariance : pandas.DataFrame
        Of the coefficients.
    lot_variance : float
        Of the lots' effects.
    threshold : float
        The chance of success below which a blank is passed over.
    learns : bool
        As in `PredictedSuccess`.
    """

    measures: tuple[Measure, ...]
    centre: pd.Series
    scale: pd.Series
    coefficients: pd.Series
    covariance: pd.DataFrame
    lot_variance: float
    threshold: float
    learns: bool = False

    @property
    def minutes(self) -> float:
        """Minutes of measuring that it takes for each blank."""
        return sum(m.minutes for m in self.measures)

    def chance(self, data: pd.DataFrame) -> np.ndarray:
        """Return each blank's chance of success in a lot that was not in the training rows."""
        terms = self.coefficients.index[1:]
        x = ((data[terms].astype(float) - self.centre[terms]) / self.scale[terms]).fillna(0.0)
        design = np.column_stack([np.ones(len(x)), x.to_numpy()])
        logit = design @ self.coefficients.to_numpy()
        variance = np.einsum("ij,jk,ik->i", design, self.covariance.to_numpy(), design)
        spread = np.sqrt(variance + self.lot_variance)
        at_node = expit(logit[:, None] + spread[:, None] * _NODES)
        weights = np.broadcast_to(_WEIGHTS, at_node.shape)
        if self.learns:
            weights = weights * _likelihood_so_far(at_node, data)
            weights /= weights.sum(axis=1, keepdims=True)
        return np.sum(at_node * weights, axis=1)

    def keep(self, data: pd.DataFrame) -> np.ndarray:
        """Return for each row whether to go on with it."""
        return self.chance(data) >= self.threshold

    def sentence(self) -> str:
        """Say when to go on, as it follows the word unless."""
        return f"their predicted chance of success is at least {100 * self.threshold:.0f} %"


def _likelihood_so_far(at_node: np.ndarray, data: pd.DataFrame) -> np.ndarray:
    """Return how likely each node makes what is known of each row's lot when it is decided on."""
    good = data["good"].to_numpy()[:, None]
    own = np.log(np.where(good == 1, at_node, 1 - at_node).clip(1e-300))
    lot, known, decided = pd.factorize(data["lot"])[0], data["known_on"], data["decided_on"]
    # In the order of lots, then of the days on which outcomes were known, what is known of a lot
    # on a day is a running sum: memory and time grow with the rows, not with their pairs.
    day = pd.factorize(pd.concat([known, decided]), sort=True, use_na_sentinel=False)[0]
    known_at, decided_at = (lot * (day.max() + 1) + part for part in np.split(day, 2))
    decided_at = np.where(decided.isna(), lot * (day.max() + 1), decided_at)
    order = np.argsort(known_at, kind="stable")
    so_far = pd.DataFrame(own[order]).groupby(lot[order]).cumsum().to_numpy()
    last = np.searchsorted(known_at[order], decided_at) - 1
    earlier = (last >= 0) & (lot[order][last] == lot)
    log_likely = np.where(earlier[:, None], so_far[last], 0.0)
    return np.exp(log_likely - log_likely.max(axis=1, keepdims=True))


@dataclass(frozen=True)
class Window:
    """The range of one measure within which to go on.

    Attributes
    ----------
    measure : Measure
    low, high : float
        Both included; infinite where open.
    """

    measure: Measure
    low: float
    high: float

    def holds(self, data: pd.DataFrame) -> np.ndarray:
        """Return which rows lie inside; what was not measured does."""
        value = data[self.measure.column].astype(float).to_numpy()
        outside = (value < self.low - 1e-9) | (value > self.high + 1e-9)
        return ~outside

    def sentence(self) -> str:
        """Say the window in a maker's words."""
        unit = f" {self.measure.unit}" if self.measure.unit else ""
        edges = [f"{edge:g}{unit}" for edge in (self.low, self.high)]
        if self.measure.flag:
            return f"they {'have' if np.isinf(self.high) else 'are without'} {self.measure.says}"
        if np.isinf(self.low):
            return f"their {self.measure.says} is at most {edges[1]}"
        if np.isinf(self.high):
            return f"their {self.measure.says} is at least {edges[0]}"
        return f"their {self.measure.says} is from {edges[0]} to {edges[1]}"


@dataclass(frozen=True)
class Windows:
    """Go on while each measure is within a simple window: a rule for use without a computer.

    Windows are added measure by measure, each time the one that saves most on the training rows
    after its minute of measuring is paid, as long as one does.

    Attributes
    ----------
    measures : tuple of Measure
    """

    measures: tuple[Measure, ...]

    def read(self, model: FittedPrediction, data: pd.DataFrame, stakes: Stakes) -> FittedWindows:
        """Search for windows, judging each by the chances that the model gives."""
        saved = stakes.saving(np.zeros(len(data), dtype=bool), model.chance(data))
        kept = np.ones(len(data), dtype=bool)
        chosen: list[Window] = []
        left = list(self.measures)
        while left:
            best, most = None, 0.0
            for measure in left:
                for window in _windows(measure, data):
                    gone = kept & ~window.holds(data)
                    worth = saved[gone].sum() - stakes.minute * measure.minutes * len(data)
                    if worth > most:
                        best, most = window, worth
            if best is None:
                break
            chosen.append(best)
            kept &= best.holds(data)
            left.remove(best.measure)
        return FittedWindows(tuple(chosen))


@dataclass(frozen=True)
class FittedWindows:
    """A fitted `Windows`.

    Attributes
    ----------
    windows : tuple of Window
        None of them when no window saved anything on the training rows.
    """

    windows: tuple[Window, ...]

    @property
    def minutes(self) -> float:
        """Minutes of measuring that it takes for each blank."""
        return sum(w.measure.minutes for w in self.windows)

    def keep(self, data: pd.DataFrame) -> np.ndarray:
        """Return for each row whether to go on with it."""
        kept = np.ones(len(data), dtype=bool)
        for window in self.windows:
            kept &= window.holds(data)
        return kept

    def sentence(self) -> str:
        """Say when to go on, as it follows the word unless."""
        return " and ".join(window.sentence() for window in self.windows)


GO_ON = FittedWindows(())
"""The rule to beat: measure nothing and go on with every blank."""


Rule = PredictedSuccess | Windows
"""What is read off a fitted chance of success; it sees only the training rows."""
FittedRule = FittedPrediction | FittedWindows
"""A rule that has seen its training rows: what it measures, keeps and says."""


def _windows(measure: Measure, data: pd.DataFrame) -> Sequence[Window]:
    """Return the windows of one measure that are worth trying on these rows."""
    value = data[measure.column].astype(float).dropna().to_numpy()
    if len(value) == 0:
        return []

    def edges(shares: Sequence[float]) -> list[float]:
        return sorted(
            {round(measure.step * round(q / measure.step), 10) for q in np.quantile(value, shares)}
        )

    highs = [np.inf, *edges([1 - share for share in _TRIED])]
    lows = [-np.inf, *edges(_TRIED)] if measure.two_sided else [-np.inf]
    return [
        Window(measure, low, high)
        for low in lows
        for high in highs
        if low < high and not (np.isinf(low) and np.isinf(high))
    ]
