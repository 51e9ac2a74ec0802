"""Bad input: each one clear error that names the term or the column."""

# ruff: noqa: E501 - the table of cases reads best one case a line

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import DataError, FormulaError, ModelError, PredictionError


@pytest.fixture
def data(small_bench) -> pd.DataFrame:
    frame = small_bench(4, n=120)
    frame["text"] = pd.Series(np.where(frame["x"] > 0, "up", "down"), dtype="string")
    frame["count"], frame["trials"] = 2 * frame["success"], 3
    return frame


FORMULAS = [
    ("success ~ nothere + (1 | supplier)", "nothere"),
    ("success ~ x + (1 | nothere)", "nothere"),
    ("success + (1 | supplier)", "one '~'"),
    ("~ x + (1 | supplier)", "needs a response"),
    ("success ~ x + (1 | supplier", "do not match"),
    ("success ~ x + 1 | supplier", "parentheses of its own"),
    ("success ~ x - (1 | supplier)", "cannot be subtracted"),
    ("success ~ x + (1 | supplier) + (1 | supplier/lot)", "written twice"),
    ("success ~ x + (1 | supplier + lot)", "must be a column"),
    ("success ~ x + ( | supplier)", "effects before the bar"),
    ("success ~ x + (1 ||| supplier)", "one '\\|' or one '\\|\\|'"),
    ("success ~ x ++* season + (1 | supplier)", "cannot be read"),
]


@pytest.mark.parametrize("name", ["lot no", "Dichte g/cm³", "price €", "size (mm)"])
@pytest.mark.parametrize("formula", ["success ~ 1 + (1 | {})", "success ~ {} + (1 | lot)"])
def test_an_awkward_name_wants_backticks(data: pd.DataFrame, name: str, formula: str) -> None:
    awkward = data.assign(**{name: data["x"].round(1)})
    with pytest.raises(FormulaError, match="name with spaces or signs between backticks, as in `"):
        rl.fit(formula.format(name), awkward, "binomial")
    assert rl.fit(formula.format(f"`{name}`"), awkward, "binomial").nobs == 120


@pytest.mark.parametrize("written", ["Dichte g/cm³", "`Dichte g/cm³`"])
def test_a_sign_that_no_transform_reads_wants_another_name(data: pd.DataFrame, written) -> None:
    with pytest.raises(FormulaError, match=r"invalid character '³' \(U\+00B3\); rename the column"):
        rl.fit(f"success ~ scale({written}) + (1 | lot)", data, "binomial")


@pytest.mark.parametrize(("formula", "words"), FORMULAS)
def test_formulas(data: pd.DataFrame, formula: str, words: str) -> None:
    with pytest.raises(FormulaError, match=words):
        rl.fit(formula, data, "binomial")


def test_data_before_the_formula(data: pd.DataFrame) -> None:
    with pytest.raises(
        FormulaError, match=r"is a DataFrame, not text: write fit\(formula"
    ) as refused:
        rl.fit(data, "success ~ x + (1 | supplier)", "binomial")
    assert "\n" not in str(refused.value)


def test_a_column_that_stands_twice(data: pd.DataFrame) -> None:
    twice = pd.concat([data, data[["x"]]], axis=1)
    with pytest.raises(DataError, match="2 columns 'x', which the formula names"):
        rl.fit("success ~ x + (1 | supplier)", twice, "binomial")


def change(**columns):
    return lambda frame: frame.assign(**columns)


