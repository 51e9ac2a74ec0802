"""A trial at the bench: the one way to know what a setting of gouge or scrape does.

Records show association, because a maker changes the gouge when it is winter. A trial breaks the
tie: blanks of one lot, taken two at a time in the order in which they are made; chance decides
which of each pair gets which setting; whoever judges sees a number and nothing else.

The folder of a trial holds three sheets and a plan:

``bench.csv``
    What the maker works from: order, pair, setting; to fill in: reed, rough_min, finish_min.
``judge.csv``
    What the judge works from: a random three-digit code and nothing that tells the setting; to
    fill in: outcome, judge, judged_on. Three digits at random are usual in sensory tests.
``key/key.csv``
    Which code belongs to which blank. A second person ties the numbers on, or the maker does it
    long before judging; it stays shut until every verdict is down.
``plan.toml``
    The lot, the two settings, the seed and what the trial was meant to be able to tell.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.errors import DecisionError, RecordError
from reedlab.records import Settings
from reedlab.records.findings import Findings
from reedlab.records.parsing import parse_table
from reedlab.records.reading import as_table, read_csv
from reedlab.records.store import beside, write_table, write_text
from reedlab.records.tables import TABLES, Column, Table

BENCH, JUDGE, KEY, PLAN = "bench.csv", "judge.csv", "key/key.csv", "plan.toml"
LOST = ("given_up", "broken")


@dataclass(frozen=True)
class Plan:
    """What a trial compares, and what it was meant to be able to tell.

    Attributes
    ----------
    lot : str
        The one lot from which every blank comes.
    settings : tuple of str
        The two settings in the maker's words; effects are told as the first against the second.
    blanks : int
        Even, ten or more.
    seed : int
        What the random order was drawn from, so that anyone can draw it again.
    usual_success : float
        Share of blanks that turn out good today, for the number needed.
    success_difference : float
        The smallest difference in that share that would change what the maker does.
    minutes_ratio : float
        The smallest ratio of scraping minutes that would.
    log_minutes_sd : float
        Standard deviation of log minutes from reed to reed within a lot.
    """

    lot: str
    settings: tuple[str, str]
    blanks: int = 20
    seed: int = 1
    usual_success: float = 0.6
    success_difference: float = 0.2
    minutes_ratio: float = 1.15
    log_minutes_sd: float = 0.25

    def __post_init__(self) -> None:
        if self.blanks < 10 or self.blanks % 2:
            raise DecisionError(
                f"A trial needs an even number of blanks, ten or more, not {self.blanks}."
            )
        if len(set(self.settings)) != 2 or not all(s.strip() for s in self.settings):
            raise DecisionError("A trial compares two settings with different names: name both.")
        if not 0 < self.usual_success < 1 or not 0 < self.success_difference < 1:
            raise DecisionError(
                "The usual share of good reeds and the difference that would matter lie between "
                "0 and 1: give 0.2 for twenty points."
            )
        if self.minutes_ratio <= 0 or self.minutes_ratio == 1 or self.log_minutes_sd <= 0:
            raise DecisionError(
                "The ratio of minutes that would matter must be positive and not 1, and the "
                "spread of log minutes positive."
            )


def draw(plan: Plan) -> pd.DataFrame:
    """Draw the random order and the codes of a trial.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    pandas.DataFrame
        One row a blank in the order of making: ``order``, ``pair``, ``setting``, ``code``.

    Examples
    --------
    >>> frame = draw(Plan("L07", ("tip 0.10 mm", "tip 0.12 mm"), blanks=10, seed=3))
    >>> frame.groupby("pair")["setting"].nunique().unique().tolist()
    [2]
    """
    rng = np.random.default_rng(plan.seed)
    first = rng.integers(2, size=plan.blanks // 2)
    setting = np.column_stack([first, 1 - first]).ravel()
    codes = rng.choice(np.arange(100, 1000), size=plan.blanks, replace=False)
    order = np.arange(1, plan.blanks + 1)
    return pd.DataFrame(
        {
            "order": order,
            "pair": (order + 1) // 2,
            "setting": np.array(plan.settings, dtype=object)[setting],
            "code": codes,
        }
    )


def number_needed(plan: Plan, *, significance: float = 0.05, power: float = 0.8) -> pd.DataFrame:
    """Count the blanks that it takes to tell the difference that would matter.

    Success is counted by the arcsine difference of two proportions (Cohen 1988, chapter 6),
    minutes by the t test on pairs of log minutes (chapter 2), both two-sided.

    Parameters
    ----------
    plan : Plan
        Its ``blanks`` give what can be told with as many as that.
    significance, power : float
        The usual 5 and 80 per cent.

    Returns
    -------
    pandas.DataFrame
        Rows ``success`` and ``minutes``: ``difference`` (in share, or as a ratio),
        ``blanks_needed`` (both settings together) and ``tells`` (the smallest difference that
        the planned number tells; NaN if none does).

    Examples
    --------
    >>> number_needed(Plan("L07", ("thin", "thick"), blanks=20))["blanks_needed"].tolist()
    [162, 106]
    """
    from scipy.optimize import brentq
    from statsmodels.stats.power import NormalIndPower, TTestPower
    from statsmodels.stats.proportion import proportion_effectsize

    aims = {"alpha": significance, "power": power}
    better = min(plan.usual_success + plan.success_difference, 1.0)
    h = abs(proportion_effectsize(better, plan.usual_success))
    per_setting = NormalIndPower().solve_power(effect_size=h, **aims)
    seen_h = NormalIndPower().solve_power(nobs1=plan.blanks / 2, **aims)
    top = proportion_effectsize(1.0, plan.usual_success)
    seen_success = math.nan
    if seen_h <= top:
        seen = brentq(
            lambda p: proportion_effectsize(p, plan.usual_success) - seen_h, plan.usual_success, 1
        )
        seen_success = seen - plan.usual_success

    pair_sd = plan.log_minutes_sd * math.sqrt(2)
    pairs = TTestPower().solve_power(
        effect_size=abs(math.log(plan.minutes_ratio)) / pair_sd, **aims
    )
    seen_d = TTestPower().solve_power(nobs=plan.blanks / 2, **aims)
    return pd.DataFrame(
        {
            "difference": [plan.success_difference, plan.minutes_ratio],
            "blanks_needed": [2 * math.ceil(per_setting), 2 * math.ceil(pairs)],
            "tells": [seen_success, math.exp(seen_d * pair_sd)],
        },
        index=pd.Index(["success", "minutes"], name="measure"),
    )


def write_trial(plan: Plan, folder: str | Path) -> Path:
    """Write the sheets of a trial into a new folder.

    Parameters
    ----------
    plan : Plan
    folder : path
        Must not exist yet: a trial under way is never written over.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    WriteError
        When the folder exists or cannot be made.
    """
    drawn = draw(plan)
    to_make = drawn[["order", "pair", "setting"]]
    to_judge = drawn[["code"]].sort_values("code", ignore_index=True)
    with beside(folder) as fresh:
        write_table(to_make.assign(reed="", rough_min="", finish_min="", note=""), fresh / BENCH)
        write_table(to_judge.assign(outcome="", judge="", judged_on="", note=""), fresh / JUDGE)
        write_table(drawn[["order", "code"]], fresh / KEY)
        write_text(_as_toml(plan), fresh / PLAN)
    return Path(folder)


def _as_toml(plan: Plan) -> str:
    values = {"format": 1, **asdict(plan), "settings": list(plan.settings)}
    lines = [f"{name} = {json.dumps(v, ensure_ascii=False)}" for name, v in values.items()]
    return (
        "# A trial of two settings on blanks of one lot, written by reedlab: do not change it.\n"
        + "\n".join(lines)
        + "\n"
    )


@dataclass(frozen=True)
class Trial:
    """A trial read back.

    Attributes
    ----------
    plan : Plan
        What was planned.
    reeds : pandas.DataFrame
        One row a blank: ``order``, ``pair``, ``setting``, ``code``, ``reed``, ``outcome``,
        ``success`` (1, 0, missing while pending), ``scrape_min`` (rough and finish together,
        missing for a blank that was lost on the way).
    """

    plan: Plan
    reeds: pd.DataFrame


def read_trial(folder: str | Path, success: Iterable[str] = ("good",)) -> Trial:
    """Read a trial's sheets as far as they are filled in.

    Parameters
    ----------
    folder : path
        As `write_trial` made it.
    success : iterable of str
        The outcomes that count as success.

    Returns
    -------
    Trial

    Raises
    ------
    RecordError
        When a sheet is missing or changed in what reedlab wrote, or a verdict or a number of
        minutes cannot be read; the sentence names the file and the line.
    """
    folder = Path(folder)
    plan = _read_plan(folder / PLAN)
    bench, judge, key = (_read_sheet(folder / name) for name in (BENCH, JUDGE, KEY))
    reeds = bench.merge(key, on="order", how="outer").merge(
        judge[["code", "outcome"]], on="code", how="outer"
    )
    settings = reeds.groupby("pair")["setting"].agg(set)
    if len(reeds) != plan.blanks or not all(s == set(plan.settings) for s in settings):
        raise RecordError(
            f"The sheets in {folder} no longer hold the {plan.blanks} blanks that were drawn: put "
            "the columns order, pair, setting and code back as they were."
        )
    outcome = reeds["outcome"].astype(object)
    judged, lost = outcome.notna(), outcome.isin(LOST)
    return Trial(
        plan,
        pd.DataFrame(
            {
                "order": reeds["order"].astype(int),
                "pair": reeds["pair"].astype(int),
                "setting": pd.Categorical(reeds["setting"], categories=list(plan.settings)),
                "code": reeds["code"].astype(int),
                "reed": reeds["reed"],
                "outcome": reeds["outcome"],
                "success": outcome.isin(set(success)).astype(float).where(judged),
                "scrape_min": (reeds["rough_min"] + reeds["finish_min"]).mask(lost),
            }
        ),
    )


def _read_plan(path: Path) -> Plan:
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        names = {field.name for field in fields(Plan)}
        known = {name: value for name, value in values.items() if name in names}
        return Plan(**{**known, "settings": tuple(known["settings"])})
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise RecordError(
            f"{path} is missing or no longer as reedlab wrote it, so there is no trial to read."
        ) from error


def _read_sheet(path: Path) -> pd.DataFrame:
    """Read one sheet in whatever way a spreadsheet saved it; the first trouble is raised."""
    table, found, defaults = _SHEETS[path.name], Findings(), Settings()
    sheet = read_csv(path, table, defaults, found)
    if sheet is not None:
        rows = as_table(sheet, table, defaults, found)
        typed = parse_table(table, rows, defaults, found, comma_decimal=sheet.comma_decimal)
    errors = found.frame().query("severity == 'error'")
    if len(errors):
        first = errors.iloc[0]
        cell = f"row {first['row']}, {first['column']}, {first['value']!r}: "
        where = cell if first["column"] else ""
        raise RecordError(f"{path}: {where}{first['problem']}; {first['mend']}.")
    return typed


_REEDS = TABLES["reeds"].columns


def _sheet(name: str, says: str, *columns: Column) -> Table:
    return Table(name, says, {column.name: column for column in columns})


_SHEETS = {
    "bench.csv": _sheet(
        "bench",
        "a blank of a trial, as the maker works on it",
        Column("order", "number", "the order of making", needed=True),
        Column("pair", "number", "which two belong together", needed=True),
        Column("setting", "text", "how to make it", needed=True),
        *(_REEDS[name] for name in ("reed", "rough_min", "finish_min", "note")),
    ),
    "judge.csv": _sheet(
        "judge",
        "a finished reed of a trial, as the judge sees it",
        Column("code", "number", "the number tied to it", needed=True),
        *(_REEDS[name] for name in ("outcome", "judge", "judged_on", "note")),
    ),
    "key.csv": _sheet(
        "key",
        "which number belongs to which blank",
        Column("order", "number", "the order of making", needed=True),
        Column("code", "number", "the number tied to it", needed=True),
    ),
}


@dataclass(frozen=True)
class TrialAnswer:
    """What a trial showed.

    Attributes
    ----------
    plan : Plan
        The first trial's plan; its settings name the two sides.
    effects : pandas.DataFrame
        Rows ``success`` (a difference of shares) and ``minutes`` (a ratio), the first setting
        against the second: ``pairs`` (with both sides known), ``first``, ``second`` (share good;
        geometric mean minutes), ``effect``, ``low``, ``high``, ``p``.
    needed : pandas.DataFrame
        As `number_needed` gives it.
    blanks, pending : int
        How many blanks were drawn, and how many of them have no verdict yet.
    level : float
        Of the intervals.
    """

    plan: Plan
    effects: pd.DataFrame
    needed: pd.DataFrame
    blanks: int
    pending: int
    level: float

    def sentence(self) -> str:
        """Say what the trial showed and what to do next."""
        return " ".join([self._about("success"), self._about("minutes"), self._next()]).strip()

    def _about(self, measure: str) -> str:
        row = self.effects.loc[measure]
        first, second = self.plan.settings
        if not math.isfinite(row["low"]):
            what = "verdicts" if measure == "success" else "finished minutes"
            return f"Both {what} are known of {row['pairs']:.0f} pairs, and it takes five."
        if measure == "success":
            return (
                f"Of {row['pairs']:.0f} pairs, {_percent(row['first'])} turned out good with "
                f"{first} and {_percent(row['second'])} with {second}: {_points(row['effect'])} "
                f"({self.level:.0%} interval {_points(row['low'])} to {_points(row['high'])})."
            )
        return (
            f"Scraping took {row['first']:.0f} minutes with {first} and {row['second']:.0f} with "
            f"{second}: {row['effect']:.2f} times as long ({row['low']:.2f} to "
            f"{row['high']:.2f})."
        )

    def _next(self) -> str:
        if self.pending > self.blanks / 2:
            return "Cannot tell yet: have the rest judged before anyone opens the key."
        row, matters = self.effects.loc["success"], self.plan.success_difference
        first, second = self.plan.settings
        more = int(self.needed.loc["success", "blanks_needed"]) - self.blanks
        if row["low"] > 0 or row["high"] < 0:
            better = first if row["low"] > 0 else second
            return f"Work this lot with {better}, and try it on a second lot before relying on it."
        if row["low"] > -matters and row["high"] < matters:
            return "The two do alike within what would matter: choose by the time they take."
        more = max(more, 10)
        return (
            "Cannot tell which does better: a difference of "
            f"{_points(matters, signed=False)} takes about {more} blanks more; write another "
            "trial of the same two settings and read both together."
        )


def analyse(*trials: Trial, level: float = 0.95) -> TrialAnswer:
    """Analyse one trial, or several of the same two settings together, as pairs.

    A randomised block design with blocks of two. Success: the difference of paired shares with
    Newcombe's square-and-add interval (1998, Stat Med 17:2635-2650, method 10) and McNemar's
    mid-p (Fagerland, Lydersen and Laake 2013). Minutes: the mean difference of logs within pairs
    with its t interval, and the p-value of the randomisation itself: how often flipping the coins
    of the draw gives as great a difference. A blank that was lost counts as not good; minutes
    are compared over pairs of which neither was lost.

    Parameters
    ----------
    *trials : Trial
        Read by `read_trial`.
    level : float
        Of the intervals.

    Returns
    -------
    TrialAnswer

    Raises
    ------
    DecisionError
        When the trials compare different settings.
    """
    if len({frozenset(trial.plan.settings) for trial in trials}) != 1:
        raise DecisionError("Only trials of the same two settings can be read together.")
    plan = trials[0].plan
    stacked = pd.concat([t.reeds for t in trials], keys=range(len(trials)), names=["trial", None])

    def sides(column: str) -> np.ndarray:
        wide = stacked.astype({"setting": str}).pivot_table(
            index=["trial", "pair"], columns="setting", values=column, dropna=False
        )
        wide = wide.reindex(columns=list(plan.settings))
        return wide.dropna().to_numpy()

    effects = pd.DataFrame(
        [
            paired_difference(*sides("success").T, level=level),
            paired_ratio(*sides("scrape_min").T, level=level),
        ],
        index=pd.Index(["success", "minutes"], name="measure"),
    )
    return TrialAnswer(
        plan,
        effects,
        number_needed(plan),
        blanks=len(stacked),
        pending=int(stacked["success"].isna().sum()),
        level=level,
    )


def paired_difference(
    first: np.ndarray, second: np.ndarray, *, level: float = 0.95
) -> dict[str, float]:
    """Compare two shares over pairs.

    Parameters
    ----------
    first, second : ndarray of 0 and 1, shape (pairs,)
    level : float

    Returns
    -------
    dict
        ``pairs``, ``first``, ``second``, ``effect`` (their difference), ``low``, ``high``, ``p``;
        the last three missing below five pairs.

    Examples
    --------
    Airway hyper-responsiveness before and after a transplant (Bentur et al. 2009, as worked in
    Fagerland, Lydersen and Laake 2014, Stat Med 33:2850-2875).

    >>> import numpy as np
    >>> before = np.repeat([1, 1, 0, 0], [1, 1, 7, 12])
    >>> after = np.repeat([1, 0, 1, 0], [1, 1, 7, 12])
    >>> found = paired_difference(before, after)
    >>> [round(float(found[name]), 3) for name in ("effect", "low", "high", "p")]
    [-0.286, -0.507, -0.026, 0.039]
    """
    from scipy.stats import binom
    from statsmodels.stats.proportion import proportion_confint

    n = len(first)
    if n == 0:
        return _nothing(0)
    p1, p2 = first.mean(), second.mean()
    found = {"pairs": n, "first": p1, "second": p2, "effect": p1 - p2}
    if n < 5:
        return {**_nothing(n), **found}
    l1, u1 = proportion_confint(first.sum(), n, 1 - level, method="wilson")
    l2, u2 = proportion_confint(second.sum(), n, 1 - level, method="wilson")
    spread = math.sqrt(p1 * (1 - p1) * p2 * (1 - p2))
    covariance = float(np.mean(first * second) - p1 * p2)
    if covariance > 0:  # method 10's continuity correction of the correlation
        covariance = max(covariance - 1 / (2 * n), 0.0)
    phi = covariance / spread if spread > 0 else 0.0
    down = (p1 - l1) ** 2 - 2 * phi * (p1 - l1) * (u2 - p2) + (u2 - p2) ** 2
    up = (u1 - p1) ** 2 - 2 * phi * (u1 - p1) * (p2 - l2) + (p2 - l2) ** 2
    apart = int(np.sum(first != second))
    fewer = int(min(np.sum(first > second), np.sum(first < second)))
    p = 2 * binom.cdf(fewer, apart, 0.5) - binom.pmf(fewer, apart, 0.5)
    return {
        **found,
        "low": p1 - p2 - math.sqrt(down),
        "high": p1 - p2 + math.sqrt(up),
        "p": min(float(p), 1.0),
    }


def paired_ratio(first: np.ndarray, second: np.ndarray, *, level: float = 0.95) -> dict[str, float]:
    """Compare minutes over pairs, as a ratio.

    Parameters
    ----------
    first, second : ndarray of minutes, shape (pairs,)
    level : float

    Returns
    -------
    dict
        ``pairs``, ``first``, ``second`` (geometric means), ``effect`` (their ratio), ``low``,
        ``high`` (t interval on logs), ``p`` (randomisation, two-sided); the last three missing
        below five pairs.

    Examples
    --------
    Two materials for the soles of ten boys' shoes (Box, Hunter and Hunter 1978, chapter 4, on
    logs here).

    >>> import numpy as np
    >>> a = np.array([13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3])
    >>> b = np.array([14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6])
    >>> round(float(paired_ratio(b, a)["effect"]), 3)
    1.038
    """
    from scipy.stats import permutation_test, sem, t

    n = len(first)
    if n == 0:
        return _nothing(0)
    difference = np.log(first) - np.log(second)
    found = {
        "pairs": n,
        "first": math.exp(np.log(first).mean()),
        "second": math.exp(np.log(second).mean()),
        "effect": math.exp(difference.mean()),
    }
    if n < 5:
        return {**_nothing(n), **found}
    reach = t.ppf((1 + level) / 2, n - 1) * sem(difference)
    low, high = difference.mean() - reach, difference.mean() + reach
    flips = permutation_test(
        (difference,),
        np.mean,
        permutation_type="samples",
        n_resamples=16_384,
        vectorized=True,
        rng=np.random.default_rng(0),
    )
    return {**found, "low": math.exp(low), "high": math.exp(high), "p": float(flips.pvalue)}


def _nothing(pairs: int) -> dict[str, float]:
    names = ("first", "second", "effect", "low", "high", "p")
    return {"pairs": pairs, **dict.fromkeys(names, math.nan)}


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _points(difference: float, *, signed: bool = True) -> str:
    number = f"{100 * difference:+.0f}" if signed else f"{100 * difference:.0f}"
    return f"{number.replace('-', '−')} points"
