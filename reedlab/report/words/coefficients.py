"""A model's coefficients in words: as ratios, with intervals, and in a sentence."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.conditions.measured_or_not import Unmeasured
from reedlab.decide.evidence import YEARS, listed
from reedlab.decide.shared_models.cane_slopes import step_of
from reedlab.records import tables as columns
from reedlab.report.words.numbers import heading, number, percent, span

_SCALED = re.compile(r"scale\((\w+)\)")
_WHOSE = {"maker": "maker "}
_LEVEL = re.compile(r"(\w+)\[(?:T\.)?(.+)\]")


def ratios(summary: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """Turn coefficients on a log scale (log odds, log minutes) into ratios, with their intervals.

    Parameters
    ----------
    summary : pandas.DataFrame
        What ``fit.posterior().summary()`` gives: mean, sd, low, high, one row a parameter.
    frame : pandas.DataFrame
        The rows the model was fitted to; factors are named against their first level.

    Returns
    -------
    pandas.DataFrame
        ``effect`` (in words), ``ratio``, ``low``, ``high``; without the intercept and the standard
        deviations. Slopes between and within lots are for the step of their property.

    Examples
    --------
    >>> summary = pd.DataFrame({"mean": [0.0, 0.7], "low": [-1.0, 0.2], "high": [1.0, 1.2]},
    ...                        index=["Intercept", "season[T.winter]"])
    >>> season = pd.Categorical(["summer", "winter"])
    >>> print(ratios(summary, pd.DataFrame({"season": season})).round(2).to_string(index=False))
                      effect  ratio  low  high
    winter instead of summer   2.01 1.22  3.32
    """
    fixed = [
        name
        for name in summary.index
        if name != "Intercept" and not name.startswith(("sd ", "cor "))
    ]
    steps = pd.Series({name: step_of(name)[0] for name in fixed}, dtype=float)
    logs = summary.loc[fixed, ["mean", "low", "high"]].mul(steps, axis=0)
    part = logs.apply(np.exp).rename(columns={"mean": "ratio"})
    part.insert(0, "effect", effects_in_words(fixed, frame))
    return part.reset_index(drop=True)


def both_in_words(answer: Unmeasured) -> pd.DataFrame:
    """Say in words what each odds ratio of `Unmeasured.table` compares: ``effect``.

    An effect is left out where the measured reeds compare it with another first level than all of
    them do.
    """
    table = answer.table.rename(columns={"parameter": "effect"})
    if table.empty:
        return table
    measured = answer.reeds.dropna(subset=[answer.column])
    both = [effects_in_words(table["effect"], reeds) for reeds in (answer.reeds, measured)]
    alike = [one == other for one, other in zip(*both)]
    return table.assign(effect=both[0])[alike].reset_index(drop=True)


def effects_in_words(names: Iterable[str], frame: pd.DataFrame) -> list[str]:
    """Say what each coefficient of a model compares.

    Beside a product with the years from today, what a level alone compares is how it is today, and
    the years alone are those of the first level.

    Parameters
    ----------
    names : iterable of str
        The parameters of one model; a standard deviation keeps its name.
    frame : pandas.DataFrame
        The rows the model was fitted to; factors are named against their first level.

    Returns
    -------
    list of str

    Examples
    --------
    >>> frame = pd.DataFrame({"maker": pd.Categorical(["KL", "RS"])})
    >>> years = "years_from_today"
    >>> for says in effects_in_words(["maker[T.RS]", years, f"maker[T.RS]:{years}"], frame):
    ...     print(says)
    maker RS instead of KL, today
    one year later, maker KL
    maker RS instead of KL: change in a year
    """
    names = [*names]
    words = {name: in_words(name, frame) for name in names}
    for name in names:
        level, changing = _LEVEL.fullmatch(name), f"{name}:{YEARS}"
        if level and changing in words:
            words[changing] = f"{words[name]}: change in a year"
            words[name] += ", today"
            first = f"{_WHOSE.get(level[1], '')}{_first(level[1], frame)}"
            words[YEARS] = f"{in_words(YEARS, frame)}, {first}"
    return [words[name] for name in names]


def in_words(name: str, frame: pd.DataFrame) -> str:
    """Say what a coefficient compares.

    Examples
    --------
    >>> in_words("scale(gouge_centre_mm)", pd.DataFrame())
    'one standard deviation more gouge centre'
    """
    if scaled := _SCALED.fullmatch(name):
        return f"one standard deviation more {columns.in_words(scaled[1])}"
    if says := step_of(name)[1]:
        return says
    if name == YEARS:
        return "one year later"
    if level := _LEVEL.fullmatch(name):
        return f"{_WHOSE.get(level[1], '')}{level[2]} instead of {_first(level[1], frame)}"
    return heading(name)


def _first(column: str, frame: pd.DataFrame) -> str:
    levels = frame[column].astype("category").cat.remove_unused_categories()
    return str(levels.cat.categories[0])


def sentence(effects: pd.DataFrame, what: str, record: str, level: float = 0.95) -> str:
    """Say which differences are clear, and what to record about those that are not.

    A model of records shows association, and the sentence claims no cause. An effect is clear when
    its interval, as it is printed, excludes 1.

    Parameters
    ----------
    effects : pandas.DataFrame
        What `ratios` gave.
    what : str
        What the ratios are of, such as "the odds of a good reed".
    record : str
        What to record, in the imperative.
    level : float
        Of the intervals, for the words.
    """
    rows = effects.to_dict("records")
    clear = [row for row in rows if round(row["low"], 2) > 1 or round(row["high"], 2) < 1]
    open_ = [row["effect"] for row in rows if row not in clear]
    said = []
    if clear:
        named = [
            f"{row['effect']}: {number(row['ratio'])} times ({span(row['low'], row['high'], 2)})"
            for row in clear
        ]
        each = f"{percent(level)} intervals, each taken alone"
        said.append(f"Clear differences in {what} ({each}): {listed(named)}.")
    else:
        said.append(f"No clear difference in {what}.")
    if open_:
        said.append(f"Not clear from these records: {listed(open_)}. {record}")
    return " ".join(said)


def typical(post: Any) -> tuple[float, float, float]:
    """Return the median response in a middle lot, for a model of a logarithm, with its interval.

    Half of a middle lot's reeds are below it. The mean over reeds and lots is somewhat higher, and
    single reeds vary far more than this interval.

    Parameters
    ----------
    post : Posterior
        Of a Gaussian model whose response is a logarithm.

    Returns
    -------
    tuple of float
        Median, low, high (95 %), in the unit under the logarithm.
    """
    design = post.design
    average = post.draws()[list(design.fixed_names)].to_numpy() @ design.X.mean(axis=0)
    middle, low, high = np.exp(np.quantile(average, [0.5, 0.025, 0.975]))
    return float(middle), float(low), float(high)
