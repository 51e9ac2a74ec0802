"""Writing: whole or not at all, nothing replaced unasked, text that stays text."""

import multiprocessing
import os
import time
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from reedlab.errors import WriteError
from reedlab.records import TABLES, mark_workbook, new_bench, open_bench
from reedlab.records.store import alone_in, beside, write_table, write_text

FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("x")', "fine", "3-4"]
forking = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX processes")


def killed(target, *args, after: float, first: Path | None = None) -> None:
    """Start a process, let it run for a while (once `first` is there), and kill it."""
    process = multiprocessing.get_context("fork").Process(target=target, args=args)
    process.start()
    while first is not None and process.is_alive() and not first.exists():
        time.sleep(0.005)
    time.sleep(after)
    process.kill()
    process.join()


def write_by_turns(path, texts) -> None:
    while True:
        for text in texts:
            write_text(text, path, replace=True)


@forking
def test_a_kill_at_any_moment_leaves_the_old_or_the_new(tmp_path):
    texts = ["old\n" * 200_000, "new\n" * 300_000]
    path = write_text(texts[0], tmp_path / "table.csv")
    seen = set()
    for after in np.random.default_rng(1).uniform(0.005, 0.08, 40):
        killed(write_by_turns, path, texts, after=float(after))
        seen.add(path.read_text())
    assert seen <= set(texts)
    assert len(seen) == 2  # kills came both before and after a rename


def write_benches(folder) -> None:
    for at in range(1000):
        new_bench(folder / f"bench{at}")


@forking
def test_a_killed_new_bench_is_whole_or_not_there(tmp_path):
    for at, after in enumerate(np.random.default_rng(2).uniform(0.0, 0.3, 8)):
        folder = tmp_path / str(at)
        killed(write_benches, folder, after=float(after), first=folder / "bench0")
    benches = [path for path in tmp_path.glob("*/bench*") if not path.name.startswith(".")]
    assert benches
    for path in benches:
        assert len(list(path.iterdir())) == len(TABLES) + 1


def write_own(path, text, times) -> None:
    for _ in range(times):
        write_text(text, path, replace=True)


@forking
def test_two_runs_at_once_do_not_mix(tmp_path):
    path = tmp_path / "page.html"
    texts = [letter * 500_000 for letter in "ab"]
    fork = multiprocessing.get_context("fork")
    runs = [fork.Process(target=write_own, args=(path, text, 30)) for text in texts]
    for run in runs:
        run.start()
    while any(run.is_alive() for run in runs):
        if path.exists():
            assert path.read_text() in texts
    assert [run.exitcode for run in runs] == [0, 0]
    assert [found.name for found in tmp_path.iterdir()] == ["page.html"]


def hold(folder, held) -> None:
    with alone_in(folder):
        held.set()
        time.sleep(60)


@forking
def test_a_folder_is_written_by_one_run_and_a_killed_run_frees_it(tmp_path):
    fork = multiprocessing.get_context("fork")
    held = fork.Event()
    run = fork.Process(target=hold, args=(tmp_path, held))
    run.start()
    assert held.wait(20)
    with pytest.raises(WriteError, match="another run"), alone_in(tmp_path):
        pass
    run.kill()
    run.join()
    with alone_in(tmp_path):
        pass


def test_nothing_is_replaced_unasked(tmp_path):
    path = write_text("first", tmp_path / "note.txt")
    with pytest.raises(WriteError, match="exists already"):
        write_text("second", path)
    assert path.read_text() == "first"
    assert write_text("third", path, replace=True).read_text() == "third"


def test_a_name_taken_while_writing_is_not_written_over(tmp_path):
    path = tmp_path / "note.txt"
    with pytest.raises(WriteError, match="exists already"), beside(path) as fresh:
        fresh.write_text("ours")
        path.write_text("theirs")
    assert path.read_text() == "theirs"
    assert [found.name for found in tmp_path.iterdir()] == ["note.txt"]


def test_what_raises_leaves_nothing_behind(tmp_path):
    with pytest.raises(ZeroDivisionError), beside(tmp_path / "a" / "table.csv") as fresh:
        fresh.write_text("half")
        raise ZeroDivisionError
    assert list((tmp_path / "a").iterdir()) == []


def test_a_folder_that_cannot_be_written_is_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    for below in ("below.txt", "further/below.txt"):
        with pytest.raises(WriteError, match="file is a file, and a folder is needed"):
            write_text("x", tmp_path / "file" / below)


def test_a_file_where_the_report_must_be_is_named(tmp_path):
    (tmp_path / "report").write_text("mine")
    with pytest.raises(WriteError, match="report is a file"), alone_in(tmp_path / "report" / "x"):
        pass
    assert (tmp_path / "report").read_text() == "mine"


def test_text_that_looks_like_a_formula_stays_text_in_csv(tmp_path):
    """As OWASP's page on CSV injection asks: = + - @, tab and return are led by an apostrophe."""
    frame = pd.DataFrame({"reed": range(9), "=note": FORMULAS, "lot": pd.Categorical(FORMULAS)})
    path = write_table(frame, tmp_path / "reeds.csv")
    raw = pd.read_csv(path, dtype=str, encoding="utf-8-sig", keep_default_na=False)
    for column in ("'=note", "lot"):
        assert not raw[column].str.startswith(("=", "+", "-", "@", "\t", "\r")).any()
    assert raw["reed"].tolist() == [str(i) for i in range(9)]  # numbers are left alone


def test_what_was_protected_reads_back_as_it_was(tmp_path):
    write_table(pd.DataFrame({"reed": range(9), "note": FORMULAS}), tmp_path / "reeds.csv")
    notes = open_bench(tmp_path).tables["reeds"]["note"]
    assert notes.tolist() == [text.strip() for text in FORMULAS]


@pytest.fixture
def faulty(tmp_path):
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "lots.csv").write_text("my lots\n\nlot,supplier\nL1,Ochre\n")
    reeds = "reed,lot,maker,tied_on,outcome,tied_mm,note\n1,L1,KL,2021-03-05,godo,2.83,=1+1\n"
    (folder / "reeds.csv").write_text(reeds)
    return folder


def test_marked_cells_lie_where_the_records_have_them(faulty, tmp_path):
    before = {path: path.read_bytes() for path in faulty.iterdir()}
    bench = open_bench(faulty)
    book = openpyxl.load_workbook(mark_workbook(bench, tmp_path / "marked.xlsx"))
    assert book.sheetnames == ["findings", "lots", "reeds"]
    reeds = book["reeds"]
    assert reeds["E2"].value == "godo"
    assert "write good" in reeds["E2"].comment.text
    assert "inches" in reeds["F2"].comment.text
    assert reeds["F2"].value == 2.83
    assert reeds["E2"].fill.start_color.rgb != reeds["A2"].fill.start_color.rgb
    assert (reeds["G2"].value, reeds["G2"].data_type) == ("=1+1", "s")  # still a text
    assert book["lots"]["A4"].value == "L1"
    assert book["findings"].max_row == len(bench.findings) + 1
    assert all(cell.alignment.wrap_text for row in book["findings"]["A2:G3"] for cell in row)
    assert reeds.column_dimensions["D"].width >= len("2021-03-05")  # a day is shown whole
    assert {path: path.read_bytes() for path in faulty.iterdir()} == before
    with pytest.raises(WriteError, match="exists already"):
        mark_workbook(bench, tmp_path / "marked.xlsx")
    for name in ("marked", "Records.xlsx"):
        with pytest.raises(WriteError, match=r"name it marked\.xlsx"):
            mark_workbook(bench, tmp_path / name)
