"""The made-up bench: repeatable, clean, and true to what it says of itself."""

import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import WriteError
from reedlab.paths import shipped
from reedlab.records import open_bench
from reedlab.simulate import World, demo, simulate_bench, simulate_reeds, write_demo


@pytest.fixture(scope="module")
def made():
    return simulate_bench(seed=5)


def test_the_shipped_demo_is_what_its_seed_makes(tmp_path):
    written = write_demo(tmp_path / "demo")
    kept = shipped("data") / "demo"
    names = sorted(p.name for p in kept.iterdir())
    assert names == sorted(p.name for p in written.iterdir())
    for name in names:
        assert (written / name).read_bytes() == (kept / name).read_bytes(), name


def test_the_truth_is_known_of_the_demo_alone_and_is_in_none_of_its_files(made, tmp_path):
    truth = demo.truth_of(demo.demo_bench())
    assert sorted(truth.suppliers["supplier"]) == ["crimson", "indigo", "ochre", "olive", "slate"]
    copy = tmp_path / "copy"
    shutil.copytree(shipped("data") / "demo", copy)
    text = "".join(path.read_text("utf-8") for path in copy.iterdir())
    assert not any(f"{effect:.3f}"[1:] in text for effect in truth.suppliers["effect"].abs())
    reeds = copy / "reeds.csv"
    reeds.write_text(reeds.read_text("utf-8") + "R999,L01\n", "utf-8")
    assert demo.truth_of(open_bench(copy, today=demo.LAST_DAY)) is None
    assert demo.truth_of(made[0]) is None


