"""What people hand to ``rl.fit`` by mistake: each gets the right answer or one right sentence.

Whatever is answered is held against the same model written in the plain way.
"""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import DataError, FormulaError, ModelError, ReedlabError

PLAIN = "y ~ x + (1 | lot)"


@pytest.fixture(scope="module")
def data() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    lot = np.repeat([f"l{i}" for i in range(12)], 10)
    x = rng.normal(size=120)
    y = 30 + 2 * x + np.repeat(rng.normal(size=12), 10) + rng.normal(size=120)
    good = (rng.random(120) < 1 / (1 + np.exp(-x))).astype(int)
    season = np.tile(["dry", "wet", "mild"], 40)
    return pd.DataFrame({"lot": lot, "x": x, "season": season, "y": y, "good": good})


@pytest.fixture(scope="module")
def plain(data) -> rl.Fit:
    return rl.fit(PLAIN, data)


def same(found: rl.Fit, plain: rl.Fit) -> None:
    assert found.llf == pytest.approx(plain.llf, abs=1e-9)
    np.testing.assert_allclose(found.fe_params, plain.fe_params, rtol=1e-8)


# What is answered


@pytest.mark.parametrize("column", ["x", "y"])
@pytest.mark.parametrize("kind", [object, "Decimal"])
def test_numbers_in_a_column_of_objects(data, plain, column, kind):
    values = data[column].map(lambda v: Decimal(repr(v))) if kind == "Decimal" else data[column]
    odd = data.assign(**{column: values.astype(object)})
    found = rl.fit(PLAIN, odd)
    same(found, plain)
    np.testing.assert_allclose(found.predict(odd), plain.predict())


def test_numbers_and_empty_cells_in_a_column_of_objects(data):
    odd = data.assign(x=pd.Series([None, *data["x"].iloc[1:]], dtype=object))
    same(rl.fit(PLAIN, odd), rl.fit(PLAIN, data.iloc[1:]))


@pytest.mark.parametrize("values", [lambda g: g.astype(object), lambda g: (g == 1).astype(object)])
def test_outcomes_in_a_column_of_objects(data, values):
    odd = data.assign(good=values(data["good"]))
    formula = "good ~ x + (1 | lot)"
    same(rl.fit(formula, odd, "binomial"), rl.fit(formula, data, "binomial"))


@pytest.mark.parametrize("kind", ["Int64", "Float64", "object"])
def test_levels_of_whole_numbers_beside_empty_cells(data, kind):
    sitting = (pd.Series(range(len(data))) % 3 + 1).astype(kind)
    found = rl.fit("y ~ C(sitting) + (1 | lot)", data.assign(sitting=sitting.mask(data.index < 2)))
    assert found.fe_params.index.tolist() == ["Intercept", "C(sitting)[T.2]", "C(sitting)[T.3]"]
    assert found.effects("sitting", method="delta")["change"][0] == "2 instead of 1"
    for new in ("int64", "float64", "Int64"):
        again = found.predict(data.assign(sitting=sitting.astype(new)).iloc[2:])
        np.testing.assert_allclose(again, found.predict())
    half = rl.fit("y ~ C(sitting) + (1 | lot)", data.assign(sitting=sitting.astype(float) / 2))
    assert half.fe_params.index.tolist()[1:] == ["C(sitting)[T.1.0]", "C(sitting)[T.1.5]"]


@pytest.mark.parametrize("kind", ["int64", "Int64", "object"])
def test_identifiers_over_15_digits(data, plain, kind):
    code = 10**17 + pd.Series(pd.factorize(data["lot"])[0])
    odd = data.assign(lot=code.astype(kind))
    found = rl.fit(PLAIN, odd)
    same(found, plain)
    assert found.random_effects["level"][1] == "100000000000000001"
    np.testing.assert_allclose(found.predict(odd), plain.predict())


def test_whole_numbers_name_one_level_also_beside_empty_cells(data, plain):
    code = pd.Series(pd.factorize(data["lot"])[0])
    whole, floats = data.assign(lot=code), data.assign(lot=code.astype(float))
    found = rl.fit(PLAIN, whole)
    same(found, plain)
    np.testing.assert_allclose(found.predict(floats), rl.fit(PLAIN, floats).predict(whole))


