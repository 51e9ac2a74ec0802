"""From a formula and a data frame to a design, and from new data to the same columns.

The fixed part and the left sides of the random terms are coded by formulaic; what is refused, and
how it is said, is decided here.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import or_
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from formulaic.parser.types import Factor, Term

from reedlab.errors import DataError, FormulaError, ModelError, PredictionError
from reedlab.mixed.design.columns import (
    column_levels,
    level_labels,
    numbers,
    plain,
    present_categories,
    refuse_mixed,
    refuse_texts_of_numbers,
    said_by_us,
    whole,
)
from reedlab.mixed.design.expressions import CONTEXT, Coding, coding, names_in
from reedlab.mixed.design.formula import MixedFormula, RandomPart, parse
from reedlab.mixed.design.terms import Design, RandomTerm

FAMILIES = ("gaussian", "binomial", "ordinal")


@dataclass(frozen=True)
class Recipe:
    """How new data become columns."""

    formula: MixedFormula
    fixed: ModelSpec  # coding of the fixed part
    # coding of each random term's effects; ``None`` for an intercept alone
    random: tuple[ModelSpec | None, ...]
    # levels that each factor of the fixed part and of the effects had in the fit
    factors: dict[str, tuple[Any, ...]]
    trials: str | None  # the column of trials
    # for each column used, whether it was a factor whose levels must be known
    dtypes: dict[str, bool]
    family: str  # an ordinal model has thresholds in place of an intercept
    weights: str | None = None  # the column of weights
    offset: ModelSpec | None = None  # coding of what is added without a coefficient


def build(
    text: str,
    data: pd.DataFrame,
    family: str,
    trials: str | None = None,
    weights: str | None = None,
) -> tuple[Design, Recipe]:
    """Turn a formula and a frame, one row an observation, into a design and its recipe."""
    if family not in FAMILIES:
        small = str(family).lower()
        advice = f"write {small!r}" if small in FAMILIES else f"choose one of {', '.join(FAMILIES)}"
        raise ModelError(f"There is no family {family!r}; {advice}.")
    for option, given in (("trials", trials), ("weights", weights)):
        if given is not None and not isinstance(given, str):
            raise ModelError(
                f"{option}= is a {type(given).__name__}, not the name of a column: make it a "
                "column of the data and name that."
            )
    if trials is not None and family != "binomial":
        raise ModelError("trials= belongs to the binomial family; leave it out.")
    if trials is not None and weights is not None:
        raise ModelError("trials= already says what each row counts for: leave weights= out.")
    formula = parse(text)
    fixed = coding(formula.fixed)
    parts = [None if part.effects == "1" else coding(part.effects) for part in formula.random]
    response = coding(formula.response + " - 1")
    offset = coding(" + ".join(["0", *(f"I({e})" for e in formula.offset)]))
    names = reduce(or_, (part.names for part in (fixed, offset, *parts) if part))
    groups = {column for part in formula.random for column in part.columns}
    wanted = {*names.columns, *groups, *response.names.columns, *filter(None, [trials, weights])}
    _refuse_clashes(wanted, names.transforms | response.names.transforms, text)
    frame, rows, dropped, n_dropped = _complete_rows(data, sorted(wanted), text)
    for column in sorted({*names.uncoded, *response.names.uncoded}):
        refuse_mixed(data[column], column)
    for column in names.coded - names.uncoded:
        frame[column] = whole(frame[column]).astype("category")
    factors = _factors(frame, names.values)
    for column in sorted(names.uncoded & factors.keys()):
        refuse_texts_of_numbers(frame[column], column)
    _refuse_factors(offset.names.columns, frame, "offset")
    _refuse_factors([trials] if trials else [], frame, "trials")
    _refuse_factors([weights] if weights else [], frame, "weights")

    with said_by_us(text):
        X = fixed.matrix(frame)
        bases = [None if part is None else part.matrix(frame) for part in parts]
        added = offset.matrix(frame) if formula.offset else None
    if family == "ordinal":
        y, grades = _grades(frame, formula.response)
    else:
        with said_by_us(text):
            y, grades = _number(response, frame, formula.response), ()
    kept = _kept(X.model_spec.column_names, family)
    levels = {column: column_levels(frame[column]) for column in sorted(groups)}
    terms = tuple(_random_term(part, levels, basis) for part, basis in zip(formula.random, bases))
    values = numbers(X, "the fixed part")
    design = Design(
        y=y,
        X=values if kept.all() else values[:, kept],
        fixed_names=tuple(str(c) for c, on in zip(X.model_spec.column_names, kept) if on),
        terms=terms,
        trials=None if trials is None else frame[trials].to_numpy(dtype=float),
        rows_used=rows,
        dropped=dropped,
        n_dropped=n_dropped,
        grades=grades,
        weights=None if weights is None else frame[weights].to_numpy(dtype=float),
        offset=None if added is None else numbers(added, "the offset").sum(axis=1),
    )
    specs = tuple(None if basis is None else basis.model_spec for basis in bases)
    kinds = {c: c in factors for c in names.columns}
    coded = None if added is None else added.model_spec
    return design, Recipe(
        formula, X.model_spec, specs, factors, trials, kinds, family, weights, coded
    )


def new_columns(recipe: Recipe, data: pd.DataFrame) -> tuple[np.ndarray, list[np.ndarray]]:
    """Code new data as the fit's data were: X (n, p), and columns (n, k) of each random term."""
    frame = _new_frame(recipe, data)
    with said_by_us(recipe.formula.text, PredictionError):
        X = _design_columns(recipe.fixed, frame)
        X = X[:, _kept(recipe.fixed.column_names, recipe.family)]
        bases = [
            np.ones((len(frame), 1)) if spec is None else _design_columns(spec, frame)
            for spec in recipe.random
        ]
    return X, bases


