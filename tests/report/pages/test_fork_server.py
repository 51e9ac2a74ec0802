"""Kernels that are copies of a process with all libraries loaded are kernels like any other."""

import json
import os
import sys
from pathlib import Path

import nbformat
import psutil
import pytest

from reedlab.report.pages import running
from reedlab.report.pages.fork_server import ForkServer
from reedlab.report.pages.running import Ending

linux = pytest.mark.skipif(sys.platform != "linux", reason="forks are made on Linux alone")
TELLS = """
import json, os, sys
import matplotlib
loaded = "pingouin" in sys.modules
import reedlab as rl
print(json.dumps({
    "process": os.getpid(), "session": os.getsid(0), "parent": os.getppid(), "loaded": loaded,
    "cwd": os.getcwd(), "home": os.environ["IPYTHONDIR"], "path": sys.path,
    "bench": id(rl.open_bench(bench_dir)), "again": id(rl.open_bench(bench_dir)),
    "backend": matplotlib.get_backend(), "input": os.readlink("/proc/self/fd/0"),
}))
"""


@pytest.fixture
def bench(tmp_path):
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "lots.csv").write_text("lot,supplier\nL1,ochre\n")
    (folder / "reeds.csv").write_text("reed,lot,maker,tied_on,outcome\n1,L1,AB,2025-01-07,good\n")
    return folder


@pytest.fixture
def tells(tmp_path):
    return write_notebook(tmp_path / "1.ipynb", TELLS)


def write_notebook(path, source):
    cells = [nbformat.v4.new_markdown_cell("# What is here?")]
    cells += [nbformat.v4.new_code_cell(text) for text in ('bench_dir = ""', source)]
    cells[1].metadata["tags"] = ["parameters"]
    nbformat.write(nbformat.v4.new_notebook(cells=cells), path)
    return path


def told(run):
    assert run.ending is Ending.WHOLE, run.reason
    (output,) = run.notebook.cells[2].outputs
    return json.loads(output.text)


@linux
def test_a_kernel_of_the_server_has_all_loaded_and_is_else_as_one_of_its_own(
    bench, tells, tmp_path
):
    with ForkServer(bench, tmp_path) as server:
        with running.Kernel(tmp_path, server=server) as kernel:
            fork, again = (told(kernel.run(tells, bench)) for _ in range(2))
        with running.Kernel(tmp_path, server=server) as kernel:
            other = told(kernel.run(tells, bench))
        alone = told(running.run(tells, bench))
        assert fork["loaded"] and other["loaded"] and not alone["loaded"]
        assert fork["process"] == again["process"] != other["process"]
        assert fork["parent"] == other["parent"] != os.getpid() == alone["parent"]
        assert fork["session"] == fork["process"]
        assert fork["bench"] == fork["again"]
        assert fork["path"] == alone["path"]
        assert fork["backend"] == alone["backend"]
        assert fork["input"] == os.devnull
        own = Path(fork["cwd"]).parent
        assert own == Path(fork["home"]).parent != Path(other["cwd"]).parent
        assert not own.exists()
        assert psutil.pid_exists(fork["parent"])
        assert not psutil.pid_exists(fork["process"])
    assert not psutil.pid_exists(fork["parent"])
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("reedlab-")] == []


@linux
def test_a_server_that_is_gone_is_done_without(bench, tells, tmp_path):
    with ForkServer(bench, tmp_path) as server:
        server.end()
        with running.Kernel(tmp_path, server=server) as kernel:
            assert told(kernel.run(tells, bench))["parent"] == os.getpid()


@linux
def test_a_bench_that_cannot_be_opened_is_refused_by_the_kernel(tmp_path):
    path = write_notebook(tmp_path / "1.ipynb", "import reedlab\nreedlab.open_bench(bench_dir)")
    nowhere = tmp_path / "nowhere"
    with (
        ForkServer(nowhere, tmp_path) as server,
        running.Kernel(tmp_path, server=server) as kernel,
    ):
        ended = kernel.run(path, nowhere, "there")
    assert ended.ending is Ending.REFUSED
    assert ended.reason == "there does not exist: give the folder that holds your records."


@linux
def test_a_kernel_of_the_server_that_dies_loses_its_page_and_the_next_has_another(
    bench, tells, tmp_path
):
    dies = write_notebook(tmp_path / "0.ipynb", "import os, signal; os.kill(os.getpid(), 9)")
    with ForkServer(bench, tmp_path) as server, running.Kernel(tmp_path, server=server) as kernel:
        assert kernel.run(dies, bench).ending is Ending.LOST
        assert told(kernel.run(tells, bench))["loaded"]


def test_elsewhere_there_is_no_such_process(bench, tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "platform", "other")
    with ForkServer(bench, tmp_path) as server:
        assert server.fork([], str(tmp_path), {}) is None
