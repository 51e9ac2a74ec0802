"""What a newcomer gets: the wheel whole, `reedlab demo` far from any checkout, and its report.

Two notebooks run from the wheel, one on the demo's records and one on the study that comes along;
nbval runs all of them. The pages of all, as they are stored, are opened in a browser, wide and at
phone width, beside those that the demo writes itself.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import nbformat
import pytest
from axe_playwright_python.sync_playwright import Axe

from reedlab.records import open_bench
from reedlab.report.pages import writing
from reedlab.report.pages.running import Run

ROOT = Path(__file__).resolve().parents[2]
RUN = {"01-records", "11-how-far-to-trust"}


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
    held = [*installed.parents[1].rglob("reedlab/_shipped/notebooks/*.ipynb")]
    for path in held:
        if path.stem not in RUN:
            path.unlink()
    assert len(held) > len(RUN)
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


FAULTS = {"moderate", "serious", "critical"}
"""What axe calls the faults that no page may have."""
OF_A_VIEW = {"runOnly": ["color-contrast", "link-in-text-block", "scrollable-region-focusable"]}
"""Rules whose outcome changes with the width or with the hour; the others are asked once a page."""
DESK, PHONE, SMALL_PHONE = 1280, 390, 350
VIEWS = (("dark", PHONE), ("dark", DESK), ("light", PHONE))
MODELS = {"index.html", "today.html", "answers.html", "01-records.html", "04-suppliers.html"}
"""Pages that the others are made like: these are looked at in every view, the others in one."""


@pytest.fixture(scope="module")
def opened(demo, browser, tmp_path_factory):
    """Open every page of a report of the demo, on a desk and on a phone, by day and by night."""
    folder = demo[0] / "reedlab-demo"
    stored = [(path.stem, nbformat.read(path, 4)) for path in (ROOT / "notebooks").glob("*.ipynb")]
    runs, bench = [Run(*one) for one in sorted(stored)], open_bench(folder)
    pages = writing.pages_of(runs, [*map(writing.notebook_body, runs)], bench) | {
        writing.ANSWERS: writing.answers_of(runs, bench)
    }
    own = tmp_path_factory.mktemp("pages")
    for name, page in pages.items():
        (own / name).write_bytes(page)
    written = [path for path in (folder / "report").rglob("*.html") if path.name not in pages]
    own_pages = {"index.html", writing.TODAY, writing.WHY, writing.TRUTH}
    assert {path.name for path in written} == own_pages
    assert len(pages) == len(runs) + 1
    assert {*pages, *(path.name for path in written)} > MODELS
    return seen_of(browser, [*written, *sorted(own.iterdir())])


def seen_of(browser, files):
    """Return what each page asks and says, its pictures, its faults and where it is too wide."""
    seen = []
    with browser.new_context(offline=True) as context:
        page, asked, said = context.new_page(), [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        for file in files:
            asked.clear(), said.clear()
            look(page, DESK, "light")
            page.goto(file.as_uri())
            page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
            seen.append(
                {
                    "page": file.name,
                    "asked": [url for url in asked if not url.startswith("data:")],
                    "said": [*said],
                    "pictures": page.evaluate(
                        "[...document.images].map(i => [i.naturalWidth, i.alt])"
                    ),
                    "faults": {*faults(page), *faults_of_views(page, file.name in MODELS)},
                    "wide": [
                        width for width in (DESK, PHONE, SMALL_PHONE) if too_wide(page, width)
                    ],
                    "clipped": clipped(page, DESK),
                    "letters": page.evaluate(
                        "parseFloat(getComputedStyle(document.body).fontSize)"
                    ),
                }
            )
    return seen


def look(page, width, scheme):
    page.set_viewport_size({"width": width, "height": 844})
    page.emulate_media(color_scheme=scheme)


def faults(page, **only):
    """Return the faults that axe finds, and the first place of each; what passes is not listed."""
    found = Axe().run(page, options={"resultTypes": ["violations"], **only}).response["violations"]
    return {(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in FAULTS}


def faults_of_views(page, every):
    for scheme, width in VIEWS if every else VIEWS[:1]:
        look(page, width, scheme)
        for rule, place in faults(page, **OF_A_VIEW):
            yield rule, place, scheme, width


def too_wide(page, width):
    page.set_viewport_size({"width": width, "height": 844})
    return page.evaluate("document.documentElement.scrollWidth") > width


def clipped(page, width):
    """Name the tables of which a part is out of sight."""
    page.set_viewport_size({"width": width, "height": 844})
    return page.evaluate(
        "[...document.querySelectorAll('.wide')]"
        ".filter(w => w.scrollWidth > w.clientWidth).map(w => w.ariaLabel)"
    )


def test_no_request_leaves_the_report(opened):
    for seen in opened:
        assert len(seen["asked"]) == 1 and seen["asked"][0].startswith("file:"), seen["page"]
        assert seen["said"] == [], seen["page"]


def test_everyone_can_read_every_page(opened):
    """axe's rules: WCAG 2.2 at level AA, and good practice."""
    assert {seen["page"]: seen["faults"] for seen in opened if seen["faults"]} == {}


def test_pages_fit_a_desk_and_a_phone(opened):
    assert {seen["page"]: seen["wide"] for seen in opened if seen["wide"]} == {}
    assert {seen["page"]: seen["clipped"] for seen in opened if seen["clipped"]} == {}
    assert min(seen["letters"] for seen in opened) >= 16


def test_every_picture_is_drawn_and_has_words(opened):
    pictures = [(seen["page"], *picture) for seen in opened for picture in seen["pictures"]]
    assert [name for name, wide, words in pictures if wide <= 100 or len(words) <= 20] == []
    assert len(pictures) >= 8


def test_the_browser_notices_a_page_with_such_faults(tmp_path, browser):
    """The checks above can fail: a page asks the network, is too wide and is light grey."""
    bad = tmp_path / "bad.html"
    bad.write_text(
        '<html lang="en"><title>x</title><main><h1 style="width: 500px">a</h1>'
        '<div class="wide" aria-label="b" style="overflow: auto">'
        '<p style="width: 1400px">c</p></div>'
        '<p style="color: #ccc">too light</p><img src="http://127.0.0.1:9/x.png"></main></html>'
    )
    (seen,) = seen_of(browser, [bad])
    assert seen["asked"][1:] == ["http://127.0.0.1:9/x.png"]
    assert {rule for rule, *_ in seen["faults"]} >= {"color-contrast", "image-alt"}
    assert ("color-contrast", '<p style="color: #ccc">too light</p>', "dark", PHONE) in seen[
        "faults"
    ]
    assert seen["wide"] == [PHONE, SMALL_PHONE] and seen["clipped"] == ["b"]
