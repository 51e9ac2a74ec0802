"""Killed at any moment, a report is the old one or the new one; what a reader changed is kept."""

import json
import os
import re
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from reedlab.report.pages import publishing

forking = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX processes")
PAGES = ("01-records.html", "04-suppliers.html", "04-suppliers.ipynb")
WRITES = ("os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.link", "os.truncate")


def publish(folder, text):
    """Publish a report that says `text` on every page."""
    pages = {name: f"{text} in {name}".encode() for name in PAGES}

    def index(run):
        return (
            f'{text} <a href="{run}/{PAGES[0]}">'.encode() + f'<a href="{run}/{PAGES[1]}">'.encode()
        )

    return publishing.publish(pages, index, folder)


def said(folder):
    """Return what a report says, if its pages all say it and every link leads to a page."""
    first = (folder / "index.html").read_text()
    links = re.findall('href="([^"]+)"', first)
    assert [Path(link).name for link in links] == [*PAGES[:2]]
    (run,) = {(folder / link).parent for link in links}
    assert {path.name for path in run.iterdir()} == {*PAGES}
    texts = {path.read_text().partition(" in ")[0] for path in run.iterdir()}
    assert texts == {first.split()[0]}
    return texts.pop()


def names(folder):
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def forked(work):
    """Do something in a process of its own; return that process's id."""
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    return child


def killed_at(write, work, *arguments):
    """Whether a process was killed just before its n-th change of a file or folder."""

    def work_until_then():
        done = 0

        def count(event, about):
            nonlocal done
            opened = event == "open" and isinstance(about[2], int) and about[2] & os.O_ACCMODE
            if opened or event in WRITES:
                done += 1
                if done == write:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(count)
        work(*arguments)

    return os.WIFSIGNALED(os.waitpid(forked(work_until_then), 0)[1])


@forking
def test_killed_before_any_write_a_report_is_old_or_new(tmp_path):
    seen, write = [], 1
    while True:
        folder = tmp_path / str(write)
        publish(folder, "older")
        publish(folder, "old")
        if not killed_at(write, publish, folder, "new"):
            break
        seen.append(said(folder))
        publishing.clear(folder)
        assert len(names(folder)) == 2 + len(PAGES), "the next start clears what was left"
        assert publish(folder, "newer") == (), "nothing looks as if its reader had changed it"
        assert said(folder) == "newer"
        assert len(names(folder)) == 2 + len(PAGES)
        write += 1
    assert said(folder) == "new"
    assert seen == sorted(seen, reverse=True), "old up to one write, and new from there on"
    assert {*seen} == {"old", "new"}
    assert len(seen) > 15


@forking
def test_killed_twice_in_a_row_it_is_so_too(tmp_path):
    for first in range(2, 30, 6):
        for second in range(1, 30, 5):
            folder = tmp_path / f"{first}-{second}"
            publish(folder, "old")
            killed_at(first, publish, folder, "new")
            killed_at(second, publish, folder, "new2")
            assert said(folder) in ("old", "new", "new2")
            assert publish(folder, "newer") == ()
            assert said(folder) == "newer"
            assert len(names(folder)) == 2 + len(PAGES)


@forking
def test_killed_at_random_times_it_is_so_too(tmp_path):
    publish(tmp_path, "old")

    def by_turns():
        while True:
            publish(tmp_path, "new")
            publish(tmp_path, "old")

    seen = set()
    for after in np.random.default_rng(1).uniform(0.005, 0.1, 40):
        child = forked(by_turns)
        time.sleep(float(after))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        seen.add(said(tmp_path))
    assert seen == {"old", "new"}
    publish(tmp_path, "last")
    assert len(names(tmp_path)) == 2 + len(PAGES)
    assert not (tmp_path / publishing.KEPT).exists()


@forking
def test_killed_at_any_write_what_a_reader_changed_is_kept_once(tmp_path):
    write = 1
    while True:
        folder = tmp_path / str(write)
        publish(folder, "old")
        (run,) = folder.glob("run-*")
        (folder / "index.html").write_text("my first page")
        (run / PAGES[1]).write_text("my page")
        (run / "mine.txt").write_text("my notes")
        killed = killed_at(write, publish, folder, "new")
        publish(folder, "newer")
        publish(folder, "newest")
        kept = {path.name: path.read_text() for path in (folder / publishing.KEPT).iterdir()}
        assert kept == {
            "index-1.html": "my first page",
            "04-suppliers-1.html": "my page",
            "mine-1.txt": "my notes",
        }
        assert said(folder) == "newest"
        if not killed:
            break
        write += 1
    assert write > 15


