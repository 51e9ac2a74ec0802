"""One column at a time: what a model can use, what it is called, and what is refused."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

import numpy as np
import pandas as pd

from reedlab.errors import DataError, ReedlabError
from reedlab.mixed.design.formula import RandomPart

EXACT = 2.0**53
"""From here on a float no longer holds every whole number: identifiers run together."""

_MANY_LEVELS = 20  # of a factor of numbers

_NUMBERS = {"integer", "floating", "mixed-integer-float", "decimal", "boolean"}
_MIXED = {"mixed", "mixed-integer"}
_REFUSED = {"date", "datetime", "datetime64", "timedelta", "timedelta64", "period", "complex"}
"""What pandas infers of a column of objects: numbers, numbers among text, and no use."""


def plain(values: pd.Series, column: str) -> pd.Series:
    """Take text as a factor and nullable numbers as floats; refuse what no model can use.

    Numbers in a column of objects are numbers. Infinite values are refused, and types that are
    neither a number nor a factor, such as a date.
    """
    dtype = values.dtype
    if isinstance(dtype, pd.CategoricalDtype):
        return values
    if isinstance(dtype, np.dtype) and dtype.kind == "O":
        return _inferred(values, column)
    if pd.api.types.is_string_dtype(dtype):
        return values.astype("category")
    if dtype.kind == "c":
        _refuse_type(column, str(dtype))
    if pd.api.types.is_bool_dtype(dtype) or pd.api.types.is_numeric_dtype(dtype):
        nullable = not isinstance(dtype, np.dtype)
        if nullable and dtype.kind in "iu" and not values.isna().any():
            return pd.Series(values.to_numpy(dtype=dtype.kind + "8"), index=values.index)
        floats = values.to_numpy(dtype=float, na_value=np.nan)
        infinite = int(np.isinf(floats).sum())
        if infinite:
            raise DataError(
                f"Column {column!r} holds {infinite} infinite values; fix or empty them."
            )
        kept = isinstance(dtype, np.dtype) and dtype.kind in "iub"
        return values if kept else pd.Series(floats, index=values.index)
    _refuse_type(column, str(dtype))


def whole(values: pd.Series) -> pd.Series:
    """Give floats that are all whole as integers: a level of a column with gaps is 2, not 2.0."""
    if values.dtype.kind != "f" or values.abs().max() >= EXACT or (values % 1.0).any():
        return values
    return values.astype(np.int64)


def _inferred(values: pd.Series, column: str) -> pd.Series:
    """Take a column of objects for what its cells are: numbers, or levels of a factor."""
    kind = pd.api.types.infer_dtype(values, skipna=True)
    if kind in _REFUSED:
        _refuse_type(column, kind)
    if kind in _NUMBERS:
        if kind == "integer" and not values.isna().any():
            return plain(values.infer_objects(), column)
        return plain(values.map(float, na_action="ignore").astype(float), column)
    try:
        return values.astype("category")
    except TypeError as error:
        raise DataError(
            f"Column {column!r} holds {type(values.dropna().iloc[0]).__name__}s, which a model "
            "cannot use; make it a number or a factor."
        ) from error


def _refuse_type(column: str, what: str) -> NoReturn:
    raise DataError(
        f"Column {column!r} is of type {what}, which a model cannot use; make it a number or a "
        "factor."
    )


def refuse_mixed(values: pd.Series, column: str) -> None:
    """Refuse a predictor or response in which some cells are numbers and others text."""
    if values.dtype != object or pd.api.types.infer_dtype(values, skipna=True) not in _MIXED:
        return
    text = values[values.map(lambda value: isinstance(value, str))]
    if len(text):
        raise DataError(
            f"Column {column!r} has text among its numbers, {text.iloc[0]!r} in row "
            f"{text.index[0]}; make it a number or empty the cell ({len(text)} cells are so)."
        )


def refuse_texts_of_numbers(values: pd.Series, column: str) -> None:
    """Refuse a factor of many levels that all read as numbers: nobody means them as levels."""
    levels = values.cat.categories
    if len(levels) > _MANY_LEVELS and pd.to_numeric(levels, errors="coerce").notna().all():
        raise DataError(
            f"Column {column!r} is text, so a factor of {len(levels)} levels, but reads as "
            f"numbers; make it numbers with pandas.to_numeric, or write C({column}) if levels are "
            "meant."
        )


def numbers(matrix: Any, where: str) -> np.ndarray:
    """Give a coded matrix as floats; refuse a column that is not numeric or not finite."""
    names, values = matrix.model_spec.column_names, np.asarray(matrix)
    if values.dtype.kind not in "biuf":
        for name, column in zip(names, values.T):
            if not pd.api.types.is_numeric_dtype(pd.Series(list(column)).dtype):
                raise DataError(
                    f"The column {name!r} of {where} is not numeric after coding; make it a factor."
                )
    values = values.astype(float, copy=False)
    bad = ~np.isfinite(values).all(axis=0)
    if bad.any():
        raise DataError(
            f"The column {names[int(np.argmax(bad))]!r} of {where} is not finite everywhere; "
            "look for logarithms or ratios of numbers that do not allow them."
        )
    return values


def present_categories(values: pd.Series) -> pd.Series:
    """Leave out categories that no row has; looking whether there are any is the cheaper part."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values
    used = np.bincount(values.cat.codes, minlength=len(values.cat.categories))
    return values if used.all() else values.cat.remove_unused_categories()


def column_levels(values: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Code of each row's value among the sorted distinct ones, and their names."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values.cat.codes.to_numpy(dtype=np.intp), _texts(values.cat.categories)
    if values.dtype.kind == "f" and values.abs().max() >= EXACT:
        raise DataError(
            f"The grouping {values.name!r} has numbers of over 15 digits as floats, where "
            "neighbours are no longer distinguished; read it as text."
        )
    codes, distinct = pd.factorize(values, sort=True)
    return codes.astype(np.intp), _texts(distinct)


def level_labels(part: RandomPart, frame: pd.DataFrame) -> pd.Series:
    """Name each row's level of a grouping, ``"amber:A1"``; empty where a column is empty."""
    labels = []
    for column in part.columns:
        codes, distinct = pd.factorize(frame[column])
        texts = np.array([*_texts(distinct), None], dtype=object)[codes]  # -1: empty
        labels.append(pd.Series(texts, index=frame.index))
    return labels[0] if len(labels) == 1 else labels[0].str.cat(labels[1:], sep=":")


def _texts(distinct: pd.Index) -> list[str]:
    """Names of levels; 3.0 and 3 are one level, also where other cells were empty."""
    if distinct.dtype == object:
        distinct = pd.Index(distinct.to_list())
    return [f"{value:.15g}" if isinstance(value, float) else str(value) for value in distinct]


@contextmanager
def said_by_us(text: str, kind: type[ReedlabError] = DataError) -> Iterator[None]:
    """Turn what formulaic raises in a ``with`` block into one sentence that names the formula.

    An error of reedlab's own, raised in the block or behind it, stays as it is.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except ReedlabError:
        raise
    except Exception as error:
        cause: BaseException = error
        while isinstance(cause.__cause__, Exception) and not isinstance(cause, ReedlabError):
            cause = cause.__cause__
        if isinstance(cause, ReedlabError):
            raise cause from error
        why = str(cause)
        if isinstance(cause, TypeError):
            why = "it does arithmetic with text or a factor; write such a column on its own."
        raise kind(f"A term of {text!r} cannot be worked out: {why}") from error
