"""Is it the supplier or the density: on benches where it is the one, and where it is the other."""

from dataclasses import replace

import pytest

from reedlab.decide.answer import Verdict
from reedlab.decide.shared_models.cane_slopes import SLOPES
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.errors import DataError
from reedlab.records import Bench
from reedlab.simulate import World, simulate_bench

DENSITY_ONLY = replace(
    World(), supplier_sd=0.0, lot_sd=0.0, density=-1.6, supplier_density_sd=0.03,
    lot_density_sd=0.012,
)  # fmt: skip
SUPPLIER_ONLY = replace(
    World(), supplier_sd=1.0, lot_sd=0.0, density=0.0, supplier_density_sd=0.0,
    lot_density_sd=0.015,
)  # fmt: skip


def bench_of(world, seed):
    return simulate_bench(seed, suppliers=4, lots=(5, 6), reeds=900, world=world)[0]


def test_where_density_makes_the_suppliers_it_takes_their_lead():
    found = suppliers(bench_of(DENSITY_ONLY, 3)).equal_cane()
    between = found.slopes.loc["between"]
    true = 2.718281828 ** (DENSITY_ONLY.density / 0.05 * found.unit)
    assert between["low"] < true < between["high"] < 1
    assert found.accounts_for["median"] > 0.6
    assert "With density held equal" in found.sentence()


def test_where_suppliers_differ_by_themselves_density_takes_little():
    found = suppliers(bench_of(SUPPLIER_ONLY, 5)).equal_cane()
    between = found.slopes.loc["between"]
    assert between["low"] < 1 < between["high"]
    assert abs(found.accounts_for["median"]) < 0.4
    assert str(found.record_next) in repr(found) and str(found.record_next) not in str(
        found.sentence()
    )


def test_reeds_left_out_for_want_of_a_measure_are_said():
    """A third of the pieces lose their density; what is said of the others says so."""
    whole = bench_of(DENSITY_ONLY, 3)
    pieces = whole.tables["pieces"].copy()
    pieces.loc[pieces.index % 3 == 0, ["density_g_cm3", "float_mm", "mass_g"]] = float("nan")
    some = Bench.from_tables({**whole.tables, "pieces": pieces}, check=False, today=whole.today)
    found, every = suppliers(some).equal_cane(), suppliers(whole).equal_cane()
    settled = some.reeds[some.reeds["settled"]].dropna(subset=["supplier", "success"])
    assert found.left_out == settled["density_g_cm3"].isna().sum() > every.left_out
    assert f"Left out: {found.left_out} reeds whose density was not measured" in found.sentence()
    assert "Left out" not in replace(found, left_out=0).sentence()


def test_unmeasured_cane_is_refused_with_what_to_measure(small_bench):
    said = suppliers(small_bench([("teal", "a", 3, 6, 4), ("plum", "b", 5, 7, 3)]))
    found = said.equal_cane()
    assert found.verdict is Verdict.CANNOT_SAY and "at least 4 lots" in found.record_next.what
    assert list(found.slopes) == list(SLOPES)


def test_a_column_that_is_not_there_is_an_error(answer):
    with pytest.raises(DataError, match="no column of numbers called 'colour'"):
        answer.equal_cane("colour")
