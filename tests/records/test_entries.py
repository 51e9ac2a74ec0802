"""Entries beside her sheet: joined cell by cell, hers first, nothing lost, nothing twice."""

import signal
import subprocess
import sys
import textwrap

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import reedlab as rl
from reedlab.errors import RecordError
from reedlab.records.entries import Gathered, gather, note

SHEET = "reed,lot,maker,tied_on,outcome\n1,L1,KL,2026-01-02,\n2,L1,KL,2026-01-02,good\n"


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,ochre\nL2,olive\n")
    (tmp_path / "reeds.csv").write_text(SHEET)
    return tmp_path


def opened(folder):
    return rl.open_bench(folder, today="2026-02-01")


def reed(folder, label):
    frame = opened(folder).tables["reeds"]
    return frame[frame["reed"] == label].iloc[0]


def entries(*rows, **more):
    return pd.DataFrame([{"noted_at": "2026-01-10 12:00", **row} for row in rows]).assign(**more)


def test_an_empty_cell_of_hers_is_filled_and_her_file_stays(bench):
    note(bench, "reeds", entries({"reed": "1", "outcome": "reject", "fault": "flat"}))
    assert reed(bench, "1")["outcome"] == "reject" and reed(bench, "1")["fault"] == "flat"
    assert (bench / "reeds.csv").read_text() == SHEET


def test_hers_holds_where_the_values_differ_and_both_are_shown(bench):
    note(bench, "reeds", entries({"reed": "2", "outcome": "playable"}))
    assert reed(bench, "2")["outcome"] == "good"
    (finding,) = opened(bench).findings.query("table == 'entries/reeds-D.csv'").to_dict("records")
    assert (finding["column"], finding["value"]) == ("outcome", "playable")
    assert "good" in finding["problem"] and "row 3 of reeds" in finding["fix"]


def test_a_row_of_her_sheet_that_is_skipped_keeps_its_place(bench):
    (bench / "reeds.csv").write_text(f"{SHEET}Total,,,,2 reeds\n")
    note(bench, "reeds", entries({"reed": "8", "lot": "L1"}, {"reed": "9", "tied_on": "never"}))
    found = opened(bench).findings
    (total,) = found[found["value"] == "Total"].to_dict("records")
    assert (total["table"], total["row"]) == ("reeds", 4)
    of_entries = found[(found["table"] == "entries/reeds-D.csv") & (found["value"] == "never")]
    assert [*of_entries["row"]] == [3]


def test_of_one_device_the_last_entry_counts_and_an_entry_can_be_taken_back(bench):
    note(bench, "reeds", entries({"reed": "1", "outcome": "reject"}))
    note(bench, "reeds", entries({"reed": "1", "outcome": "good"}))
    assert reed(bench, "1")["outcome"] == "good"
    note(bench, "reeds", entries({"undoes": "D-2"}))
    assert reed(bench, "1")["outcome"] == "reject"


def test_steps_of_one_reed_come_together_from_several_devices(bench):
    note(bench, "reeds", entries({"reed": "1", "rough_on": "2026-01-03"}), device="A")
    note(bench, "reeds", entries({"reed": "1", "outcome": "good"}), device="B")
    found = reed(bench, "1")
    assert found["outcome"] == "good" and found["rough_on"] == pd.Timestamp("2026-01-03")


def test_two_devices_that_differ_are_a_finding_and_the_later_counts(bench):
    note(bench, "reeds", entries({"reed": "1", "outcome": "good"}), device="A")
    later = entries({"reed": "1", "outcome": "reject"}, noted_at="2026-01-11 09:00")
    note(bench, "reeds", later, device="B")
    assert reed(bench, "1")["outcome"] == "reject"
    assert opened(bench).findings["problem"].str.contains("on another device").sum() == 1


def test_a_reed_that_only_entries_know_is_added_and_its_findings_name_their_file(bench):
    new = {"reed": "9", "lot": "L9", "maker": "KL", "tied_on": "2026-01-05"}
    note(bench, "reeds", entries(new))
    assert reed(bench, "9")["tied_on"] == pd.Timestamp("2026-01-05")
    lot = opened(bench).findings.query("column == 'lot' and severity == 'error'").iloc[0]
    assert (lot["table"], lot["row"]) == ("entries/reeds-D.csv", 2)


