"""One column at a time: what a model can use, what it is called, and what is refused."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import DataError, ReedlabError
from reedlab.mixed.design.formula import RandomPart


def plain(values: pd.Series, column: str) -> pd.Series:
    """Take text as a factor and nullable numbers as floats; refuse what no model can use.

    Parameters
    ----------
    values : Series
    column : str
        Its name, for the refusal.

    Returns
    -------
    Series
        A category, or numbers without infinite ones.

    Raises
    ------
    DataError
        Infinite values, or a type that is neither a number nor a factor, such as a date.
    """
    dtype = values.dtype
    if isinstance(dtype, pd.CategoricalDtype):
        return values
    if pd.api.types.is_string_dtype(dtype) or dtype.kind == "O":
        return values.astype("category")
    if pd.api.types.is_bool_dtype(dtype) or pd.api.types.is_numeric_dtype(dtype):
        floats = values.to_numpy(dtype=float, na_value=np.nan)
        infinite = int(np.isinf(floats).sum())
        if infinite:
            raise DataError(
                f"Column {column!r} holds {infinite} infinite values; fix or empty them."
            )
        kept = isinstance(dtype, np.dtype) and dtype.kind in "iub"
        return values if kept else pd.Series(floats, index=values.index)
    raise DataError(
        f"Column {column!r} is of type {dtype}, which a model cannot use; make it a number or a "
        "factor."
    )


def numbers(matrix: Any, where: str) -> np.ndarray:
    """Give a coded matrix as floats; refuse a column that is not numeric or not finite.

    Parameters
    ----------
    matrix : formulaic.ModelMatrix
    where : str
        Where it belongs, for the refusal.

    Returns
    -------
    ndarray, shape (n, columns)

    Raises
    ------
    DataError
    """
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
    """Code of each row's value among the sorted distinct ones, and their names.

    Parameters
    ----------
    values : Series
        Without empty cells and without categories that no row has.
    """
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values.cat.codes.to_numpy(dtype=np.intp), _texts(values.cat.categories)
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
    dtype = distinct.dtype
    if isinstance(dtype, pd.CategoricalDtype):
        dtype = dtype.categories.dtype
    if pd.api.types.is_numeric_dtype(dtype):
        return [f"{float(value):.15g}" for value in distinct]
    return [str(value) for value in distinct]


@contextmanager
def said_by_us(text: str, kind: type[ReedlabError] = DataError) -> Iterator[None]:
    """Turn what formulaic raises in a ``with`` block into one sentence that names the formula.

    Parameters
    ----------
    text : str
        The formula.
    kind : type
        The error to raise in its place.

    Raises
    ------
    ReedlabError
        Of that type; one of reedlab's own, raised in the block or behind it, as it is.
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
        raise kind(f"A term of {text!r} cannot be worked out: {cause}") from error
