"""What a newcomer gets: the wheel whole, `reedlab demo` far from any checkout, and its report.

The report that the demo writes is opened in a browser, wide and at phone width.
"""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
import sysconfig
import venv
import zipfile
from itertools import product
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("browser", Path(__file__).with_name("browser.py"))
_BROWSER = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_BROWSER)

ROOT = Path(__file__).resolve().parents[2]


def command(*words, **options):
    done = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, timeout=600, **options
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def pip(*words):
    return command(sys.executable, "-m", "pip", "--disable-pip-version-check", *words)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    pip("wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", folder, ROOT)
    (built,) = folder.glob("reedlab-*.whl")
    return built


def fresh(folder, *what):
    """Make an environment that holds `what` of reedlab, and this one's other packages behind it."""
    venv.create(folder, symlinks=os.name != "nt")
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    asked = command(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))")
    Path(asked.strip(), "behind.pth").write_text(sysconfig.get_path("purelib"))
    pip("--python", python, "install", "--no-deps", "--no-build-isolation", *what)
    return python


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    return fresh(tmp_path_factory.mktemp("from-wheel"), wheel)


@pytest.fixture(scope="module")
def demo(installed, tmp_path_factory):
    """Run `reedlab demo` from the wheel in an empty folder; return the folder and what it said."""
    folder = tmp_path_factory.mktemp("far away")
    reedlab = installed.with_name("reedlab.exe" if os.name == "nt" else "reedlab")
    return folder, command(reedlab, "demo", cwd=folder, env=_plain_environment())


def _plain_environment():
    """Leave out what would reach back to the checkout; name where this environment's files lie."""
    plain = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    return {**plain, "JUPYTER_PATH": str(Path(sys.prefix, "share", "jupyter"))}


def shipped(folder):
    files = [path.relative_to(ROOT) for path in (ROOT / folder).rglob("*") if path.is_file()]
    return {path.as_posix() for path in files if not any(p.startswith(".") for p in path.parts)}


def test_the_wheel_carries_notebooks_data_and_the_reports_shell(wheel):
    held = zipfile.ZipFile(wheel)
    names = set(held.namelist())
    for file in shipped("notebooks") | shipped("data"):
        assert f"reedlab/_shipped/{file}" in names
        assert held.read(f"reedlab/_shipped/{file}") == (ROOT / file).read_bytes()
    for file in (ROOT / "reedlab" / "report" / "pages" / "shell").iterdir():
        assert f"reedlab/report/pages/shell/{file.name}" in names
    assert not [name for name in names if name.startswith("tests/")]


def test_the_wheel_is_what_runs_and_it_finds_its_own_files(installed, tmp_path):
    script = (
        "import reedlab, reedlab.paths as p; print(reedlab.__file__); "
        "print(p.shipped('notebooks')); print(p.shipped('data'))"
    )
    for line in command(installed, "-c", script, cwd=tmp_path).splitlines():
        assert line.startswith(str(installed.parents[1])), line


def test_an_editable_install_finds_the_checkouts_files(tmp_path):
    python = fresh(tmp_path / "env", "-e", ROOT)
    script = "import reedlab.paths as p; print(p.shipped('notebooks')); print(p.shipped('data'))"
    found = command(python, "-c", script, cwd=tmp_path).splitlines()
    assert found == [str(ROOT / "notebooks"), str(ROOT / "data")]
    said = command(python.with_name("reedlab"), "check", ROOT / "data" / "demo", cwd=tmp_path)
    assert "the check names no errors" in said


def test_the_demo_says_the_table_the_decision_and_the_path(demo):
    _, said = demo
    lines = said.splitlines()
    heads = [line for line in lines if line.startswith("supplier ")]
    assert len(heads) == 1
    table = lines[lines.index(heads[0]) + 2 :][:5]
    assert len({line.split()[0] for line in table}) == 5
    assert all(re.search(r"\d+% \(\d+ to \d+\)", line) for line in table)
    assert any(line.split()[0] in said.split("In brackets")[1] for line in table)
    assert f"Report: {Path('reedlab-demo', 'report', 'index.html')}" in said
    assert "Not complete" not in said


def test_the_demo_is_taken_up_again_and_nothing_of_it_changed(demo):
    folder, _ = demo
    for path in (ROOT / "data" / "demo").iterdir():
        assert (folder / "reedlab-demo" / path.name).read_bytes() == path.read_bytes()


def test_the_demos_notebooks_say_where_the_bench_is_without_a_path(demo):
    folder, _ = demo
    for page in (folder / "reedlab-demo" / "report").rglob("*.*"):
        if page.suffix in (".html", ".ipynb"):
            assert str(folder) not in page.read_text("utf-8"), page.name


@pytest.fixture(scope="module")
def page():
    with _BROWSER.browser() as opened:
        yield opened


def _pages(demo):
    return sorted((demo[0] / "reedlab-demo" / "report").rglob("*.html"))


def test_no_request_leaves_the_report(demo, page):
    assert len(_pages(demo)) >= 5
    for file in _pages(demo):
        page.open(file.as_uri())
        asked = page.requests()
        assert asked[0] == file.as_uri()
        assert [url for url in asked[1:] if not url.startswith("data:")] == []
        assert page.problems() == []


def test_the_browser_notices_a_page_that_asks_the_network(tmp_path, page):
    """The check above can fail: the same browser sees a picture asked from an address."""
    asking = tmp_path / "asking.html"
    asking.write_text('<img src="http://127.0.0.1:9/x.png">')
    page.open(asking.as_uri())
    assert "http://127.0.0.1:9/x.png" in page.requests()


@pytest.mark.parametrize("width", [1280, 390])
def test_pages_fit_a_desk_and_a_phone(demo, page, width):
    for file in _pages(demo):
        page.open(file.as_uri(), width=width)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, file.name
        assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 16


def test_every_picture_is_drawn_and_has_words(demo, page):
    pictures = 0
    for file in _pages(demo):
        page.open(file.as_uri())
        told = page.evaluate("[...document.images].map(i => [i.naturalWidth, i.alt])")
        assert all(wide > 100 and len(words) > 20 for wide, words in told), file.name
        pictures += len(told)
    assert pictures >= 8


def test_text_can_be_read_by_day_and_by_night(demo, page):
    """WCAG 2.2, success criterion 1.4.3: a contrast of 4.5 at least."""
    everywhere, seen = ("body", "nav a", "footer li", ".mark a"), set()
    for dark, file in product((False, True), _pages(demo)):
        page.open(file.as_uri(), dark=dark)
        for element in (*everywhere, "p.answer", "th", "summary", "main a", ".held", ".grade"):
            if page.evaluate(f"document.querySelector({element!r}) !== null"):
                assert _contrast(page, element) >= 4.5, (file.name, element, dark)
                seen.add(element)
    assert {*everywhere, "p.answer", "th", "summary", "main a", ".held", ".grade"} == seen


def _contrast(page, element):
    colours = page.evaluate(
        f"[getComputedStyle(document.querySelector({element!r})).color, "
        "getComputedStyle(document.body).backgroundColor]"
    )
    light, dark = sorted((_luminance(colour) for colour in colours), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour):
    channels = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