NAMES = [
    *("Q", "C", "I", "T", "center", "scale", "log", "exp", "poly", "bs", "cr", "within", "between"),
    *("offset", "weights", "factor", "np", "len"),
]


@pytest.mark.parametrize("name", NAMES)
def test_columns_called_like_functions(data, plain, name):
    same(rl.fit(f"y ~ {name} + (1 | lot)", data.rename(columns={"x": name})), plain)
    same(rl.fit(f"y ~ x + (1 | {name})", data.rename(columns={"lot": name})), plain)
    if name != "center":
        other = rl.fit(f"y ~ center({name}) + (1 | lot)", data.rename(columns={"x": name}))
        assert other.fe_params.iloc[1] == pytest.approx(plain.fe_params["x"])


def test_names_in_backticks(data, plain):
    same(rl.fit("y ~ `a.b` + (1 | lot)", data.rename(columns={"x": "a.b"})), plain)
    same(rl.fit("y ~ `odd name` + (1 | lot)", data.rename(columns={"x": "odd name"})), plain)


def test_raw_powers_far_enough_from_their_limit(data):
    """Raw and orthogonal polynomials span one space, so the likelihoods are equal."""
    far = data.assign(x=100 + 10 * data["x"])
    raw = rl.fit("y ~ x + I(x ** 2) + I(x ** 3) + (1 | lot)", far, reml=False)
    poly = rl.fit("y ~ poly(x, 3) + (1 | lot)", far, reml=False)
    assert raw.llf == pytest.approx(poly.llf, abs=1e-8)


def test_a_natural_spline_as_the_sentence_says(data):
    found = rl.fit("y ~ cr(x, df=4, constraints='center') + (1 | lot)", data)
    assert len(found.fe_params) == 5 and found.converged


def test_interactions_of_several_columns_are_still_powers(data):
    short = rl.fit("y ~ (x + season)**2 + (1 | lot)", data)
    assert short.llf == pytest.approx(rl.fit("y ~ x * season + (1 | lot)", data).llf)


def test_rows_of_any_index(data, plain):
    same(rl.fit(PLAIN, data.set_axis([0] * len(data))), plain)
    same(rl.fit(PLAIN, data.set_index(["lot", "season"], drop=False)), plain)


# What is refused, and the words that say what to do

FORMULAS = [
    ("y ~ .", "'.', which stands for every column elsewhere: name the predictors"),
    ("y ~ . - season + (1 | lot)", "name the predictors"),
    ("y ~ factor(season) + (1 | lot)", r"'factor', .* write C\(...\)"),
    ("y ~ as.factor(season) + (1 | lot)", r"as.factor\(\): write C\(...\)"),
    ("y ~ x + weights(x) + (1 | lot)", "write weights='column' in rl.fit"),
    ("y ~ x:offset(x) + (1 | lot)", r"offset\(...\) as a summand of its own"),
    ("cbind(good, y) ~ x + (1 | lot)", "trials='column'"),
    ("good / x ~ x + (1 | lot)", "name the successes, and the trials in trials="),
    ("y ~ ns(x, 3) + (1 | lot)", "write cr"),
    ("y ~ s(x) + (1 | lot)", "write cr"),
    ("y ~ sqrt(x) + (1 | lot)", r"write I\(x \*\* 0.5\)"),
    ("y ~ x**2 + (1 | lot)", r"write I\(x \*\* 2\), or poly\(x, 2\)"),
    ("y ~ season^2 + (1 | lot)", "a power of one column"),
    ("y ~ I(x^2) + (1 | lot)", r"'\^': write \*\* for powers"),
    ("y ~ I((x + 1)^2) + (1 | lot)", r"'\^': write \*\* for powers"),
    ("y ~ scale(scale) + (1 | lot)", "'scale' for a column and for a transform; rename"),
    ("y ~ np.log(x) + (1 | lot)", "'np.log'"),
]


@pytest.mark.parametrize(("formula", "words"), FORMULAS)
def test_formulas_of_other_languages(data, formula, words):
    with pytest.raises(FormulaError, match=words) as refused:
        rl.fit(formula, data.assign(scale=data["x"]))
    assert one_sentence(refused.value)