def sum_coded(recipe: Recipe, data: pd.DataFrame) -> np.ndarray:
    """Code the fixed part of a fit's own rows with contrasts that sum to zero; (n, p).

    Its columns stand for the same terms as the fit's own, place by place, and span the same space.
    """
    frame = _new_frame(recipe, data)
    terms = [
        Term([_summing(factor, recipe) for factor in term.factors]) for term in recipe.fixed.formula
    ]
    with said_by_us(recipe.formula.text):
        X = Formula(terms).get_model_matrix(
            frame, na_action="raise", output="numpy", context=CONTEXT
        )
    return numbers(X, "the fixed part")[:, _kept(X.model_spec.column_names, recipe.family)]


def is_factor(factor: Factor, recipe: Recipe) -> bool:
    """Whether a part of a term has levels, not numbers."""
    return factor in recipe.fixed.factor_contrasts


def _summing(factor: Factor, recipe: Recipe) -> Factor:
    """Return a factor of a term, with contrasts that sum to zero if it has levels."""
    if not is_factor(factor, recipe):
        return factor
    column = factor.expr
    if factor.eval_method is factor.EvalMethod.PYTHON:  # C(column, contrasts)
        (column,) = names_in(factor.expr).columns
    return Factor(f"C(`{column}`, Sum())", eval_method="python")


def new_offset(recipe: Recipe | None, data: pd.DataFrame) -> np.ndarray:
    """Work out the offset of new rows, 0 where the model has none; (n,)."""
    if recipe is None or recipe.offset is None:
        return np.zeros(len(data))
    with said_by_us(recipe.formula.text, PredictionError):
        total: np.ndarray = _design_columns(recipe.offset, _new_frame(recipe, data)).sum(axis=1)
    return total


def _new_frame(recipe: Recipe, data: pd.DataFrame) -> pd.DataFrame:
    """Columns of new rows that the model uses, as they were in the fit."""
    if not isinstance(data, pd.DataFrame):
        raise PredictionError("Predictions need a pandas DataFrame, one row each.")
    wanted = sorted(recipe.dtypes)
    missing = [c for c in wanted if c not in data.columns]
    if missing:
        raise PredictionError(f"The new data have no column {missing[0]!r}, which the model uses.")
    frame = pd.DataFrame({c: data[c] for c in wanted}, index=data.index)
    for column, is_factor in recipe.dtypes.items():
        frame[column] = _new_column(frame[column], column, recipe.factors if is_factor else None)
    return frame


def level_codes(part: RandomPart, data: pd.DataFrame, levels: Sequence[str]) -> np.ndarray:
    """Code of each row's level among known ones; (n,)."""
    for column in part.columns:
        if column not in data.columns:
            raise PredictionError(
                f"The new data have no column {column!r}; add it, or name {part.group!r} in "
                "new_levels."
            )
    codes = pd.Index(levels).get_indexer(pd.Index(level_labels(part, data)))
    if (codes < 0).any():
        at = int(np.argmax(codes < 0))
        what = " ".join(f"{column} {data[column].iloc[at]}" for column in part.columns)
        raise PredictionError(
            f"The fit does not know {what} (row {data.index[at]}); name {part.group!r} in "
            "new_levels to take it as new."
        )
    return codes


def _kept(names: Any, family: str) -> np.ndarray:
    """Mark the columns to keep: an ordinal model has thresholds in place of the intercept."""
    return np.array([family != "ordinal" or str(name) != "Intercept" for name in names], dtype=bool)


def _design_columns(spec: ModelSpec, frame: pd.DataFrame) -> np.ndarray:
    if not spec.column_names:
        return np.zeros((len(frame), 0))
    matrix = spec.get_model_matrix(frame, na_action="raise", context=CONTEXT)
    return numbers(matrix, "the new data")


def _new_column(values: pd.Series, column: str, factors: dict[str, Any] | None) -> pd.Series:
    if values.isna().any():
        raise PredictionError(
            f"Column {column!r} is empty in row {values.index[values.isna()][0]} of the new "
            "data; fill it in or leave the row out."
        )
    if factors is None:
        return plain(values, column)
    unseen = values[~values.isin(factors[column])].tolist()
    if unseen:
        raise PredictionError(
            f"Column {column!r} holds {unseen[0]!r}, which the fit did not see; it knows "
            f"{', '.join(map(str, factors[column]))}."
        )
    words = values.astype(object)  # whatever categories they came with
    return pd.Series(pd.Categorical(words, categories=factors[column]), index=values.index)


