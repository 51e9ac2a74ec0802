"""Rules that pass over a blank, learnt from records.

A rule says by signs that are seen at the bench which blanks to stop. The signs are chosen by the
chance of success that a model predicts from them; `reedlab.decide.stopping.break_even` counts what
following a rule is worth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.decide.stopping.break_even import Stakes
from reedlab.elementary import normal_nodes
from reedlab.errors import ModelError

_NODES, _WEIGHTS = normal_nodes(15)
_TRIED = (0.1, 0.2, 0.3, 0.4)
"""Shares of the training pieces beyond which a sign's edge is tried."""
_DRAWS = 400
_MOST = 2
"""Signs, or pairs of them, that a maker keeps in mind at the bench."""


@dataclass(frozen=True)
class Measure:
    """One thing that can be known of a blank when it is decided on."""

    column: str  # its name in the frame
    says: str  # what it is, in words that a sentence can hold
    unit: str  # its unit, or an empty string
    step: float  # the finest division that the bench reads; the edges of signs are rounded to it
    minutes: float  # what it takes to measure one blank
    two_sided: bool = True  # whether too little can be as bad as too much
    flag: bool = False  # whether it is there or not, 1 or 0, so that no unit or edge needs naming
    usual: float = 0.0  # what an ordinary blank has; edges are said from there
    # more, less: how a sign is said, above an edge and below: ``{edge}`` with its unit,
    # ``{percent}``
    more: str = "{says} of {edge} or more"
    less: str = "{says} of −{edge} or less"
    words: tuple[str, ...] = ()  # what the whole numbers from 0 are called, where they are grades


def fit_rules(
    rules: Mapping[str, Signs], data: pd.DataFrame, stakes: Stakes
) -> dict[str, FittedSigns]:
    """Find every rule from the same rows: ``good`` (0 or 1), ``lot`` and measures of each blank.

    Rules with the same measures share one model. Where the rows do not identify it, the rule is to
    go on with every blank.
    """
    models: dict[tuple[Measure, ...], FittedPrediction | None] = {}
    fitted: dict[str, FittedSigns] = {}
    for name, rule in rules.items():
        if rule.measures not in models:
            try:
                models[rule.measures] = fit_prediction(rule.measures, data)
            except ModelError:
                models[rule.measures] = None
        model = models[rule.measures]
        fitted[name] = GO_ON if model is None else rule.read(model, data, stakes)
    return fitted


def fit_prediction(measures: tuple[Measure, ...], data: pd.DataFrame) -> FittedPrediction:
    """Fit the chance of success to the measures, with a random effect of lots.

    A measure that never differs in these rows has no slope. Raises ModelError where the rows do not
    identify the model.
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
        centre,
        scale,
        model.fe_params,
        model.cov_fe,
        float(model.vcomp["variance"].sum()),
    )


@dataclass(frozen=True)
class FittedPrediction:
    """The chance of success, with the measures' slopes and the lots' effects.

    Those of a new lot and the uncertainty of the slopes are integrated out. Scaling and the value
    put in for a missing measurement (the mean) come from the training rows.
    """

    centre: pd.Series  # centre, scale: of each measure in the training rows
    scale: pd.Series
    # ``Intercept`` and the slope of each measure per standard deviation, on the logit scale
    coefficients: pd.Series
    covariance: pd.DataFrame  # of the coefficients
    lot_variance: float  # of the lots' effects

    def design(self, data: pd.DataFrame) -> np.ndarray:
        """Return the model's columns (n, p) for some blanks."""
        terms = self.coefficients.index[1:]
        x = ((data[terms].astype(float) - self.centre[terms]) / self.scale[terms]).fillna(0.0)
        return np.column_stack([np.ones(len(x)), x.to_numpy()])

    def drawn_chances(self, data: pd.DataFrame, draws: int, seed: int) -> np.ndarray:
        """Draw each blank's chance of success in new lots, by coefficients; (draws, n)."""
        rng = np.random.default_rng(seed)
        root = np.linalg.cholesky(self.covariance.to_numpy())
        noise = rng.standard_normal((draws, len(root)))
        logit = (self.coefficients.to_numpy() + noise @ root.T) @ self.design(data).T
        spread = np.sqrt(self.lot_variance)
        return np.asarray(
            sum(w * expit(logit + spread * z) for z, w in zip(_NODES, _WEIGHTS, strict=True))
        )

    def chance(self, data: pd.DataFrame) -> np.ndarray:
        """Return each blank's chance of success in a lot that was not in the training rows."""
        return self.chance_at(self.design(data))

    def chance_at(self, design: np.ndarray) -> np.ndarray:
        """Return the same for rows of `design`."""
        logit = design @ self.coefficients.to_numpy()
        variance = np.einsum("ij,jk,ik->i", design, self.covariance.to_numpy(), design)
        spread = np.sqrt(variance + self.lot_variance)
        at_node = expit(logit[:, None] + spread[:, None] * _NODES)
        return np.asarray(at_node @ _WEIGHTS)


@dataclass(frozen=True)
class Sign:
    """What can be seen of a blank: something that is there, or a measure from an edge on."""

    measure: Measure
    edge: float  # included
    above: bool = True  # whether the sign is there from the edge upwards; else downwards

    def shows(self, data: pd.DataFrame) -> np.ndarray:
        """Return which rows have it; what was not measured has not."""
        value = data[self.measure.column].astype(float).to_numpy()
        beyond = value >= self.edge - 1e-9 if self.above else value <= self.edge + 1e-9
        return np.asarray(beyond)

    def __str__(self) -> str:
        measure, away = self.measure, abs(self.edge - self.measure.usual)
        if measure.flag:
            return measure.says
        edge = f"{away:g} {measure.unit}".strip()
        if measure.words:
            edge = measure.words[int(self.edge)]
        phrase = measure.more if self.above else measure.less
        return phrase.format(says=measure.says, edge=edge, percent=100 * away)