def one_sentence(error: Exception) -> bool:
    return "\n" not in str(error) and len(str(error)) < 400


def days(data: pd.DataFrame) -> list[date]:
    return [date(2025, 1, 1) + timedelta(days=i) for i in range(len(data))]


COLUMNS = [
    (lambda d: d["x"].astype(str), "'x' is text, .* of 120 levels, but reads as numbers"),
    (lambda d: [*d["x"].iloc[:-1], "a"], "text among its numbers, 'a' in row 119"),
    (days, "'x' is of type date"),
    (lambda d: pd.to_datetime(days(d)), "'x' is of type datetime64"),
    (lambda d: pd.to_timedelta(d["x"], unit="D"), "'x' is of type timedelta64"),
    (lambda d: pd.PeriodIndex(days(d), freq="D"), r"'x' is of type period"),
    (lambda d: d["x"] + 1j, "'x' is of type complex128"),
    (lambda d: [[1]] * len(d), "'x' holds lists"),
    (lambda d: np.nan, "'x' is empty in 120 of 120"),
]


@pytest.mark.parametrize(("values", "words"), COLUMNS)
def test_columns_that_no_model_can_use(data, values, words):
    odd = data.assign(x=values(data))
    before = odd.copy()
    with pytest.raises(DataError, match=words) as refused:
        rl.fit(PLAIN, odd)
    assert one_sentence(refused.value)
    pd.testing.assert_frame_equal(odd, before)


def test_levels_of_numbers_are_levels_where_that_is_said(data):
    odd = data.assign(box=[str(i % 24) for i in range(len(data))])
    with pytest.raises(DataError, match=r"write C\(box\) if levels are meant"):
        rl.fit("y ~ box + (1 | lot)", odd)
    assert len(rl.fit("y ~ C(box) + (1 | lot)", odd).fe_params) == 24
    few = data.assign(box=[str(i % 3) for i in range(len(data))])
    assert len(rl.fit("y ~ box + (1 | lot)", few).fe_params) == 3


def test_identifiers_that_have_run_together(data):
    code = (10**17 + pd.Series(pd.factorize(data["lot"])[0])).astype(float)
    with pytest.raises(DataError, match="'lot' has numbers of over 15 digits as floats"):
        rl.fit(PLAIN, data.assign(lot=code))


MODELS = [
    ("y ~ cr(x, df=4) + (1 | lot)", {}, "give it constraints='center'"),
    ("y ~ far + I(far ** 2) + I(far ** 3) + (1 | lot)", {}, r"write poly\(x, 3\) for its powers"),
    (PLAIN, {"family": "Gaussian"}, "no family 'Gaussian'; write 'gaussian'"),
    (PLAIN, {"family": "poisson"}, "choose one of gaussian, binomial, ordinal"),
    (PLAIN, {"family": None}, "choose one of gaussian, binomial, ordinal"),
    ("good ~ x", {"family": "binomial", "trials": 3}, "trials= is a int, not the name of a column"),
    (PLAIN, {"weights": pd.Series([1.0])}, "weights= is a Series, not the name of a column"),
    ("y ~ x", {"rows": 2}, "explained without any residual"),
]


@pytest.mark.parametrize(("formula", "options", "words"), MODELS)
def test_models(data, formula, options, words):
    options = dict(options)
    odd = data.assign(far=2000 + 10 * data["x"]).head(options.pop("rows", 120))
    with pytest.raises(ModelError, match=words) as refused:
        rl.fit(formula, odd, **options)
    assert one_sentence(refused.value)


def test_something_else_than_a_frame(data):
    bench = rl.demo_bench()
    with pytest.raises(DataError, match="of a bench that is bench"):
        rl.fit("success ~ season + (1 | lot)", bench, "binomial")
    for other in (data.to_dict("list"), data.to_numpy(), "reeds.csv", None, data["x"]):
        with pytest.raises(DataError, match="needs a pandas DataFrame"):
            rl.fit(PLAIN, other)
    with pytest.raises(DataError, match="No row has every column"):
        rl.fit(PLAIN, data.head(0))


def test_arithmetic_with_text(data):
    with pytest.raises(ReedlabError, match="does arithmetic with text or a factor"):
        rl.fit("y ~ scale(season) + (1 | lot)", data)