def test_the_same_report_again_is_the_same_files(tmp_path):
    publish(tmp_path, "one")
    before = {path: path.stat().st_mtime_ns for path in tmp_path.glob("run-*/*")}
    assert publish(tmp_path, "one") == ()
    assert {path: path.stat().st_mtime_ns for path in tmp_path.glob("run-*/*")} == before


@pytest.mark.parametrize("again", ["one", "two"])
def test_a_page_that_its_reader_changed_is_set_aside(tmp_path, again):
    publish(tmp_path, "one")
    (run,) = tmp_path.glob("run-*")
    (run / PAGES[0]).write_text("mine")
    (kept,) = publish(tmp_path, again)
    assert (kept.parent, kept.name) == (tmp_path / "kept", "01-records-1.html")
    assert kept.read_text() == "mine"
    assert said(tmp_path) == again
    (run,) = tmp_path.glob("run-*")
    (run / PAGES[0]).write_text("mine again")
    assert [path.name for path in publish(tmp_path, "three")] == ["01-records-2.html"]


def test_a_changed_or_foreign_first_page_is_set_aside(tmp_path):
    (tmp_path / "index.html").write_text("somebody else's")
    assert [path.read_text() for path in publish(tmp_path, "one")] == ["somebody else's"]
    (tmp_path / "index.html").write_text("mine")
    assert [path.read_text() for path in publish(tmp_path, "two")] == ["mine"]
    assert said(tmp_path) == "two"


@pytest.mark.parametrize(
    "damage", [b"", b"x", b"[1]", b"\xff", b"[" * 10_000, b'{"index.html": 1}']
)
def test_where_the_ledger_is_damaged_everything_is_kept(tmp_path, damage):
    publish(tmp_path, "one")
    old = names(tmp_path)
    (tmp_path / publishing.LEDGER).write_bytes(damage)
    kept = publish(tmp_path, "two")
    assert len(kept) == len(old) - 1  # all but the ledger itself
    assert {path.read_text().partition(" ")[0] for path in kept} == {"one"}
    assert publish(tmp_path, "three") == ()


def test_a_report_whose_pages_were_beside_its_first_page_is_replaced(tmp_path):
    old = {"index.html": "old", "04-suppliers.html": "old", "notebooks/04-suppliers.ipynb": "old"}
    (tmp_path / "notebooks").mkdir()
    for name, text in old.items():
        (tmp_path / name).write_text(text)
    marks = {name: [publishing._hash(text.encode())] for name, text in old.items()}
    (tmp_path / publishing.LEDGER).write_text(json.dumps(marks))
    assert publishing.clear(tmp_path) == () and len(names(tmp_path)) == 4, "still in use"
    (tmp_path / "diary.txt").write_text("mine")
    assert publish(tmp_path, "new") == ()
    assert said(tmp_path) == "new"
    assert len(names(tmp_path)) == 2 + len(PAGES) + 1, "a file of another name is left"


def test_a_ledger_names_no_file_outside_and_no_link_is_followed(tmp_path):
    """A bench may come from anywhere: nothing in it says what is removed beyond its report."""
    report, outside = tmp_path / "report", tmp_path / "outside"
    outside.mkdir()
    (outside / "lots.csv").write_text("lot")
    publish(report, "one")
    for link in ("run-0123456789ab", ".run-0123456789ab.01234567.part", "linked"):
        (report / link).symlink_to(outside)
    mark = [publishing._hash(b"lot")]
    paths = ("../outside/lots.csv", str(outside / "lots.csv"), "linked/lots.csv")
    (report / publishing.LEDGER).write_text(json.dumps(dict.fromkeys(paths, mark)))
    publish(report, "two")
    assert [path.name for path in outside.iterdir()] == ["lots.csv"]


def test_temporary_folders_of_a_killed_run_are_removed_by_the_next(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with publishing.scratch(tmp_path / "a" / "report") as own:
        left = own.with_name(own.name[:-8] + "12345678")  # as another run would have named it
    left.mkdir()
    (left / "kernel.json").write_text("{}")
    with publishing.scratch(tmp_path / "b" / "report"):
        assert left.exists(), "another report's"
    with publishing.scratch(tmp_path / "a" / "report") as own:
        assert not left.exists() and own.is_dir()
    assert [*tmp_path.iterdir()] == []
