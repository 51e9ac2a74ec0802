"""Residuals summed where a departure would show: by lot, by bins of a predictor, over time.

The residual of a single 0/1 outcome says next to nothing, and its quantile residual is uniform
whatever curve the model lacks. Sums of residuals over many reeds do speak (Gelman and Hill 2007,
section 5.6): each check adds up the squares of its bins' sums, each in units of its own variance,
and is held against the same statistic of responses simulated from the fit. Every simulated response
is fitted in its turn (coefficients and groups' effects; θ is held), so that what a fit takes out of
its residuals is taken out of the simulated ones too.

A check that does not alarm has said something only if it would have alarmed. So each has its power
against a stated departure, from further simulations.

References
----------
Gelman, A. and Hill, J. (2007). Data Analysis Using Regression and Multilevel/Hierarchical Models,
Cambridge University Press. Landwehr, J. M., Pregibon, D. and Shoemaker, A. C. (1984). Graphical
methods for assessing logistic regression models. Journal of the American Statistical Association
79, 61-71.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.errors import DataError, ModelError
from reedlab.mixed.ask.cautions import refuse_unusable
from reedlab.mixed.design.columns import plain
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.engine import binomial
from reedlab.mixed.engine.cells import cells_of, same_rows
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.glmm import likelihood_of
from reedlab.mixed.engine.laplace import find_mode
from reedlab.mixed.engine.ordinal import cut_parameters
from reedlab.mixed.engine.simulation import simulate
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior.many_modes import ManyModes, suits

_POWER = 100  # simulated departures a check
_ALARM = 0.05  # of a check, for its power; shared among the checks in the sentence
_CLOSE = 1e-6  # Newton decrement at which a simulated response counts as fitted
_WEAK = 0.5  # power under which a check that does not alarm says little


@dataclass(frozen=True)
class BinnedResiduals:
    """Sums of residuals by bins, with their tests.

    Attributes
    ----------
    bins : DataFrame
        One row a bin: check, bin (its range, or the level), centre (mean of what is binned; missing
        for levels), rows, observed and predicted (mean responses; of grades their place from 0),
        low and high (where the observed mean lies in 95 of 100 responses simulated from the fit).
    tests : DataFrame
        One row a check: bins, statistic, expected (its mean over simulated responses), p,
        departure (in words) and power (share of responses with that departure, at 5 %).
    """

    bins: pd.DataFrame
    tests: pd.DataFrame

    def __repr__(self) -> str:
        return f"{self.tests.to_string()}\n\n{self.sentence()}"

    def sentence(self) -> str:
        """Say which checks speak against the model, and which could hardly have done so."""
        limit = _ALARM / len(self.tests)
        alarms = self.tests[self.tests["p"] <= limit]
        says = "No sum of residuals speaks against the model."
        if len(alarms):
            found = ", ".join(f"{name} (p {p:.3f})" for name, p in alarms["p"].items())
            says = f"Sums of residuals speak against the model by {found}."
        weak = self.tests[(self.tests["power"] < _WEAK) & (self.tests["p"] > limit)]
        if len(weak):
            missed = "; ".join(
                f"by {name} {row['departure']} is found in {100 * row['power']:.0f} of 100"
                for name, row in weak.iterrows()
            )
            says += f" But these records would often miss what is wrong: {missed}."
        return says


@dataclass(frozen=True)
class _Check:
    """What one check sums over: each row's bin (-1 for none), names of bins, and what is binned.

    `bend` is the departure that its power is counted against, one value a row of mean 0 and
    standard deviation 1; none where levels differ at random.
    """

    name: str
    codes: np.ndarray
    labels: list[str]
    values: np.ndarray | None
    departure: str
    bend: np.ndarray | None

    def sums(self, rows: np.ndarray) -> np.ndarray:
        """Sum rows (n,) over each bin."""
        known = self.codes >= 0
        return np.bincount(self.codes[known], rows[known], len(self.labels))


def binned_residuals(
    fitted: Fitted,
    by: str | Sequence[str] = (),
    bins: int = 6,
    n: int = 250,
    seed: int = 1,
    *,
    departure: float | None = 0.5,
) -> BinnedResiduals:
    """Test residuals summed by group, by bins of each predictor and of the prediction, and by more.

    Parameters
    ----------
    by : str or sequence of str
        Further columns of the data: a day (``"tied_on"``) for what changes over time, a predictor
        that the model leaves out, or a grouping.
    bins : int
        Bins of a number or a day, of about equal counts.
    n : int
        Responses simulated from the fit for the null distribution.
    seed : int
        Of the simulations.
    departure : float, optional
        Size of the departure that each check's power is counted against: the standard deviation
        that it adds to the linear predictor, for a Gaussian model in units of the residual's.
        None counts no power, which takes most of the time.

    Returns
    -------
    BinnedResiduals

    Raises
    ------
    DataError
        When `by` names no column of the data, or one that cannot be binned.
    ModelError
        For fewer than two bins or 20 simulations, where there is nothing to sum over, or for a fit
        without finite estimates (separation).

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ density_g_cm3 + (1 | lot)", simulate_reeds()[0], "binomial")
    >>> model.binned_residuals(n=99).tests.index.tolist()
    ['lot', 'density_g_cm3', 'the prediction']
    """
    refuse_unusable(fitted, "Sums of residuals", groups=True)
    check_whole(bins, 2, "bins", "bins")
    check_whole(n, 20, "n", "simulated responses")
    checks = _checks(fitted, [by] if isinstance(by, str) else [*by], bins, departure)
    if not checks:
        raise ModelError(
            "The model has no grouping and no numeric predictor to sum residuals over: name a "
            "column in by=."
        )
    *seeds, last = np.random.SeedSequence(seed).spawn(n + 1)
    with one_thread():
        made = [simulate(fitted, np.random.default_rng(s)) for s in seeds]
        # The data's in one go with the simulated ones: bins whose sums a fit takes out altogether
        # hold what rounding leaves, which must be of one kind.
        ours, *rest = _residuals(fitted, [fitted.design.y, *made])
        null = np.array([row for row in rest if row is not None])
        if ours is None or len(null) < n / 2:
            raise ModelError(
                f"Only {len(null)} of {n} simulated responses could be fitted, too few to compare "
                "with: leave a term out of the model."
            )
        tables = [_one(fitted, check, ours, null, departure, last) for check in checks]
    return BinnedResiduals(
        pd.concat([bins for bins, _ in tables], ignore_index=True),
        pd.DataFrame([test for _, test in tables]).set_index("check"),
    )


def _one(
    fitted: Fitted,
    check: _Check,
    ours: np.ndarray,
    null: np.ndarray,
    departure: float | None,
    seed: np.random.SeedSequence,
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Bins and test of one check, from the data's residuals (n,) and simulated ones (S, n)."""
    sums = np.array([check.sums(row) for row in (ours, *null)])
    variance = np.mean(sums**2, axis=0)
    summed = variance > 0.0
    statistics = np.sum(sums[:, summed] ** 2 / variance[summed], axis=1)
    p = float(np.mean(statistics >= statistics[0] - 1e-9))  # the data are one of the n + 1
    limit, against = np.quantile(statistics[1:], 1.0 - _ALARM), []
    if departure:
        against = [_departed(fitted, check, departure, s) for s in seed.spawn(_POWER)]
    found = [
        float(np.sum(check.sums(row)[summed] ** 2 / variance[summed]) > limit)
        for row in _residuals(fitted, against)
        if row is not None
    ]
    design = fitted.design
    size = check.sums(np.ones(design.n) if design.trials is None else design.trials)
    rows = check.sums(np.ones(design.n)).astype(int)
    observed = check.sums(design.y) / size
    predicted = observed - sums[0] / size
    low, high = np.quantile(sums[1:], [0.025, 0.975], axis=0) / size
    centre = np.nan if check.values is None else check.sums(check.values) / rows
    bins = pd.DataFrame({"check": check.name, "bin": check.labels, "centre": centre, "rows": rows})
    bins["observed"], bins["predicted"] = observed, predicted
    bins["low"], bins["high"] = predicted + low, predicted + high
    test = {
        "check": check.name,
        "bins": len(check.labels),
        "statistic": float(statistics[0]),
        "expected": float(statistics[1:].mean()),
        "p": p,
        "departure": check.departure if departure else "",
        "power": float(np.mean(found)) if found else np.nan,
    }
    return bins, test


