"""From a formula and a data frame to a design, and from new data to the same columns.

The fixed part and the left sides of the random terms are coded by formulaic; what is refused, and
how it is said, is decided here.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from formulaic.transforms import TRANSFORMS
from formulaic.utils.variables import get_required_variables

from reedlab.errors import DataError, FormulaError, ModelError, PredictionError
from reedlab.mixed.columns import level_labels, numbers, plain, said_by_us
from reedlab.mixed.formula import MixedFormula, RandomPart, parse
from reedlab.mixed.terms import Design, RandomTerm
from reedlab.mixed.transforms import between, within

FAMILIES = ("gaussian", "binomial", "ordinal")
_CONTEXT = {"within": within, "between": between}


@dataclass(frozen=True)
class Recipe:
    """How new data become columns.

    Parameters
    ----------
    formula : MixedFormula
    fixed : formulaic.ModelSpec
        Coding of the fixed part.
    random : tuple of formulaic.ModelSpec or None
        Coding of each random term's effects; ``None`` for an intercept alone.
    factors : dict of str to tuple
        Levels that each factor of the fixed part and of the effects had in the fit.
    trials : str, optional
        The column of trials.
    dtypes : dict of str to bool
        For each column used, whether it was a factor whose levels must be known.
    family : str
        An ordinal model has thresholds in place of an intercept.
    """

    formula: MixedFormula
    fixed: ModelSpec
    random: tuple[ModelSpec | None, ...]
    factors: dict[str, tuple[Any, ...]]
    trials: str | None
    dtypes: dict[str, bool]
    family: str


def build(
    text: str, data: pd.DataFrame, family: str, trials: str | None = None
) -> tuple[Design, Recipe]:
    """Turn a formula and a frame into a design.

    Parameters
    ----------
    text : str
        The formula.
    data : DataFrame
        One row an observation; never changed.
    family : {"gaussian", "binomial", "ordinal"}
    trials : str, optional
        The column of trials, for a binomial response of counts.

    Returns
    -------
    design : Design
    recipe : Recipe

    Raises
    ------
    FormulaError
        The formula cannot be read or names an unknown column.
    DataError
        A column cannot be used: infinite, not numeric, out of range.
    ModelError
        The data cannot tell the model: one level, one response value, repeated columns.
    """
    if family not in FAMILIES:
        raise ModelError(f"There is no family {family!r}; choose one of {', '.join(FAMILIES)}.")
    if trials is not None and family != "binomial":
        raise ModelError("trials= belongs to the binomial family; leave it out.")
    formula = parse(text)
    fixed = _formulaic(formula.fixed)
    parts = [None if part.effects == "1" else _formulaic(part.effects) for part in formula.random]
    response = _formulaic(formula.response + " - 1")
    coded = set().union(*(columns_of(f) for f in (fixed, *parts) if f is not None))
    groups = {column for part in formula.random for column in part.columns}
    wanted = sorted({*coded, *groups, *columns_of(response), *([trials] if trials else [])})
    frame, rows, dropped, n_dropped = _complete_rows(data, wanted, text)
    named = set().union(*(_outside_groupings(f) for f in (fixed, *parts) if f is not None))
    factors = _factors(frame, coded & named)

    with said_by_us(text):
        X = fixed.get_model_matrix(frame, na_action="raise", context=_CONTEXT)
        bases = [
            None if f is None else f.get_model_matrix(frame, na_action="raise", context=_CONTEXT)
            for f in parts
        ]
    if family == "ordinal":
        y, grades = _grades(frame, formula.response)
    else:
        with said_by_us(text):
            y, grades = _number(response, frame, formula.response), ()
    kept = _kept(X.columns, family)
    terms = tuple(_random_term(part, frame, basis) for part, basis in zip(formula.random, bases))
    design = Design(
        y=y,
        X=numbers(X, "the fixed part")[:, kept],
        fixed_names=tuple(str(c) for c in X.columns[kept]),
        terms=terms,
        trials=None if trials is None else frame[trials].to_numpy(dtype=float),
        rows_used=rows,
        dropped=dropped,
        n_dropped=n_dropped,
        grades=grades,
    )
    specs = tuple(None if basis is None else basis.model_spec for basis in bases)
    kinds = {c: c in factors for c in coded}
    return design, Recipe(formula, X.model_spec, specs, factors, trials, kinds, family)


def new_columns(
    recipe: Recipe, data: pd.DataFrame, terms: Sequence[int]
) -> tuple[np.ndarray, dict[int, np.ndarray]]:
    """Code new data as the fit's data were.

    Parameters
    ----------
    recipe : Recipe
    data : DataFrame
        New rows.
    terms : sequence of int
        The random terms whose bases are wanted.

    Returns
    -------
    X : ndarray, shape (n, p)
    bases : dict of int to ndarray, each shape (n, k)

    Raises
    ------
    PredictionError
        A column is missing or empty somewhere, or a factor has a level that the fit did not see.
    """
    wanted = sorted(recipe.dtypes)
    missing = [c for c in wanted if c not in data.columns]
    if missing:
        raise PredictionError(f"The new data have no column {missing[0]!r}, which the model uses.")
    frame = pd.DataFrame({c: data[c] for c in wanted}, index=data.index)
    for column, is_factor in recipe.dtypes.items():
        frame[column] = _new_column(frame[column], column, recipe.factors if is_factor else None)
    out = {}
    with said_by_us(recipe.formula.text, PredictionError):
        X = _design_columns(recipe.fixed, frame)
        X = X[:, _kept(recipe.fixed.column_names, recipe.family)]
        for t in terms:
            spec = recipe.random[t]
            out[t] = np.ones((len(frame), 1)) if spec is None else _design_columns(spec, frame)
    return X, out


def level_codes(part: RandomPart, data: pd.DataFrame, levels: Sequence[str]) -> np.ndarray:
    """Code of each row's level among known ones, -1 where it is new or empty.

    Raises
    ------
    PredictionError
        A grouping column is missing.
    """
    for column in part.columns:
        if column not in data.columns:
            raise PredictionError(
                f"The new data have no column {column!r}; add it, or name {part.group!r} in "
                "new_levels."
            )
    return pd.Index(levels).get_indexer(pd.Index(level_labels(part, data)))


def _kept(names: Any, family: str) -> np.ndarray:
    """Mark the columns to keep: an ordinal model has thresholds in place of the intercept."""
    return np.array([family != "ordinal" or str(name) != "Intercept" for name in names], dtype=bool)


def _design_columns(spec: ModelSpec, frame: pd.DataFrame) -> np.ndarray:
    if not spec.column_names:
        return np.zeros((len(frame), 0))
    return numbers(
        spec.get_model_matrix(frame, na_action="raise", context=_CONTEXT), "the new data"
    )


def _new_column(values: pd.Series, column: str, factors: dict[str, Any] | None) -> pd.Series:
    if values.isna().any():
        raise PredictionError(
            f"Column {column!r} is empty in row {values.index[values.isna()][0]!r} of the new "
            "data; "
            "fill it in or leave the row out."
        )
    if factors is None:
        return plain(values, column)
    unseen = values[~values.isin(factors[column])]
    if len(unseen):
        raise PredictionError(
            f"Column {column!r} holds {unseen.iloc[0]!r}, which the fit did not see; it knows "
            f"{', '.join(map(str, factors[column]))}."
        )
    return pd.Series(pd.Categorical(values, categories=factors[column]), index=values.index)


def _formulaic(text: str) -> Formula:
    try:
        return Formula(text)
    except Exception as error:
        raise FormulaError(f"The part {text!r} of the formula cannot be read: {error}") from error


def columns_of(formula: Formula) -> set[str]:
    """Columns that a formula names.

    ``required_variables`` of formulaic 1.2 finds none in ``scale(x)`` and other transforms that
    keep a state, so the factors are read here.
    """
    names: set[str] = set()
    for factor in (factor for term in formula for factor in term.factors):
        if factor.eval_method is factor.EvalMethod.LOOKUP:
            names.add(factor.expr)
        elif factor.eval_method is factor.EvalMethod.PYTHON:
            names |= {str(v.root) for v in get_required_variables(factor.expr, {})}
    return names - set(TRANSFORMS) - set(_CONTEXT)


def _outside_groupings(formula: Formula) -> set[str]:
    """Columns that stand elsewhere than as the grouping of within() or between()."""
    found: set[str] = set()
    for expression in {factor.expr for term in formula for factor in term.factors}:
        try:
            tree = ast.parse(expression, mode="eval")
        except SyntaxError:  # a name in backticks
            found.add(expression)
            continue
        groupings = {
            id(call.args[1])
            for call in ast.walk(tree)
            if isinstance(call, ast.Call)
            and isinstance(call.func, ast.Name)
            and call.func.id in _CONTEXT
            and len(call.args) == 2
        }
        found |= {
            node.id
            for node in ast.walk(tree)
            if isinstance(node, ast.Name) and id(node) not in groupings
        }
    return found


def _complete_rows(
    data: pd.DataFrame, wanted: list[str], text: str
) -> tuple[pd.DataFrame, np.ndarray, dict[str, int], int]:
    if not isinstance(data, pd.DataFrame):
        raise DataError("fit() needs a pandas DataFrame, one row an observation.")
    for column in wanted:
        if column not in data.columns:
            raise FormulaError(
                f"The formula {text!r} names {column!r}, which is not a column of the data."
            )
    frame = pd.DataFrame({column: plain(data[column], column) for column in wanted})
    empty = frame.isna()
    keep = ~empty.any(axis=1).to_numpy()
    dropped = {column: int(empty[column].sum()) for column in wanted if empty[column].any()}
    if not keep.any():
        most = max(dropped, key=lambda c: dropped[c], default=None)
        why = f"; {most!r} is empty in {dropped[most]} of {len(frame)}" if most else ""
        raise DataError(f"No row has every column that the model uses{why}.")
    frame = frame.loc[keep] if not keep.all() else frame
    for column in wanted:
        if isinstance(frame[column].dtype, pd.CategoricalDtype):
            frame[column] = frame[column].cat.remove_unused_categories()
    return frame.reset_index(drop=True), np.flatnonzero(keep), dropped, int((~keep).sum())


def _factors(frame: pd.DataFrame, coded: set[str]) -> dict[str, tuple[Any, ...]]:
    factors = {}
    for column in sorted(coded):
        if isinstance(frame[column].dtype, pd.CategoricalDtype):
            levels = tuple(frame[column].cat.categories)
            if len(levels) < 2:
                raise ModelError(
                    f"The factor {column!r} has one level only ({levels[0]}) in the rows used; "
                    "leave it out."
                )
            factors[column] = levels
    return factors


def _number(response: Formula, frame: pd.DataFrame, name: str) -> np.ndarray:
    columns = columns_of(response)
    for column in columns:
        if isinstance(frame[column].dtype, pd.CategoricalDtype):
            raise DataError(
                f"The response {column!r} is text or a factor; this family needs a number, such "
                "as 0 and 1."
            )
    if columns == {name.strip("`")}:
        return frame[name.strip("`")].to_numpy(dtype=float)
    matrix = response.get_model_matrix(frame, na_action="raise")
    if matrix.shape[1] != 1:
        raise FormulaError(
            f"The response {name!r} gives {matrix.shape[1]} columns; it must give one."
        )
    return numbers(matrix, "the response")[:, 0]


def _grades(frame: pd.DataFrame, name: str) -> tuple[np.ndarray, tuple[str, ...]]:
    column = name.strip("`")
    if column not in frame.columns:
        raise FormulaError(f"An ordinal response must be a column as it stands, not {name!r}.")
    values = frame[column]
    if isinstance(values.dtype, pd.CategoricalDtype):
        if not values.cat.ordered:
            raise DataError(
                f"The grades in {column!r} have no order; make it an ordered factor, lowest first."
            )
        return values.cat.codes.to_numpy(dtype=float), tuple(map(str, values.cat.categories))
    levels, codes = np.unique(values.to_numpy(), return_inverse=True)
    return codes.astype(float), tuple(f"{level:g}" for level in levels)


def _random_term(part: RandomPart, frame: pd.DataFrame, basis: Any) -> RandomTerm:
    codes, labels = _grouping(part, frame)
    if len(labels) < 2:
        raise ModelError(
            f"The grouping {part.group!r} has one level only ({labels[0]}); leave (… | "
            f"{part.group}) out."
        )
    if basis is None:
        names: tuple[str, ...] = ("Intercept",)
        values = np.ones((len(frame), 1))
    else:
        names = tuple(str(c) for c in basis.columns)
        values = numbers(basis, f"the random term ({part.effects} | {part.group})")
        if not names:
            raise FormulaError(f"The random term ({part.effects} | {part.group}) has no columns.")
    return RandomTerm(part.group, labels, codes, names, values, part.correlated)


def _grouping(part: RandomPart, frame: pd.DataFrame) -> tuple[np.ndarray, tuple[str, ...]]:
    """Codes and sorted labels of the grouping's levels that occur."""
    code = np.zeros(len(frame), dtype=np.int64)
    for column in part.columns:
        own, levels = pd.factorize(frame[column], sort=True)
        # Coded anew at each column, so that the product of the numbers of levels stays small.
        code, present = pd.factorize(code * len(levels) + own, sort=True)
    first = np.zeros(len(present), dtype=np.intp)
    first[code[::-1]] = np.arange(len(frame))[::-1]
    labels = level_labels(part, frame.iloc[first])
    return code.astype(np.intp), tuple(labels)