def test_the_demo_takes_up_an_empty_folder_and_leaves_a_full_one_alone(tmp_path):
    folder = tmp_path / "demo"
    folder.mkdir()
    write_demo(folder)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(WriteError, match="exists already"):
        write_demo(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["demo"]


def test_the_same_seed_gives_the_same_bench_and_another_seed_another(made):
    bench, truth = made
    again, truth_again = simulate_bench(seed=5)
    for name, table in bench.tables.items():
        pd.testing.assert_frame_equal(table, again.tables[name])
    pd.testing.assert_frame_equal(truth.suppliers, truth_again.suppliers)
    other, _ = simulate_bench(seed=6)
    assert not bench.tables["reeds"].equals(other.tables["reeds"])


def test_the_records_are_clean_but_for_a_few_warnings(made):
    findings = made[0].findings
    assert (findings["severity"] != "error").all()
    assert len(findings) <= 12


def test_records_of_many_years_end_on_the_benchs_own_today():
    bench, _ = simulate_bench(seed=1, years=8)
    assert (bench.findings["severity"] != "error").all()
    assert bench.tables["reeds"]["tied_on"].notna().all()
    assert bench.tables["reeds"]["tied_on"].max().date() <= bench.today


def test_the_bench_is_as_large_and_as_uneven_as_asked(made):
    bench, truth = made
    reeds = bench.reeds
    lots = reeds.groupby("supplier", observed=True)["lot"].nunique()
    assert len(reeds) == 700
    assert reeds["maker"].nunique() == 2
    assert len(lots) == 5
    assert lots.between(3, 5).all()
    assert truth.lots.groupby("supplier").size().sort_index().tolist() == lots.sort_index().tolist()
    assert (reeds["tied_on"].max() - reeds["tied_on"].min()).days == pytest.approx(890, abs=60)
    assert 0 < (reeds["status"] == "pending").sum() < 40
    assert reeds["minutes_shared"].mean() == pytest.approx(0.4, abs=0.12)
    assert 0.3 < reeds["density_g_cm3"].notna().mean() < 0.7
    assert reeds["returned_on"].notna().sum() >= 3
    assert {"given_up", "broken", "reject", "playable", "good"} == set(reeds["outcome"].dropna())
    assert len(bench.tables["gauge"]) == 10 * 2 * 2 * 3


def test_no_piece_is_lost_twice_between_the_tally_and_the_reeds(made):
    bench, _ = made
    tally = bench.tables["tally"].sort_values(["lot", "date"])
    through = tally.groupby("lot")["pieces_out"].last()
    tied = bench.reeds.groupby("lot", observed=True).size().reindex(through.index)
    assert (through >= tied).all()
    assert (tally["pieces_in"] >= tally["pieces_out"]).all()
    following = tally.groupby("lot")["pieces_in"].shift(-1).dropna()
    assert (following == tally.loc[following.index, "pieces_out"]).all()


def test_sister_pieces_of_a_tube_are_alike(made):
    cane = made[0].cane.dropna(subset=["tube", "density_g_cm3"])
    within_lot = cane["density_g_cm3"] - cane.groupby("lot", observed=True)[
        "density_g_cm3"
    ].transform("mean")
    tubes = within_lot.groupby(cane["tube"])
    several = tubes.transform("size") > 1
    between = tubes.transform("mean")[several].var()
    assert between > 0.5 * within_lot[several].var()


def test_success_follows_the_logistic_truth_in_a_large_quick_frame():
    world = replace(
        World(), supplier_sd=0.0, lot_sd=0.0, supplier_minutes_sd=0.0, lot_minutes_sd=0.0
    )
    frame, truth = simulate_reeds(seed=8, suppliers=2, lots=(5, 5), reeds=(2000, 2000), world=world)
    for supplier, mine in frame.groupby("supplier", observed=True):
        true = truth.suppliers.set_index("supplier").loc[supplier]
        assert mine["success"].mean() == pytest.approx(true["success"], abs=0.03)
        spent = mine.groupby("success")["scrape_min"].mean()
        assert spent[1.0] == pytest.approx(true["minutes_success"], rel=0.03)
        assert spent[0.0] == pytest.approx(true["minutes_failure"], rel=0.04)


def test_good_reeds_come_back_by_their_suppliers_chance():
    world = replace(World(), back=0.2, supplier_back_sd=0.8)
    shape = {"suppliers": 3, "lots": (2, 2), "reeds": (2000, 2000)}
    frame, truth = simulate_reeds(seed=8, world=world, **shape)
    good = frame[frame["success"] == 1].groupby("supplier", observed=True)["came_back"].mean()
    true = truth.suppliers.set_index("supplier")["back"]
    assert true.max() - true.min() > 0.1
    assert good.to_numpy() == pytest.approx(true[good.index].to_numpy(), abs=0.03)
    assert not frame.loc[frame["success"] == 0, "came_back"].any()
    none, _ = simulate_reeds(seed=8, world=World(), **shape)
    assert not none["came_back"].any()
    pd.testing.assert_frame_equal(*(f.drop(columns="came_back") for f in (frame, none)))


def test_expected_next_lot_is_the_mean_of_many_next_lots():
    nexts = [simulate_reeds(seed=s, suppliers=8, world=World())[1].suppliers for s in range(60)]
    every = pd.concat(nexts)
    off = every["next_success"] - every["success"]
    assert off.mean() == pytest.approx(0.0, abs=3 * off.std() / np.sqrt(len(off)))
    ratio = every["next_minutes_success"] / every["minutes_success"]
    assert ratio.mean() == pytest.approx(1.0, abs=3 * ratio.std() / np.sqrt(len(ratio)))


def test_worlds_from_the_prior_have_half_normal_sds():
    rng = np.random.default_rng(1)
    worlds = [World.from_prior(rng) for _ in range(2000)]
    # The mean of a half-normal is scale x sqrt(2 / pi).
    sds = np.array([[w.supplier_sd, w.lot_sd, w.supplier_minutes_sd] for w in worlds])
    assert sds.mean(axis=0) == pytest.approx(
        np.array([0.75, 0.75, 0.25]) * np.sqrt(2 / np.pi), rel=0.06
    )