def _checks(fitted: Fitted, by: list[str], bins: int, departure: float | None) -> list[_Check]:
    """List what residuals are summed over: groupings, predictors, the prediction, what is asked."""
    data, recipe, checks = fitted.data, fitted.recipe, []
    unit = "residual sds" if fitted.family == "gaussian" else "on the logit scale"
    size = f"{departure:g} {unit}" if departure else ""
    missing = [column for column in by if column not in data.columns]
    if missing:
        raise DataError(f"The data have no column {missing[0]!r}: name one that they have.")
    for term in {term.group: term for term in fitted.design.terms}.values():
        checks.append(_of_levels(term.group, term.index, [*term.levels], size))
    numeric = [
        name
        for name, factor in recipe.dtypes.items()
        if not factor and pd.api.types.is_numeric_dtype(plain(data[name], name).dtype)
    ]
    for name in sorted(numeric):
        checks += _of_numbers(name, plain(data[name], name).astype(float), bins, size, True)
    eta = pd.Series(fitted.design.X @ fitted.beta)
    checks += _of_numbers("the prediction", eta, bins, size, True)
    for name in dict.fromkeys(by):
        if name in numeric:
            continue
        column = data[name]
        if column.dtype == object and pd.api.types.infer_dtype(column, skipna=True) == "date":
            column = pd.to_datetime(column)
        if pd.api.types.is_datetime64_any_dtype(column.dtype):
            days = (column - column.min()) / pd.Timedelta(days=1)
            checks += _of_numbers(name, days, bins, size, False, column)
        elif pd.api.types.is_numeric_dtype(plain(column, name).dtype):
            checks += _of_numbers(name, plain(column, name).astype(float), bins, size, False)
        else:
            codes, levels = pd.factorize(column, sort=True)
            checks.append(_of_levels(name, codes, [str(level) for level in levels], size))
    return checks