def test_one_label_with_two_days_of_tying_is_two_reeds(bench):
    note(bench, "reeds", entries({"reed": "1", "lot": "L2", "maker": "KL",
                                  "tied_on": "2026-01-20", "outcome": "good"}))  # fmt: skip
    assert pd.isna(reed(bench, "1")["outcome"])
    assert reed(bench, "1 (D)")["outcome"] == "good"
    assert opened(bench).findings["problem"].str.contains("already the label").any()


def test_one_label_that_two_phones_tied_is_two_reeds_and_the_pencil_joins_the_first(bench):
    tied = {"reed": "A1", "lot": "L1", "maker": "KL", "tied_on": "2026-01-20"}
    note(bench, "reeds", entries(tied), device="Axy")
    note(bench, "reeds", entries(tied), device="Azz")
    note(bench, "reeds", entries({"outcome": "good", **tied}))
    assert reed(bench, "A1")["outcome"] == "good" and pd.isna(reed(bench, "A1 (Azz)")["outcome"])
    assert opened(bench).findings["problem"].str.contains("of a reed from another phone").any()


def test_minutes_of_a_batch_go_to_sittings_undivided(bench):
    note(bench, "sittings", entries({"date": "2026-01-10", "maker": "KL", "stage": "rough",
                                     "reeds": "1; 2", "minutes": "40"}))  # fmt: skip
    sittings = opened(bench).tables["sittings"]
    assert sittings["minutes"].tolist() == [40.0]


EXPORT = "entry,noted_at,reed,outcome\nA-1,2026-01-10 12:00,1,good\nA-2,2026-01-10 12:01,2,good\n"


def test_the_same_export_twice_adds_nothing(bench):
    first, again = (gather(bench, EXPORT, "export") for _ in range(2))
    assert (first.added, first.known) == (2, 0)
    assert (again.added, again.known, again.differing) == (0, 2, ())
    assert len((bench / "entries" / "reeds-A.csv").read_text().splitlines()) == 3


def test_a_label_of_another_bench_is_refused_and_one_that_names_none_is_taken(bench):
    (bench / "phone").mkdir()
    (bench / "phone" / "id.txt").write_text("0123456789ab\n")
    own, other = (EXPORT.replace("A-", f"A1a2b3{of}-") for of in ("012345", "543210"))
    with pytest.raises(RecordError, match="another bench"):
        gather(bench, other, "export")
    assert not (bench / "entries").exists()
    assert gather(bench, own, "export").added == 2
    assert gather(bench, EXPORT.replace("A-", "Bxy12-"), "export").added == 2


def test_an_entry_that_comes_again_with_another_value_is_named_and_not_taken(bench):
    gather(bench, EXPORT, "export")
    again = gather(bench, EXPORT.replace("1,good", "1,reject"), "export")
    assert again.differing == ("A-1",) and again.added == 0
    assert reed(bench, "1")["outcome"] == "good"


BOTH = (
    "entry,noted_at,undoes,reed,lot,tied_on,rough_on,date,stage,reeds,minutes,note\n"
    "A-1,2026-01-10 12:00:01,,A1,L1,2026-01-10,,,,,,-flat\n"
    "A-2,2026-01-10 12:00:01,,A2,L1,2026-01-10,,,,,,\n"
    "A-3,2026-01-11 09:00:00,,A1,,,2026-01-11,,,,,\n"
    "A-4,2026-01-11 09:40:00,,,,,,2026-01-11,rough,A1; A2,38,\n"
    "A-5,2026-01-11 09:41:00,,,,,,2026-01-11,rough,A1; A2,380,\n"
    "A-6,2026-01-11 09:41:10,A-5,,,,,,,,,\n"
    "A-7,2026-01-11 09:42:00,A-3,,,,,,,,,\n"
)