CASES = [
    ("minutes ~ scale(season) + (1 | supplier)", "gaussian", {}, None, DataError, "season"),
    ("season ~ x + (1 | supplier)", "gaussian", {}, None, DataError, "'season' is text"),
    ("success ~ x + (1 | supplier)", "binomial", {}, change(x=np.inf), DataError, "'x' holds 120 inf"),
    ("success ~ log(x) + (1 | supplier)", "binomial", {}, None, DataError, "log\\(x\\)"),
    (
        "success ~ x + (1 | supplier)", "binomial", {},
        change(x=pd.Timestamp("2025-01-01")), DataError, "'x' is of type datetime",
    ),
    ("count ~ x + (1 | supplier)", "binomial", {}, None, DataError, "trials="),
    (
        "count ~ x + (1 | supplier)", "binomial", {"trials": "trials"},
        change(trials=-1), DataError, "Row 0 .* fewer than one trial",
    ),
    (
        "count ~ x + (1 | supplier)", "binomial", {"trials": "trials"},
        change(trials=1), DataError, "more successes than trials: 2 out of 1",
    ),
    (
        "count ~ x + (1 | supplier)", "binomial", {"trials": "trials"},
        change(count=0.5), DataError, "not a whole number",
    ),
    ("success ~ x + (1 | supplier)", "binomial", {}, change(success=1.0), ModelError, "one value only"),
    ("success ~ x + (1 | supplier)", "binomial", {}, change(supplier="a"), ModelError, "'supplier' has one level"),
    ("success ~ season + (1 | supplier)", "binomial", {}, change(season="s"), ModelError, "'season' has one level"),
    ("minutes ~ x + I(2*x) + (1 | supplier)", "gaussian", {}, None, ModelError, "I\\(2 \\* x\\)"),
    ("grade ~ x + I(2*x) + (1 | supplier)", "ordinal", {}, None, ModelError, "I\\(2 \\* x\\)"),
    ("minutes ~ x + z + (1 | supplier)", "gaussian", {}, change(z=0.0), ModelError, "'z' is 0 in every row"),
    (
        "minutes ~ bs(x, 30)*bs(z, 30) + (1 | supplier)", "gaussian", {}, None,
        ModelError, "961 coefficients and 120 rows",
    ),
    ("minutes ~ x + (1 | id)", "gaussian", {}, lambda f: f.assign(id=range(len(f))), ModelError, "\\| id\\)"),
    ("minutes ~ x + (1 | supplier)", "gaussian", {}, change(x=np.nan), DataError, "'x' is empty in 120 of 120"),
    ("minutes ~ x + (1 | supplier)", "poisson", {}, None, ModelError, "no family 'poisson'"),
    ("minutes ~ x + (1 | supplier)", "gaussian", {"trials": "trials"}, None, ModelError, "trials="),
    ("minutes ~ x + (1 | supplier)", "gaussian", {"quadrature": 9}, None, ModelError, "quadrature= has no effect"),
    ("success ~ x + (1 | supplier)", "binomial", {"quadrature": 0}, None, ModelError, "quadrature= is 0"),
    ("success ~ x + (1 | supplier)", "binomial", {"quadrature": 2.5}, None, ModelError, "quadrature= is 2\\.5"),
    ("success ~ x + (1 | supplier)", "binomial", {"reml": False}, None, ModelError, r"reml= .* not to binomial"),
    ("grade ~ x + (1 | supplier)", "ordinal", {"reml": True}, None, ModelError, r"reml= .* not to ordinal"),
    ("text ~ x + (1 | supplier)", "ordinal", {}, None, DataError, "'text' have no order"),
    ("log(minutes) ~ x + (1 | supplier)", "ordinal", {}, None, FormulaError, "column as it stands"),
    (
        "minutes ~ 1 + (1 | supplier)", "gaussian", {},
        lambda f: f.assign(minutes=f["supplier"].cat.codes.astype(float)), ModelError, "without any residual",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("formula", "family", "options", "change", "error", "words"), CASES)
def test_data_and_models(data, formula, family, options, change, error, words) -> None:
    with pytest.raises(error, match=words) as caught:
        rl.fit(formula, data if change is None else change(data), family, **options)
    assert "\n" not in str(caught.value)


def test_text_of_any_type_is_coded_as_a_factor(data: pd.DataFrame) -> None:
    fit = rl.fit("success ~ text + (1 | supplier)", data, "binomial")
    assert list(fit.fe_params.index) == ["Intercept", "text[T.up]"]


def test_unused_levels_are_forgotten(data: pd.DataFrame) -> None:
    data["season"] = pd.Categorical(
        data["season"], categories=["spring", "summer", "autumn", "mud"]
    )
    fit = rl.fit("success ~ season + (1 | supplier)", data, "binomial")
    assert list(fit.fe_params.index) == ["Intercept", "season[T.summer]", "season[T.autumn]"]


def test_rows_with_empty_cells_are_left_out_and_said(data: pd.DataFrame) -> None:
    data.loc[[1, 2, 3], "x"] = np.nan
    data.loc[[3, 4], "maker"] = None
    fit = rl.fit("success ~ x + (1 | supplier) + (1 | maker)", data, "binomial")
    assert (fit.nobs, fit.fitted.design.n_dropped) == (116, 4)  # row 3 lacks both
    assert fit.fitted.design.dropped == {"x": 3, "maker": 2}
    assert "rows left out: 4" in str(fit.summary())
    assert "left out for: maker (2), x (3)" in str(fit.summary())


def test_predictions(data: pd.DataFrame) -> None:
    fit = rl.fit("success ~ bs(x, 4) + season + (1 | supplier/lot)", data, "binomial")
    row = data.head(2)
    for new, words in (
        (row.assign(season="winter"), "'season' holds 'winter'"),
        (row.assign(x=99.0), "bs\\(x, 4\\)"),
        (row.assign(x=np.nan), "'x' is empty in row 0"),
        (data.iloc[[5, 3, 4]].assign(x=np.nan), "'x' is empty in row 5 of"),
        (data.iloc[[5, 3, 4]].assign(supplier="unheard"), r"unheard \(row 5\)"),
        (row.drop(columns="season"), "no column 'season'"),
        (row.drop(columns="supplier"), "no column 'supplier'"),
        (row.assign(supplier="unheard"), "does not know supplier unheard"),
    ):
        with pytest.raises(PredictionError, match=words):
            fit.predict(new)
    with pytest.raises(PredictionError, match="no grouping 'shop'"):
        fit.predict(row, new_levels="shop")
    with pytest.raises(PredictionError, match=r"random=False .* leave one of them out"):
        fit.predict(row, new_levels="lot", random=False)


@pytest.mark.parametrize(
    ("formula", "family"),
    [
        ("success ~ supplier + (1 | supplier/lot)", "binomial"),
        ("minutes ~ supplier + (1 | supplier/lot)", "gaussian"),
        ("minutes ~ supplier:lot + (1 | supplier)", "gaussian"),
        ("minutes ~ supplier*x + (0 + x | supplier)", "gaussian"),
        ("grade ~ supplier + (1 | supplier)", "ordinal"),
    ],
)
def test_a_grouping_that_is_fixed_too_is_not_tested(data, formula, family) -> None:
    """The restricted likelihood is flat in its variance, so a test would hang on the start."""
    model = rl.fit(formula, data, family)
    says = "The fixed part has an effect of each supplier already"
    assert any(note.startswith(says) for note in model.notes)
    for ask in (model.conf_int, model.term_tests, lambda: model.influence("supplier")):
        with pytest.raises(ModelError, match=f"cannot be had. {says}"):
            ask()
    plain = rl.fit("minutes ~ x + (1 | supplier/lot)", data)
    assert not any(note.startswith(says) for note in plain.notes)