def _of_levels(name: str, codes: np.ndarray, labels: list[str], size: str) -> _Check:
    words = f"a further sd of {size} between levels"
    return _Check(name, np.asarray(codes), labels, None, words, None)


def _of_numbers(
    name: str,
    values: pd.Series,
    bins: int,
    size: str,
    in_model: bool,
    shown: pd.Series | None = None,
) -> list[_Check]:
    """Bin a number, or a day counted from the first; none where it has too few values to."""
    x = values.to_numpy(dtype=float)
    known = np.isfinite(x)
    distinct = np.unique(x[known])
    if len(distinct) < 2 + in_model:  # a straight line goes through two values whatever they are
        return []
    cuts = np.unique(np.quantile(x[known], np.linspace(0.0, 1.0, bins + 1)))[1:-1]
    if len(distinct) <= bins:
        cuts = distinct[1:]
    codes = np.full(len(x), -1)
    place = np.searchsorted(cuts, x[known], side="right")
    present, codes[known] = np.unique(place, return_inverse=True)
    what = pd.Series(x if shown is None else shown.to_numpy())
    ends = [(what[codes == b].min(), what[codes == b].max()) for b in range(len(present))]
    labels = [_span(low, high) for low, high in ends]
    z = np.zeros(len(x))
    z[known] = (x[known] - x[known].mean()) / x[known].std()
    bend = z.copy()
    if in_model:  # what a straight line in x leaves of x²
        base = np.column_stack([known, z])
        bend = z**2 - base @ np.linalg.lstsq(base, z**2, rcond=None)[0]
        bend /= max(float(bend[known].std()), 1e-12)
    words = f"a {'bend' if in_model else 'trend'} of sd {size}"
    return [_Check(name, codes, labels, np.where(known, x, 0.0), words, bend)]


def _span(low: Any, high: Any) -> str:
    if isinstance(low, pd.Timestamp):
        return f"{low:%Y-%m-%d} to {high:%Y-%m-%d}"
    return f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"


