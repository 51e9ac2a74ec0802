"""A pencil sheet's rows, kept and typed back."""

import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import RecordError
from reedlab.records.tables import FAULTS
from reedlab.records.write.pencil_rows import (
    new_sheet,
    open_sheet,
    read_keys,
    read_shared,
    save_typed,
)
from reedlab.records.write.waiting import note_waiting


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,ochre\n")
    (tmp_path / "reeds.csv").write_text(
        "reed,lot,maker,tied_on,outcome\nR008,L1,KL,2026-01-02,good\nR009,L1,KL,2026-01-02,\n"
    )
    return tmp_path


def opened(folder):
    return rl.open_bench(folder, today="2026-02-01")


def test_labels_count_on_and_no_two_sheets_share_one(bench):
    first = new_sheet(opened(bench), "L1", 3)
    second = new_sheet(opened(bench), "L1", 2)
    assert (first.number, second.number) == (1, 2)
    assert [*first.rows["reed"], *second.rows["reed"]] == ["R010", "R011", "R012", "R013", "R014"]
    assert open_sheet(bench, 1).rows.equals(first.rows)


@pytest.mark.parametrize(
    ("keys", "cells"),
    [
        ("", {}),
        ("g3", {"outcome": "good", "strength": "medium"}),
        ("3G", {"outcome": "good", "strength": "medium"}),
        ("p", {"outcome": "playable"}),
        ("n4", {"outcome": "reject", "lost_at": "play", "fault": "flat"}),
        ("r9", {"outcome": "given_up", "lost_at": "rough", "fault": "cracked"}),
        ("f0", {"outcome": "reject", "lost_at": "finish", "fault": "other"}),
        ("k-l", {"seals": "yes", "crow": "flat", "opening": "large"}),
        ("p/Stopped at 10", {"outcome": "playable", "note": "Stopped at 10"}),
    ],
)
def test_a_key_is_a_cell(keys, cells):
    assert read_keys(keys) == cells
    assert cells.get("fault", "other") in FAULTS


@pytest.mark.parametrize(("keys", "says"), [("gq", "is not a key"), ("gp", "twice"), ("7", "key")])
def test_a_key_that_means_nothing_is_named(keys, says):
    with pytest.raises(RecordError, match=says):
        read_keys(keys)


def typed(bench):
    sheet = new_sheet(opened(bench), "L1", 4)
    days = {"maker": "KL", "tied_on": "2026-01-10", "rough_on": "2026-01-12",
            "finished_on": "2026-01-14", "judged_on": "2026-01-17"}  # fmt: skip
    return sheet, days, ["g2", "r1", "", "n5"], {"rough": "38", "finish": "44,5"}


def test_a_sheet_comes_back_as_the_reeds_of_its_batch(bench):
    sheet, days, keys, minutes = typed(bench)
    head = {"place": "9", "staple": "brass", "tied_mm": "72,5", "rh_pct": "41"}
    save_typed(bench, sheet, days | head, keys, minutes | {"tie": "25"})
    reeds = opened(bench).tables["reeds"].set_index("reed")
    assert reeds.loc["R010", "strength"] == "medium_soft"
    assert reeds.loc["R010", "judged_on"] == pd.Timestamp("2026-01-17")
    assert reeds.loc["R011", "lost_at"] == "rough" and pd.isna(reeds.loc["R011", "finished_on"])
    assert pd.isna(reeds.loc["R012", "outcome"])  # still to be judged
    assert reeds.loc["R012", "finished_on"] == pd.Timestamp("2026-01-14")
    batch = reeds.loc["R010":"R013"]
    assert batch["place"].tolist() == ["9", "10", "11", "12"]
    assert {*batch["tied_mm"]} == {72.5} and {*batch["rh_pct"]} == {41.0}
    sittings = opened(bench).tables["sittings"].set_index("stage")
    assert sittings["minutes"].to_dict() == {"tie": 25.0, "rough": 38.0, "finish": 44.5}
    assert sittings.loc["tie", "reeds"] == "R010; R011; R012; R013"
    assert sittings.loc["finish", "reeds"] == "R010; R012; R013"  # R011 was lost before
    assert sittings.loc["tie", "date"] == pd.Timestamp("2026-01-10")
    assert opened(bench).findings.query("severity == 'error'").empty


