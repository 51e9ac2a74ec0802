"""The notebook on pieces not measured: its answer asked of the library again, and small benches."""

from dataclasses import replace

import nbformat
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.conditions.measured_or_not import unmeasured
from reedlab.decide.evidence import gather
from reedlab.mixed.gaps import missing
from reedlab.paths import shipped
from reedlab.report.words.numbers import written
from reedlab.simulate import simulate_bench


@pytest.fixture(scope="module")
def bench():
    return rl.open_bench(shipped("data") / "demo")


@pytest.fixture(scope="module")
def answer(bench):
    return unmeasured(bench)


@pytest.fixture(scope="module")
def said():
    notebook = nbformat.read(shipped("notebooks") / "09-not-measured.ipynb", as_version=4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    return [o.data["text/plain"] for o in outputs if "data" in o]


def test_the_stored_answer_is_what_the_library_says(answer, said):
    assert said[0] == answer.sentence()
    assert answer.dropped.sentence().replace(answer.column, "density") in said
    (table,) = [text for text in said if "mean error" in text]
    told = written(answer.information, 3)["missing"].tolist()[1:]
    assert [line.split()[-4] for line in table.splitlines()[1:]] == told


def test_the_counts_are_those_of_the_records(answer, bench):
    """Beside plain pandas; and the density's true slope of the demo lies in both intervals."""
    reeds = gather(bench).reeds
    table = answer.dropped.table.set_index("supplier")
    known = reeds["density_g_cm3"].notna()
    by = reeds["supplier"].astype(str)
    assert (table["measured"] == known.groupby(by).sum()).all()
    assert (table["reeds"] == known.groupby(by).size()).all()
    none = ~known.groupby(reeds["lot"].astype(str)).any()
    assert sorted(answer.dropped.lots["lot"]) == sorted(none.index[none])
    assert answer.unit == pytest.approx(reeds["density_g_cm3"].std())
    truth = -0.35 * answer.unit / 0.05  # World.density, per 0.05 g/cm3
    for summary in (answer.left_out, answer.filled_in):
        assert summary.loc["density_g_cm3", "low"] < truth < summary.loc["density_g_cm3", "high"]


def test_filling_in_tells_more_of_what_every_reed_tells(answer):
    """The maker is known of every reed, so that keeping them all must narrow its interval."""
    maker = "maker[T.RS]"
    assert answer.filled_in.loc[maker, "sd"] < 0.85 * answer.left_out.loc[maker, "sd"]
    assert answer.information.loc[maker, "missing"] < 0.15
    assert answer.information.loc["density_g_cm3", "missing"] > 0.2


@pytest.mark.parametrize(
    ("left_out", "filled_in", "words"),
    [  # mean, sd, low, high
        ((-0.3, 0.15, -0.6, -0.1), (-0.3, 0.14, -0.5, -0.1), "leaves the answer on density where"),
        ((-0.3, 0.15, -0.6, -0.1), (-0.3, 0.14, -0.5, -0.1), "where it is, as sure as before"),
        ((-0.3, 0.15, -0.6, -0.1), (-0.37, 0.1, -0.5, -0.1), "where it is, surer than before"),
        ((-0.3, 0.15, -0.6, -0.1), (-0.3, 0.2, -0.7, 0.1), "where it is, less sure than"),
        ((-0.3, 0.15, -0.6, -0.1), (-0.3, 0.2, -0.7, 0.1), "cannot tell for sure which way"),
        (
            (-0.3, 0.15, -0.6, -0.1),
            (-0.39, 0.15, -0.7, -0.1),
            "changes the answer on density, as sure",
        ),
    ],
)
def test_what_is_said_follows_from_the_intervals(answer, left_out, filled_in, words):
    def table(row):
        return pd.DataFrame([row], ["density_g_cm3"], ["mean", "sd", "low", "high"])

    other = replace(answer, left_out=table(left_out), filled_in=table(filled_in))
    assert words in other.sentence()
    assert ("cannot tell" in other.sentence()) == (filled_in[3] > 0)
    assert "11 of 22 lots were never measured" in other.sentence()
    reached = replace(
        other, dropped=missing.Dropped(answer.dropped.table, answer.dropped.lots.iloc[:0], ("x",))
    )
    assert "Go on measuring some pieces of every lot" in reached.sentence()


def test_a_bench_that_cannot_answer_says_so_in_a_sentence(bench):
    small, _ = simulate_bench(seed=1, suppliers=2, lots=(1, 1), reeds=40, years=1)
    with pytest.raises(rl.DecisionError, match="note density or hardness of ten pieces"):
        unmeasured(small)
    with pytest.raises(rl.DecisionError, match="note density or hardness of ten pieces"):
        unmeasured(rl.open_bench(shipped("data") / "messy"))
    with pytest.raises(rl.DecisionError, match="choose density_g_cm3, hardness and gouge_centre"):
        unmeasured(bench, "colour")
    tables = dict(bench.tables)
    every = gather(bench).reeds.dropna(subset=["density_g_cm3"])["reed"]
    tables["reeds"] = tables["reeds"][tables["reeds"]["reed"].isin(every)]
    measured = type(bench).from_tables(tables, settings=bench.settings)
    with pytest.raises(rl.DecisionError, match="nothing is missing"):
        unmeasured(measured)