def _refuse_clashes(columns: Collection[str], transforms: Collection[str], text: str) -> None:
    for name in sorted({*columns} & {*transforms}):
        raise FormulaError(
            f"The formula {text!r} takes {name!r} for a column and for a transform; rename the "
            "column."
        )


def _complete_rows(
    data: pd.DataFrame, wanted: list[str], text: str
) -> tuple[pd.DataFrame, np.ndarray, dict[str, int], int]:
    if not isinstance(data, pd.DataFrame):
        hint = "; of a bench that is bench.reeds" if hasattr(data, "reeds") else ""
        raise DataError(f"fit() needs a pandas DataFrame, one row an observation{hint}.")
    for column in wanted:
        if column not in data.columns:
            raise FormulaError(
                f"The formula {text!r} names {column!r}, which is not a column of the data."
            )
        if isinstance(data[column], pd.DataFrame):
            raise DataError(
                f"The data have {data[column].shape[1]} columns {column!r}, which the formula "
                "names; leave one of them, or rename the others."
            )
    columns = {column: plain(data[column], column) for column in wanted}
    empty = {column: values.isna().to_numpy() for column, values in columns.items()}
    keep = ~np.logical_or.reduce(list(empty.values()))
    dropped = {column: int(where.sum()) for column, where in empty.items() if where.any()}
    if not keep.any():
        most = max(dropped, key=lambda c: dropped[c], default=None)
        why = f"; {most!r} is empty in {dropped[most]} of {len(keep)}" if most else ""
        raise DataError(f"No row has every column that the model uses{why}.")
    frame = pd.DataFrame(
        {
            column: present_categories(values if keep.all() else values[keep]).array
            for column, values in columns.items()
        },
        copy=False,
    )
    return frame, np.flatnonzero(keep), dropped, int((~keep).sum())


def _factors(frame: pd.DataFrame, coded: Collection[str]) -> dict[str, tuple[Any, ...]]:
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


def _number(response: Coding, frame: pd.DataFrame, name: str) -> np.ndarray:
    _refuse_factors(response.names.columns, frame, "response")
    if response.names.columns == {name.strip("`")}:
        return frame[name.strip("`")].to_numpy(dtype=float)
    matrix = response.matrix(frame)
    if matrix.shape[1] != 1:
        raise FormulaError(
            f"The response {name!r} gives {matrix.shape[1]} columns; it must give one (for "
            "successes out of trials name the successes, and the trials in trials=)."
        )
    return numbers(matrix, "the response")[:, 0]


def _refuse_factors(columns: Collection[str], frame: pd.DataFrame, what: str) -> None:
    for column in sorted(columns):
        if isinstance(frame[column].dtype, pd.CategoricalDtype):
            needed = (
                "this family needs a number, such as 0 and 1"
                if what == "response"
                else "make it a number"
            )
            raise DataError(f"The {what} column {column!r} is text or a factor; {needed}.")


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


def _random_term(
    part: RandomPart, levels: Mapping[str, tuple[np.ndarray, list[str]]], basis: Any
) -> RandomTerm:
    codes, labels = _grouping(part, levels)
    if len(labels) < 2:
        raise ModelError(
            f"The grouping {part.group!r} has one level only ({labels[0]}); leave (… | "
            f"{part.group}) out."
        )
    if basis is None:
        names: tuple[str, ...] = ("Intercept",)
        values = np.broadcast_to(1.0, (len(codes), 1))
    else:
        names = tuple(str(c) for c in basis.model_spec.column_names)
        values = numbers(basis, f"the random term ({part.effects} | {part.group})")
        if not names:
            raise FormulaError(f"The random term ({part.effects} | {part.group}) has no columns.")
    return RandomTerm(part.group, labels, codes, names, values, part.correlated)


def _grouping(
    part: RandomPart, levels: Mapping[str, tuple[np.ndarray, list[str]]]
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Codes and labels of the grouping's levels that occur, sorted column by column."""
    code, labels = levels[part.columns[0]]
    for column in part.columns[1:]:
        own, texts = levels[column]
        # Coded anew at each column, so that the product of the numbers of levels stays small.
        code, present = _compressed(code * len(texts) + own, len(labels) * len(texts))
        outer, inner = np.divmod(present, len(texts))
        labels = [f"{labels[a]}:{texts[b]}" for a, b in zip(outer, inner)]
    return code, tuple(labels)


def _compressed(code: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Renumber the codes that occur, in their order, and list them."""
    if size > 4 * len(code) + 1000:
        new, present = pd.factorize(code, sort=True)
        return new.astype(np.intp), present
    occurs = np.bincount(code, minlength=size) > 0
    return (np.cumsum(occurs) - 1)[code], np.flatnonzero(occurs)