@dataclass(frozen=True)
class Signs:
    """Stop blanks by signs that are seen at the bench: one, or several that come together.

    Signs are added one by one, each time that which saves most on the training rows after its
    minutes of measuring are paid, as long as one saves enough to be noticed.
    """

    measures: tuple[Measure, ...]
    together: int = 1  # how many signs a blank must have at once, at most: 1 or 2

    def read(self, model: FittedPrediction, data: pd.DataFrame, stakes: Stakes) -> FittedSigns:
        """Search for signs, judging each by the chances that the model gives."""
        signs = [sign for m in self.measures for sign in _signs(m, data)]
        if not signs:
            return GO_ON
        shown = np.array([sign.shows(data) for sign in signs], dtype=float)
        saved = stakes.saving(np.zeros(len(data), dtype=bool), model.chance(data))
        chosen: list[tuple[Sign, ...]] = []
        for _ in range(_MOST):
            paid = {sign.measure for group in chosen for sign in group}
            price = stakes.minute * len(data) * _minutes_more(signs, paid)
            worth = _worth(signs, shown, saved, self.together) - price
            i, j = np.unravel_index(int(worth.argmax()), worth.shape)
            if worth[i, j] <= stakes.notice * len(data):
                break
            chosen.append((signs[i],) if i == j else (signs[min(i, j)], signs[max(i, j)]))
            saved = np.where((shown[i] > 0) & (shown[j] > 0), 0.0, saved)
        return FittedSigns(tuple(chosen), model)


def _worth(
    signs: Sequence[Sign], shown: np.ndarray, saved: np.ndarray, together: int
) -> np.ndarray:
    """Sum what stopping saves over the rows with each sign, and with each two of them; (s, s)."""
    worth = np.full((len(signs), len(signs)), -np.inf)
    if together > 1:
        column = np.array([sign.measure.column for sign in signs])
        both = column[:, None] != column
        worth[both] = ((shown * saved) @ shown.T)[both]
    np.fill_diagonal(worth, shown @ saved)
    return worth


def _minutes_more(signs: Sequence[Sign], paid: set[Measure]) -> np.ndarray:
    """Return the minutes of measuring that each sign, and each two, add to those paid; (s, s)."""
    own = np.array([0.0 if sign.measure in paid else sign.measure.minutes for sign in signs])
    column = np.array([sign.measure.column for sign in signs])
    return np.where(column[:, None] == column, own[:, None], own[:, None] + own)


@dataclass(frozen=True)
class FittedSigns:
    """A fitted `Signs`."""

    # a blank with every sign of one group is stopped. None of them when none saved enough on the
    # training rows.
    groups: tuple[tuple[Sign, ...], ...]
    model: FittedPrediction | None = None  # what they were chosen by

    @property
    def minutes(self) -> float:
        """Minutes of measuring that it takes for each blank."""
        used = {sign.measure for group in self.groups for sign in group}
        return sum(measure.minutes for measure in used)

    def keep(self, data: pd.DataFrame) -> np.ndarray:
        """Return for each row whether to go on with it."""
        kept = np.ones(len(data), dtype=bool)
        for group in self.groups:
            kept &= ~np.all([sign.shows(data) for sign in group], axis=0)
        return kept

    def expected(self, data: pd.DataFrame, stakes: Stakes, seed: int = 1) -> np.ndarray:
        """Draw what it saves a blank by its own model, on the rows that it was chosen on.

        Each draw is the mean saving over the rows, with coefficients from the normal at their
        estimates.
        """
        stopped = data[~self.keep(data)]
        if self.model is None or stopped.empty:
            return np.zeros(_DRAWS)
        going_on = np.array(
            [
                np.sum(stakes.saving(np.zeros(len(stopped), dtype=bool), chance))
                for chance in self.model.drawn_chances(stopped, _DRAWS, seed)
            ]
        )
        return going_on / len(data) - stakes.minute * self.minutes

    def sentence(self) -> str:
        """Say which blanks to stop, as it follows the word with."""
        return ", or with ".join(" and ".join(map(str, group)) for group in self.groups)


GO_ON = FittedSigns(())
"""The rule to beat: measure nothing and go on with every blank."""


def _signs(measure: Measure, data: pd.DataFrame) -> Sequence[Sign]:
    """Return the signs of one measure that are worth trying on these rows."""
    value = data[measure.column].astype(float).dropna().to_numpy()
    if len(value) == 0:
        return []
    if measure.flag:
        return [Sign(measure, 1.0)]

    def edges(shares: Sequence[float]) -> list[float]:
        steps = np.quantile(value, shares) / measure.step
        return sorted({round(measure.step * round(q), 10) for q in steps})

    highs = [Sign(measure, edge) for edge in edges([1 - share for share in _TRIED])]
    lows = [Sign(measure, edge, above=False) for edge in edges(_TRIED)] if measure.two_sided else []
    # An edge on the usual side of the usual cannot be said, and would stop most of the blanks.
    return [s for s in highs if s.edge > measure.usual] + [
        s for s in lows if s.edge < measure.usual
    ]
