"""Nothing that lies in a bench runs: every name that a kernel could import is planted there."""

import json
import os
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from reedlab.records.bench import ONCE, open_bench
from reedlab.report.pages import isolation, running
from reedlab.report.pages.running import Ending

SEEN = "what the kernel saw: "
PROBE = f"""
import json, os, sys
import IPython, matplotlib, seaborn, statsmodels.api
from jupyter_core.paths import jupyter_config_dir, jupyter_data_dir, jupyter_runtime_dir
print({SEEN!r} + json.dumps({{
    "modules": sorted({{name.partition(".")[0] for name in sys.modules}}),
    "path": sys.path,
    "cwd": os.getcwd(),
    "here": os.listdir(),
    "environment": dict(os.environ),
    "dpi": matplotlib.rcParams["figure.dpi"],
    "rc": matplotlib.matplotlib_fname(),
    "homes": [IPython.paths.get_ipython_dir(), jupyter_config_dir(), jupyter_data_dir(),
              jupyter_runtime_dir(), matplotlib.matplotlib_fname()],
}}))
"""
LOTS = "lot,supplier\nL1,ochre\nL2,slate\n"
REEDS = "reed,lot,maker,tied_on,outcome\n1,L1,AB,2025-01-07,good\n2,L2,AB,2025-01-08,\n"
NAMES = """pandas numpy scipy matplotlib seaborn statsmodels ipykernel ipykernel_launcher IPython
    reedlab json traitlets zmq tornado site sitecustomize usercustomize conftest ipython_config
    ipython_kernel_config jupyter_config jupyter_notebook_config jupyter_server_config
    nbclient nbconvert nbformat jinja2 openpyxl pandera typer rich formulaic evil"""
# What the console script is, for one notebook: its own folder stands first on the import path.
SCRIPT = """
import json, sys
from pathlib import Path
from reedlab import cli
from reedlab.report.pages import running
chosen = [Path(name) for name in json.loads(sys.argv.pop(1))]
running.notebooks = lambda: chosen
try:
    cli.main()
finally:
    import matplotlib
    print("dpi", matplotlib.rcParams["figure.dpi"])
"""


def write_notebook(path, *sources):
    cells = [nbformat.v4.new_markdown_cell("# What runs?")]
    cells += [nbformat.v4.new_code_cell(source) for source in sources]
    cells[1].metadata["tags"] = ["parameters"]
    cells[-1].metadata["tags"] = ["answer", "picture", "statistics"]
    nbformat.write(nbformat.v4.new_notebook(cells=cells), path)
    return path


def seen_by(notebook):
    """Return what the probe printed in a notebook that ran to its end."""
    texts = [o.get("text", "") for cell in notebook.cells for o in cell.get("outputs", [])]
    (told,) = [text.split(SEEN)[1] for text in texts if SEEN in text]
    return json.loads(told)


@pytest.fixture(scope="module")
def probe(tmp_path_factory):
    """Return a notebook that opens its bench as the shipped ones do, and tells what it sees."""
    first = nbformat.read(running.notebooks()[0], as_version=4)
    opening = [c.source for c in first.cells if c.cell_type == "code" and "open_bench" in c.source]
    folder = tmp_path_factory.mktemp("probe")
    return write_notebook(folder / "00-probe.ipynb", 'bench_dir = ""', opening[0], PROBE)


@pytest.fixture(scope="module")
def clean(probe):
    """Return what a kernel sees where nothing is planted."""
    result = running.run(probe)
    assert result.ending is running.Ending.WHOLE, result.reason
    return seen_by(result.notebook)


@pytest.fixture
def planted(tmp_path, clean):
    """Return a bench full of traps, and the folder where a trap that runs leaves its mark."""
    bench, witness = tmp_path / "bench", tmp_path / "witness"
    witness.mkdir()
    for folder in (bench, bench / "report", bench / "report" / "run-0123456789ab"):
        plant(folder, witness, {*clean["modules"], *NAMES.split()} - {"__main__", "__mp_main__"})
    (bench / "lots.csv").write_text(LOTS)
    (bench / "reeds.csv").write_text(REEDS)
    return bench, witness