def test_typing_a_sheet_twice_does_no_harm(bench):
    sheet, days, keys, minutes = typed(bench)
    save_typed(bench, sheet, days, keys, minutes)
    once = opened(bench).reeds
    save_typed(bench, sheet, days, keys, minutes)
    pd.testing.assert_frame_equal(opened(bench).reeds, once)
    # Of the minutes too, what was typed last counts; a batch of one is no count of reeds.
    save_typed(bench, sheet, {}, [""] * 4, {"rough": "40"})
    sittings = opened(bench).tables["sittings"]
    assert sittings.set_index("stage")["minutes"].to_dict() == {"rough": 40.0, "finish": 44.5}
    save_typed(bench, new_sheet(opened(bench), "L1", 1), {}, ["g"], {"tie": "3"})
    assert opened(bench).tables["sittings"]["reeds"].tolist()[-1] == "R014;"


@pytest.mark.parametrize(
    ("batch", "minutes", "says"),
    [({"tied_on": "10.1."}, {}, "valid date"), ({}, {"rough": "long"}, "number of minutes")],
)
def test_what_cannot_be_read_is_refused_before_anything_is_noted(bench, batch, minutes, says):
    sheet, _, keys, _ = typed(bench)
    with pytest.raises(RecordError, match=says):
        save_typed(bench, sheet, batch, keys, minutes)
    assert not (bench / "entries").exists()


def test_a_sheet_that_is_not_there_and_one_of_a_wrong_size(bench):
    with pytest.raises(RecordError, match=r"there is no sheet 3 in .*: write one"):
        open_sheet(bench, 3)
    with pytest.raises(RecordError, match="1 to 12 rows"):
        new_sheet(opened(bench), "L1", 40)
    with pytest.raises(RecordError, match="'L7' is not in lots"):
        new_sheet(opened(bench), "L7")


def test_a_waiting_blank_is_thrown_away_or_still_there(bench):
    note_waiting(opened(bench), [], ["R009"])
    assert opened(bench).tables["reeds"]["outcome"].tolist() == ["good", "given_up"]
    with pytest.raises(RecordError, match="'R009' is not the label of a blank"):
        note_waiting(opened(bench), ["R009"], [])


def test_still_there_is_noted_with_its_day(bench):
    note_waiting(opened(bench), ["R009"], [])
    seen = opened(bench).tables["reeds"].set_index("reed")["seen_on"]
    assert seen["R009"] == pd.Timestamp("2026-02-01")


@pytest.mark.parametrize(
    ("name", "written", "says"),
    [
        ("tied_on", "2027-03-30", "is in the future: write a day up to 2026-10-02"),
        ("rough_on", "2026-02-27", "before the step before it: write a day from 2026-03-01 on"),
        ("finished_on", "2024-03-01", "before the step before it"),
        ("tied_mm", "7,2", "7,2 mm cannot be: write 50 to 100 mm"),
        ("rh_pct", "450", "450 % cannot be: write 2 to 100 %"),
        ("minutes", "2000", "2000 minutes cannot be"),
        ("place", "ten", "'ten' has no number"),
    ],
)
def test_what_cannot_be_is_asked_again(monkeypatch, name, written, says):
    monkeypatch.setenv("REEDLAB_TODAY", "2026-10-02")
    before = {"tied_on": "2026-03-01"}
    with pytest.raises(RecordError, match=says):
        read_shared(name, written, before)


def test_what_can_be_is_taken_as_it_is(monkeypatch):
    monkeypatch.setenv("REEDLAB_TODAY", "2026-10-02")
    before = {"tied_on": "2026-03-01", "rough_on": ""}
    typed = {"finished_on": "2026-03-01", "tied_mm": "72,5", "place": "B7", "lot": "L ten"}
    assert [read_shared(name, cell, before) for name, cell in typed.items()] == [
        "2026-03-01", "72.5", "B7", "L ten"
    ]  # fmt: skip
