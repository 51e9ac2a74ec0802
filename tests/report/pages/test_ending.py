"""A report ends when its user says so, leaves no kernel, and outlives a kernel that dies."""

import json
import os
import signal
import subprocess
import sys
import time

import nbformat
import pytest

from reedlab.report.pages import running
from reedlab.report.pages.running import Ending

posix = pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")
DIES = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
WAITS = """
import os, pathlib, time
pathlib.Path(os.environ["REEDLAB_SEEN"], str(os.getpid())).touch()
time.sleep(300)
"""
SCRIPT = """
import json, sys
from pathlib import Path
from reedlab import cli
from reedlab.report.pages import running
chosen = [Path(name) for name in json.loads(sys.argv.pop(1))]
running.notebooks = lambda: chosen
cli.main()
"""


def write_notebook(path, *sources):
    cells = [nbformat.v4.new_markdown_cell("# What ends?")]
    cells += [nbformat.v4.new_code_cell(source) for source in sources]
    nbformat.write(nbformat.v4.new_notebook(cells=cells), path)
    return path


def alive(process):
    try:
        os.kill(int(process), 0)
    except ProcessLookupError:
        return False
    return True


def becomes_true(what, seconds):
    """Whether something comes true in time."""
    end = time.monotonic() + seconds
    while not what() and time.monotonic() < end:
        time.sleep(0.05)
    return what()


@pytest.fixture
def reedlab(tmp_path):
    """Return what starts ``reedlab report`` on notebooks of these sources, with folders of its own.

    ``seen`` gets a file for each kernel that waits, ``tmp`` is where temporary files go.
    """
    bench = tmp_path / "bench"
    for folder in ("seen", "tmp", "bench"):
        (tmp_path / folder).mkdir()
    (bench / "lots.csv").write_text("lot,supplier\nL1,ochre\nL2,slate\n")
    (bench / "reeds.csv").write_text("reed,lot,maker,tied_on,outcome\n1,L1,AB,2025-01-07,good\n")
    own = {"REEDLAB_SEEN": str(tmp_path / "seen"), "TMPDIR": str(tmp_path / "tmp")}

    def start(*sources):
        made = [write_notebook(tmp_path / f"{n}-page.ipynb", s) for n, s in enumerate(sources)]
        chosen = json.dumps([str(path) for path in made])
        return subprocess.Popen(
            [sys.executable, "-c", SCRIPT, chosen, "report", str(bench)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **own},
            start_new_session=True,
        )

    return start


ALWAYS = ("index.html", "today.html", "answers.html", "why.html")
"""Pages that a report has whatever its notebooks are."""


def pages(tmp_path):
    report = tmp_path / "bench" / "report"
    return {path.name for path in report.rglob("*.html")}


@posix
def test_ctrl_c_ends_a_report_with_a_sentence_and_leaves_no_kernel(reedlab, tmp_path):
    run = reedlab(*[WAITS] * 5)
    seen = tmp_path / "seen"
    assert becomes_true(lambda: len([*seen.iterdir()]) == 2, 120), "two notebooks run side by side"
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does
    out, error = run.communicate(timeout=20)  # where waiting for the notebooks took 300 s
    assert run.returncode == 2
    assert error.startswith("reedlab: stopped before its end") and error.count("\n") == 1
    assert "Report:" not in out
    kernels = [path.name for path in seen.iterdir()]
    assert len(kernels) == 2, "those that waited for their turn did not start"
    assert not any(map(alive, kernels))
    assert [*(tmp_path / "tmp").iterdir()] == []
    assert pages(tmp_path) == set()


@posix
def test_what_a_killed_report_leaves_ends_by_itself_or_is_cleared_by_the_next(reedlab, tmp_path):
    run = reedlab(WAITS)
    seen, temporary = tmp_path / "seen", tmp_path / "tmp"
    assert becomes_true(lambda: [*seen.iterdir()], 120)
    run.kill()
    run.communicate()
    (kernel,) = seen.iterdir()
    assert becomes_true(lambda: not alive(kernel.name), 20)
    assert len([*temporary.iterdir()]) == 1
    after = reedlab("1 + 1")
    _, error = after.communicate(timeout=120)
    assert (after.returncode, error) == (0, "")
    assert [*temporary.iterdir()] == []
    assert pages(tmp_path) == {*ALWAYS, "0-page.html"}


@posix
def test_a_kernel_that_dies_is_one_pages_sentence(reedlab, tmp_path):
    run = reedlab("print('first')", DIES)
    out, error = run.communicate(timeout=120)
    assert run.returncode == 2
    assert error == "reedlab: 1-page: not stopped by your records; the reason is above.\n"
    assert "Not complete: 1-page: the program that works this page out was ended" in out
    assert pages(tmp_path) == {*ALWAYS, "0-page.html", "1-page.html"}


@posix
def test_a_page_keeps_what_was_shown_before_its_kernel_died(tmp_path):
    path = write_notebook(tmp_path / "1.ipynb", "print('before')", DIES, "print('never')")
    ended = running.run(path)
    assert ended.ending is Ending.LOST
    assert (ended.broken, len(ended.notebook.cells)) == (True, 3)
    assert [output.text for output in ended.notebook.cells[1].outputs] == ["before\n"]


@posix
def test_a_kernel_ends_with_its_notebook(tmp_path):
    ended = running.run(write_notebook(tmp_path / "1.ipynb", "import os; print(os.getpid())"))
    (output,) = ended.notebook.cells[1].outputs
    assert not alive(output.text)