def plant(folder, witness, names):
    folder.mkdir()
    startup = folder / ".ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (folder / ".jupyter").mkdir()
    files = [folder / f"{name}.py" for name in names]
    files += [startup / "00.py", startup.parent / "ipython_config.py"]
    files += [folder / ".jupyter" / "jupyter_config.py"]
    for number, file in enumerate(files):
        mark = witness / f"{folder.name}-{number}-{file.name}"
        file.write_text(f"open({str(mark)!r}, 'w').close()\n")
    mark = witness / f"{folder.name}-pth"
    (folder / "evil.pth").write_text(f"import os; open({str(mark)!r}, 'w').close()\n")
    (folder / ".env").write_text(f"PYTHONPATH={folder}\nPYTHONSTARTUP={startup / '00.py'}\n")
    (folder / "matplotlibrc").write_text("figure.dpi: 33\n")
    (folder / "pyproject.toml").write_text("[tool.pytest.ini_options]\naddopts = '-p evil'\n")
    for template in ("base", "lab", "shell"):  # names that the pages' templates go by
        (folder / template).mkdir()
        for name in ("index.html.j2", "base.html.j2", "conf.json"):
            (folder / template / name).write_text("{{ PLANTED")


def reedlab(*words, bench):
    return subprocess.run(
        [*map(str, words)], cwd=bench, capture_output=True, text=True, timeout=300, check=False
    )


def test_the_traps_are_traps(planted):
    bench, witness = planted
    traps = [*bench.rglob("*.py"), *bench.rglob("*.pth")]
    for trap in traps:
        exec(trap.read_text(), {})
    assert len(list(witness.iterdir())) == len(traps) > 500


def test_a_check_in_a_planted_bench_runs_nothing_of_it(planted):
    bench, witness = planted
    done = reedlab(Path(sys.executable).with_name("reedlab"), "check", ".", bench=bench)
    assert (done.returncode, done.stderr) == (0, "")
    assert "2 lots, 2 reeds" in done.stdout
    assert [*witness.iterdir()] == []


def test_a_report_in_a_planted_bench_runs_nothing_of_it(planted, probe, clean, tmp_path):
    bench, witness = planted
    script = tmp_path / "bin" / "script.py"
    script.parent.mkdir()
    script.write_text(SCRIPT)
    chosen = json.dumps([str(probe)])
    done = reedlab(sys.executable, script, chosen, "report", ".", bench=bench)
    assert sorted(mark.name for mark in witness.iterdir()) == []
    assert (done.returncode, done.stderr) == (0, "")
    (own,) = (bench / "report").glob("run-*")
    notebook = nbformat.read(own / "00-probe.ipynb", as_version=4)
    seen = seen_by(notebook)
    assert notebook.cells[1].source == 'bench_dir = "../.."'
    assert {path for path in seen["path"] if not Path(path).is_absolute()} == set()
    assert seen["path"] == clean["path"]
    assert seen["dpi"] == clean["dpi"] != 33
    assert Path(seen["rc"]).parent == Path(seen["cwd"]).parent
    assert seen["here"] == []
    written = [bench / "report" / "index.html", *own.iterdir()]
    names = {
        "00-probe.html",
        "00-probe.ipynb",
        "index.html",
        "today.html",
        "answers.html",
        "why.html",
    }
    assert {page.name for page in written} == names
    for page in written:
        assert "PLANTED" not in page.read_text(encoding="utf-8")
        assert str(bench) not in page.read_text(encoding="utf-8")


def test_a_kernel_imports_from_neither_its_folder_nor_that_of_its_user(clean):
    assert {clean["cwd"], "", "."} & {*clean["path"]} == set()
    assert clean["here"] == []
    own = Path(clean["cwd"]).parent
    assert [home for home in clean["homes"] if not Path(home).is_relative_to(own)] == []
    assert not Path(clean["cwd"]).exists(), "what was its own is gone"