def test_one_export_holds_reeds_and_sittings_and_what_is_taken_back_of_each(bench):
    """The undo of a sitting goes to sittings, that of a reed to reeds, and twice adds nothing."""
    assert gather(bench, BOTH, "export").added == 7
    assert gather(bench, BOTH, "export") == Gathered(0, 7, ())
    opened_bench = opened(bench)
    reeds = opened_bench.tables["reeds"].set_index("reed")
    assert reeds.loc[["A1", "A2"], "lot"].tolist() == ["L1", "L1"]
    assert reeds.loc["A1", "rough_on"] is pd.NaT
    assert opened_bench.tables["sittings"]["minutes"].tolist() == [38.0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (BOTH[:-30], "is cut in row 8, which has 2 of 12 cells"),
        (BOTH.replace("A-3,", "A,"), "an entry 'A': write it as A-17"),
        (BOTH.replace("rough,A1; A2,38,", ",,,"), "an entry A-4 that names no reed"),
        (BOTH.replace("A-3,2026-01-11 09:00:00,,A1", "A-3,2026-01-11 09:00:00,,")
         .replace(",,,2026-01-11,,,,,\n", ",,,2026-01-11,,,A1,,\n"), "of sittings with rough_on"),
    ],
)  # fmt: skip
def test_an_export_that_was_cut_or_mixed_up_is_refused_whole(bench, text, says):
    with pytest.raises(RecordError, match=says):
        gather(bench, text, "export")
    assert not list(bench.rglob("entries/*.csv"))


@pytest.mark.parametrize(
    "text", ["", "not a table", "a,b\n1,2\n", "entry,reed,colour\nA-1,1,red\n",
             "entry,reed,outcome\n../../x,1,good\n"],
)  # fmt: skip
def test_what_is_no_export_is_refused_and_nothing_is_written(bench, text):
    with pytest.raises(RecordError):
        gather(bench, text, "export")
    assert not list(bench.rglob("entries/*.csv"))


CELLS = st.lists(
    st.tuples(st.sampled_from("ABC"), st.sampled_from(["1", "2", "3"]),
              st.sampled_from(["outcome=good", "outcome=reject", "fault=flat", "crow=on"])),
    min_size=2, max_size=6,
)  # fmt: skip


@settings(max_examples=4, deadline=None)
@given(CELLS, st.randoms())
def test_the_order_in_which_exports_come_does_not_matter(tmp_path_factory, cells, chance):
    """Three devices' exports, gathered in any order and some of them twice, give one bench."""
    exports = {}
    for at, (device, label, cell) in enumerate(cells):
        name, value = cell.split("=")
        row = {"entry": f"{device}-{at + 1}", "noted_at": f"2026-01-10 12:{at:02}", "reed": label}
        exports.setdefault(device, []).append(row | {name: value})
    texts = [pd.DataFrame(rows).fillna("").to_csv(index=False) for rows in exports.values()]
    found = []
    for shuffled in (False, True):
        folder = tmp_path_factory.mktemp("bench")
        (folder / "lots.csv").write_text("lot,supplier\nL1,ochre\n")
        (folder / "reeds.csv").write_text(SHEET)
        turn = texts * 2 if shuffled else texts
        if shuffled:
            chance.shuffle(turn)
        for text in turn:
            gather(folder, text, "export")
        frame = opened(folder).tables["reeds"]
        shown = frame.sort_values("reed")[["reed", "outcome", "fault", "crow"]].astype(object)
        found.append(shown.fillna("").to_numpy().tolist())
    assert found[0] == found[1]


@pytest.mark.skipif(sys.platform == "win32", reason="a signal that cannot be caught")
def test_a_kill_at_any_write_leaves_the_entries_whole(bench):
    gather(bench, EXPORT, "export")
    before = (bench / "entries" / "reeds-A.csv").read_bytes()
    script = textwrap.dedent(f"""
        import os, pathlib, signal
        from reedlab.records import store
        whole = store._to_disk
        def killed(path):
            os.kill(os.getpid(), signal.SIGKILL)
        store._to_disk = killed
        from reedlab.records.entries import gather
        gather(pathlib.Path({str(bench)!r}), "entry,reed,outcome\\nA-3,1,reject\\n", "export")
    """)
    ended = subprocess.run([sys.executable, "-c", script], check=False)
    assert ended.returncode == -signal.SIGKILL
    assert (bench / "entries" / "reeds-A.csv").read_bytes() == before
    assert opened(bench).findings.query("table.str.startswith('entries')").empty
    assert gather(bench, "entry,reed,outcome\nA-3,2,good\n", "export").added == 1