def _residuals(fitted: Fitted, ys: Sequence[np.ndarray]) -> list[np.ndarray | None]:
    """Residuals (n,) of responses, each after a fit of its own; none where that fails."""
    return _side_by_side(fitted, ys) or [_alone(fitted, y) for y in ys]


def _alone(fitted: Fitted, y: np.ndarray) -> np.ndarray | None:
    try:
        return np.asarray(y - _refitted(fitted, y))
    except ModelError:
        return None


def _side_by_side(fitted: Fitted, ys: Sequence[np.ndarray]) -> list[np.ndarray | None] | None:
    """Residuals of many binomial responses fitted at once; none where that cannot be done."""
    design, p = fitted.design, fitted.design.p
    as_they_are = design.offset is None and design.weights is None
    if fitted.family != "binomial" or not (as_they_are and len(ys) and suits(design)):
        return None
    cells, free = cells_of(design), (np.zeros(p), np.zeros((p, p)))
    many = ManyModes(design, binomial.likelihood(design), free, cells.stacked)
    order, q = cells.order, sum(cells.n_levels)
    lambdas = np.tile([lam[0, 0] for lam in design.lambdas(fitted.theta)], (len(ys), 1))
    start = np.tile(np.append(np.zeros(q), fitted.beta), (len(ys), 1))
    modes = many.find(lambdas, start, _CLOSE, np.array(ys)[:, order])
    if modes is None:
        return None
    mean = np.empty((len(ys), design.n))
    mean[:, order] = expit(many.linear(lambdas, np.array([x for x, *_ in modes])))
    return [*(np.array(ys) - mean * (1.0 if design.trials is None else design.trials))]


def _departed(
    fitted: Fitted, check: _Check, size: float, seed: np.random.SeedSequence
) -> np.ndarray:
    """Simulate a response with a departure from the model."""
    size = size * fitted.sigma
    if check.bend is None:
        own = np.random.default_rng(seed.spawn(1)[0]).standard_normal(len(check.labels))
        shift = size * np.where(check.codes >= 0, own[check.codes], 0.0)
    else:
        shift = size * check.bend
    design = fitted.design
    moved = shift if design.offset is None else shift + design.offset
    departed = replace(fitted, design=replace(design, offset=moved))
    return simulate(departed, np.random.default_rng(seed))


def _refitted(fitted: Fitted, y: np.ndarray) -> np.ndarray:
    """Mean response (n,) once coefficients and effects are fitted to y, θ and thresholds held."""
    design = fitted.design.with_term
    if fitted.family == "gaussian":
        return _least_squares(fitted, y)
    rows = likelihood_of(same_rows(design, y), fitted.family)
    if design.grades:
        rows = rows.with_extra(cut_parameters(fitted.thresholds))
    start = [np.zeros((term.n_levels, term.k)) for term in design.terms]
    mode = find_mode(
        design, rows, fitted.theta, fitted.beta, start, free_beta=True, tolerance=_CLOSE
    )
    eta = np.empty(design.n)
    eta[cells_of(design).order] = mode.eta
    if design.offset is not None:
        eta += design.offset
    if design.grades:  # E grade = Σ P(grade > k)
        return np.asarray(expit(eta[:, None] - fitted.thresholds).sum(axis=1))
    return np.asarray(expit(eta) * (1.0 if design.trials is None else design.trials))


def _least_squares(fitted: Fitted, y: np.ndarray) -> np.ndarray:
    """Mean of a Gaussian response by the normal equations of the fit, whose factor is at hand."""
    design, cells = fitted.design, fitted.factor.cross.cells
    root = np.ones(design.n) if design.weights is None else np.sqrt(design.weights)
    offset = np.zeros(design.n) if design.offset is None else design.offset
    white = ((y - offset) * root)[cells.order]
    lambdas = fitted.factor.lambdas
    g = [z @ lam for z, lam in zip(cells.project(white), lambdas)]
    v, beta = fitted.factor.solve(g, cells.XT @ white)
    mean = np.empty(design.n)
    effects = [part @ lam.T for part, lam in zip(v, lambdas)]
    mean[cells.order] = cells.expand(effects) + beta @ cells.XT
    return mean / root + offset