def test_few_of_the_users_variables_reach_a_kernel(tmp_path, monkeypatch):
    kept_back = (
        "PYTHONPATH",
        "PYTHONSTARTUP",
        "PYTHONHOME",
        "JUPYTER_PATH",
        "MPLBACKEND",
        "SECRET",
    )
    handed_on = ("PATH", "LC_TIME", "OMP_NUM_THREADS", "REEDLAB_SOMETHING", "SystemRoot")
    for name in (*kept_back, *handed_on, "IPYTHONDIR", "JUPYTER_CONFIG_DIR", "MATPLOTLIBRC"):
        monkeypatch.setenv(name, "theirs")
    given = isolation.environment(tmp_path)
    assert {*kept_back} & {*given} == set()
    upper = {name.upper(): value for name, value in given.items()}  # as Windows spells them
    assert {upper[name.upper()] for name in handed_on} == {"theirs"}
    for name in ("IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR", "MATPLOTLIBRC"):
        assert Path(given[name]).parent == tmp_path
    assert (given["PYTHONSAFEPATH"], given["PYTHONNOUSERSITE"]) == ("1", "1")


def test_a_kernel_reads_the_records_of_its_bench_once(tmp_path, monkeypatch):
    (tmp_path / "lots.csv").write_text(LOTS)
    (tmp_path / "reeds.csv").write_text(REEDS)
    assert open_bench(tmp_path, "2025-02-01") is not open_bench(tmp_path, "2025-02-01")
    own = tmp_path / "own"
    own.mkdir()
    monkeypatch.setenv(ONCE, isolation.environment(own)[ONCE])
    one = open_bench(tmp_path, "2025-02-01")
    assert open_bench(str(tmp_path), "2025-02-01") is one
    assert open_bench(tmp_path, "2025-02-02").today != one.today


@pytest.mark.parametrize("ends", ["pass", "raise RecordError(f'{bench_dir} holds no table.')"])
def test_what_a_notebook_shows_names_no_folder_of_the_machine(tmp_path, ends):
    bench = tmp_path / "L'anche & <fils>"
    bench.mkdir()
    path = write_notebook(
        tmp_path / "1.ipynb",
        'bench_dir = ""',
        "import html, sys, warnings\n"
        "from IPython.display import HTML, display\n"
        "from reedlab.errors import RecordError\n"
        "assert __import__('pathlib').Path(bench_dir).is_dir()\n"
        "print(bench_dir + '/lots.csv'); print([bench_dir]); warnings.warn(bench_dir)\n"
        "display(HTML('<b>' + html.escape(bench_dir) + '</b>'))\n"
        "display({'image/png': '', 'text/plain': bench_dir}, raw=True,\n"
        "        metadata={'image/png': {'alt': bench_dir}})",
        ends,
    )
    result = running.run(path, bench, "../..")
    assert result.ending is (Ending.WHOLE if ends == "pass" else Ending.REFUSED)
    assert result.reason == ("" if ends == "pass" else "../.. holds no table.")
    assert result.notebook.cells[1].source == 'bench_dir = "../.."'
    kept = result.as_file().decode()
    assert "anche" not in kept and tmp_path.name not in kept
    outputs = result.notebook.cells[2].outputs
    told = "".join(output["text"] for output in outputs if output.get("name") == "stdout")
    assert told == '../../lots.csv\n["../.."]\n'
    assert "UserWarning: ../.." in "".join(o.get("text", "") for o in outputs)
    assert "<b>../..</b>" in [o.data.get("text/html") for o in outputs if "data" in o]
    assert outputs[-1].metadata["image/png"]["alt"] == "../.."


def test_a_path_is_renamed_whole_or_not_at_all():
    renamed = running._renaming(os.sep + "b", "..")
    assert renamed(f"and{os.sep}b, {os.sep}bench, {os.sep}b") == f"and{os.sep}b, {os.sep}bench, .."
