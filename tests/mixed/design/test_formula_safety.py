"""A formula reaches columns and listed transforms only: nothing planted in one or a heading runs.

Every try writes a marker file if it is run. They are written against what Python's `eval` does with
an expression (docs.python.org, "Expressions") and against formulaic 1.2, which evaluates them so.
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pandas as pd
import pytest
from formulaic import Formula

import reedlab as rl
from reedlab.errors import FormulaError
from reedlab.mixed.design.expressions import CONTEXT, TRANSFORMS
from reedlab.mixed.design.matrices import build
from reedlab.mixed.gaps import missing
from reedlab.report import cross_checks

# {write} opens the marker for writing, {codes} is code that does so, as numbers between commas.
TRIES = [
    "{write}",
    "{write}(x)",
    "scale(x)({write})",
    "scale({write})",
    "I(x if {write} else z)",
    "I(x + len([{write} for _ in x]))",
    "I((lambda: {write})())",
    "scale(x, center={write})",
    "scale(x, **dict(center={write}))",
    "scale(*[x, {write}])",
    "I(x + (y := {write}))",
    "exec(bytes([{codes}]))",
    "eval(bytes([{codes}]))(x)",
    "__import__('os').system('touch {marker}')",
    "I(__import__('os').system('touch {marker}'))",
    "getattr(x, 'to_csv')('{marker}')",
    "x.to_csv('{marker}')",
    "scale(x).to_csv('{marker}')",
    "scale(x.to_csv('{marker}'))",
    "np.savetxt('{marker}', x)",
    "I(np.savetxt('{marker}', x))",
    "log(np.asarray(x).tofile('{marker}'))",
    "I(().__class__.__base__.__subclasses__()[0]({write}))",
    'I(f"{{{write}}}")',
    "I('%s' % {write})",
    "I(x[{write}])",
    "x[{write}]",
    "I(__FORMULAIC_CONTEXT__.data['x'].to_csv('{marker}'))",
    "I(x, _state={write})",
    "C(season, contr.treatment({write}))",
    "C(season, Treatment({write}))",
    "C(season, {{'a': {write}}})",
    "Q({write})",
    "{{{write}}}",
    "{{x.to_csv('{marker}')}}",
    "`x`.to_csv('{marker}')",
    "scale(`x`.to_csv('{marker}'))",
    "scale(`lambda`: {write})",
    "ｏｐｅｎ('{marker}', 'w')",
    # formulaic writes the text of a transform's call into code of its own, quotation marks badly.
    "scale(x, '(\") or exec(bytes([{codes}])) #')",
    "center(x, '(\") or exec(bytes([{codes}])) #')",
    'scale(x, "\\x29 or exec(bytes([{codes}])) #\'")',
]


@pytest.fixture
def data(small_bench) -> pd.DataFrame:
    return small_bench(4, n=120)


@pytest.fixture
def planted(tmp_path):
    """Fill a try in; and tell whether it has run."""
    marker = tmp_path / "marker"
    write = f"open('{marker}', 'w')"

    def fill(text: str) -> str:
        codes = ",".join(map(str, write.encode()))
        return text.format(write=write, codes=codes, marker=marker)

    fill.marker = marker
    return fill


def refused(planted, call, *given) -> str:
    """Return the one sentence with which a call is refused, having run nothing."""
    with pytest.raises(FormulaError) as caught:
        call(*given)
    assert not planted.marker.exists()
    sentence = str(caught.value)
    assert "\n" not in sentence and sentence.endswith(".") and not sentence.endswith("..")
    return sentence


DOORS = {
    "fixed": "minutes ~ {} + (1 | supplier)",
    "interaction": "minutes ~ x * {} + (1 | supplier)",
    "effects": "minutes ~ x + ({} | supplier)",
    "uncorrelated": "minutes ~ x + (1 + {} || supplier/lot)",
    "response": "{} ~ x + (1 | supplier)",
    "grouping": "minutes ~ x + (1 | {})",
}


@pytest.mark.parametrize("text", TRIES)
def test_fit(data, planted, text):
    for door in DOORS.values():
        refused(planted, rl.fit, door.format(planted(text)), data)


@pytest.mark.parametrize("text", TRIES)
def test_every_other_door(data, planted, text):
    formula, attack = DOORS["fixed"].format(planted(text)), planted(text)
    gappy = data.assign(z=data["z"].where(data.index % 5 > 0))
    for call in (
        lambda: rl.fit(DOORS["response"].format(attack), data, "ordinal"),
        lambda: rl.fit_corrected(formula, data, reading_error={"x": 0.1}),
        lambda: rl.fit_corrected(DOORS["effects"].format(attack), data, reading_error={"x": 0.1}),
        lambda: missing.fit_filled(formula, gappy, "gaussian", m=2),
        lambda: missing.fit_filled(DOORS["response"].format(attack), gappy, "gaussian", m=2),
        lambda: build(formula, data, "gaussian"),
        lambda: cross_checks.gee(f"success ~ {attack}", data, "lot"),
        lambda: cross_checks.gee(f"{attack} ~ x", data, "lot"),
        lambda: cross_checks.single_grouping(f"minutes ~ {attack}", data, "lot"),
        lambda: cross_checks.single_grouping(f"{attack} ~ x", data, "lot"),
    ):
        refused(planted, call)


@pytest.mark.parametrize("text", TRIES)
def test_questions_to_a_fit(data, planted, text):
    """Code in new data, as headings or in cells, and in the place of names."""
    fit, attack = rl.fit("minutes ~ center(x) + season + (1 | lot)", data), planted(text)
    new = data.head(5)
    headed = new.assign(**{attack: 1.0, "center": 1.0, "__FORMULAIC_STATE__": 1.0})
    np.testing.assert_array_equal(fit.predict(headed), fit.predict(new))
    for call, given in (
        (fit.predict, (new.assign(season=attack),)),
        (fit.predict, (new.assign(x=attack),)),
        (fit.predict, (new.assign(lot=attack),)),
        (fit.predict, (new, attack)),
        (fit.predict, (new.drop(columns="x"),)),
        (fit.effects, (attack,)),
        (fit.effects, ("x", {attack: 1.0})),
        (fit.effects, ("season", {"season": [attack]})),
        (fit.contrasts, (attack,)),
        (fit.influence, (attack,)),
    ):
        with pytest.raises(rl.ReedlabError):
            call(*given)
        assert not planted.marker.exists()


@pytest.mark.parametrize(
    "text",
    [
        "{write}(x) ~ x",  # run while formulaic only reads the formula
        "{write}",
        "{{{write}}}",
        "I({write})",
        "I(x[{write}])",
        "scale(x.to_csv('{marker}'))",
        "I(np.savetxt('{marker}', x))",
        "I(__import__('os').system('touch {marker}'))",
    ],
)
def test_with_formulaic_alone_the_tries_run(data, planted, text):
    with suppress(Exception):
        Formula(planted(text)).get_model_matrix(data, context={})
    assert planted.marker.exists()


HEADINGS = [
    "{write}",
    "exec(bytes([{codes}]))",
    "__import__('os').system('touch {marker}')",
    "I(open('{marker}', 'w'))",
    "a.to_csv('{marker}')",
    "a'b' + {write} + 'c'",
    "lambda: {write}",
    "a:{write}",
    "a.b",
    "c (mm)",
    "2",
    "__import__",
]


@pytest.mark.parametrize("heading", HEADINGS)
def test_a_heading_is_a_column_and_never_an_expression(data, planted, heading):
    name = planted(heading)
    plain = data.rename(columns={"x": "x1", "lot": "batch"})
    named = data.rename(columns={"x": name, "lot": f"{name} lot"})
    for part in ("{x}", "{x} + season:{x}"):
        one, two = (
            rl.fit(f"minutes ~ z + {part.format(x=x)} + (1 | {lot})", frame)
            for x, lot, frame in (("x1", "batch", plain), (f"`{name}`", f"`{name} lot`", named))
        )
        np.testing.assert_array_equal(one.fe_params, two.fe_params)
        np.testing.assert_array_equal(one.predict(plain.head(9)), two.predict(named.head(9)))
    assert not planted.marker.exists()


@pytest.mark.parametrize("heading", HEADINGS)
def test_a_heading_in_the_calibration_of_readings(data, planted, heading):
    """The models of readings are written from the terms of the formula, headings among them."""
    name = planted(heading)
    one, two = (
        rl.fit_corrected(
            f"minutes ~ x + {z} + season + (1 | {lot})",
            frame,
            reading_error={"x": 0.1},
            replicates=2,
        )
        for z, lot, frame in (
            ("z", "lot", data),
            (f"`{name}`", f"`{name} lot`", data.rename(columns={"z": name, "lot": f"{name} lot"})),
        )
    )
    np.testing.assert_array_equal(one.fe_params, two.fe_params)
    assert not planted.marker.exists()


def test_a_heading_with_code_that_is_not_quoted_is_refused(data, planted):
    for heading in map(planted, TRIES):
        formula = DOORS["fixed"].format(heading)
        refused(planted, rl.fit, formula, data.assign(**{heading: 1}))


@pytest.mark.parametrize(
    "name", ["open", "len", "max", "print", "np", "contr", "scale", "log", "C"]
)
def test_a_column_may_have_the_name_of_a_function(data, name):
    renamed = data.rename(columns={"x": name})
    call = "center" if name != "center" else "scale"
    for term in ("{}", f"{call}({{}})", "season:{}", f"{call}(`{{}}`)"):
        expected = rl.fit(f"minutes ~ {term.format('x')} + (1 | lot)", data)
        found = rl.fit(f"minutes ~ {term.format(name)} + (1 | lot)", renamed)
        np.testing.assert_array_equal(found.fe_params, expected.fe_params)
        new = data.head(7)
        np.testing.assert_array_equal(
            found.predict(new.rename(columns={"x": name})), expected.predict(new)
        )
    for formula in ("{} ~ z + (1 | lot)", "minutes ~ z + ({} || lot)"):
        expected = rl.fit(formula.format("x"), data)
        found = rl.fit(formula.format(name), renamed)
        np.testing.assert_array_equal(found.fe_params, expected.fe_params)


def test_a_column_and_a_transform_of_one_name_are_refused_together(data, planted):
    for formula in ("minutes ~ scale + scale(x) + (1 | lot)", "scale(minutes) ~ x + (1 | scale)"):
        sentence = refused(planted, rl.fit, formula, data.assign(scale=data["z"]))
        assert "'scale'" in sentence and "rename the column" in sentence


def test_functions_without_a_column_of_their_name_are_not_reached(data):
    for name in ("open", "len", "np", "contr", "scale", "minutes2", "__import__", "x.__class__"):
        for term in ("{}", "season:{}", "center({})"):
            with pytest.raises(FormulaError, match=name.split(".")[0]):
                rl.fit(f"minutes ~ {term.format(name)} + (1 | lot)", data)


def test_the_refusal_names_the_part_and_what_can_be_written(data, planted):
    sentence = refused(planted, rl.fit, "minutes ~ z + I(np.exp(x)) + (1 | lot)", data)
    assert "'I(np.exp(x))'" in sentence and "'np.exp'" in sentence
    assert all(name in sentence for name in TRANSFORMS)


def test_nothing_else_lies_within_reach():
    """Were an expression let through, it would still find no function that is not listed."""
    import builtins

    from formulaic.transforms import TRANSFORMS as OF_FORMULAIC

    # An interactive prompt, and a doctest, keep the last value as builtins' `_`.
    for name in {*dir(builtins), *OF_FORMULAIC} - {*TRANSFORMS, "_"}:
        assert CONTEXT[name] is None
    assert {name for name, value in CONTEXT.items() if value is not None} == {*TRANSFORMS}


@pytest.mark.parametrize("text", ["I({write})", "scale(x, center={write})", "{write}(x)"])
def test_the_context_holds_without_the_check(data, planted, text):
    with pytest.raises(Exception, match="NoneType"):
        Formula(planted(text)).get_model_matrix(data, context=CONTEXT)
    assert not planted.marker.exists()


@pytest.mark.parametrize(
    "term",
    [
        "scale(x) * season",
        "C(season, Treatment('summer'))",
        "C(season, Sum())",
        "C(season, levels=['spring', 'summer', 'autumn'])",
        "bs(x, df=4, degree=2)",
        "cr(x, df=3, constraints='center')",
        "poly(x, 2)",
        "I(x > 0.5) + I((x > -1) & (z < 1))",
        "I(-x ** 2 / 3 + 1) + exp(z)",
        "I(season == 'spring')",
        "log(I(x + 100)) + center(z)",
        "within(x, lot) + between(x, lot)",
        "bs(x, knots=[-0.5, 0.5])",
        "standardize(x, rescale=False):season",
    ],
)
def test_what_may_be_written(data, term):
    found = rl.fit(f"minutes ~ {term} + (1 | supplier/lot)", data)
    expected = Formula(term).get_model_matrix(
        data, context={name: TRANSFORMS[name] for name in ("within", "between")}
    )
    assert list(found.fe_params.index) == list(expected.columns)
    np.testing.assert_allclose(found.fitted.design.X, expected.astype(float), atol=1e-12)
