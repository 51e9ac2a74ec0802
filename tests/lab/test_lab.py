"""The start notebook through JupyterLab itself, in a bench full of traps."""

import os
import re
import signal
import subprocess
import sys

import pytest
from axe_playwright_python.sync_playwright import Axe

import reedlab as rl

TRAPS = ("pandas", "numpy", "ipywidgets", "reedlab", "jupyterlab", "jupyter_server_config",
         "sitecustomize", "usercustomize", "IPython", "json", "traitlets", "ipykernel_launcher",
         "matplotlib", "nbformat")  # fmt: skip
SHEET = "Reed,Lot,Tied,Result\n1,L1,2026-03-01,good\n2,L1,2026-03-01,so-so\n3,L1,2026-03-02,\n"


RIGHTMOST = """Math.max(...[...document.querySelectorAll('.reedlab *')]
    .map((element) => element.getBoundingClientRect().right))"""


@pytest.fixture
def bench(tmp_path):
    """A bench with modules, settings and a notebook that leave a mark when they run."""
    folder, mark = tmp_path / "bench", tmp_path / "ran"
    (folder / ".ipython" / "profile_default" / "startup").mkdir(parents=True)
    (folder / "lots.csv").write_text("lot,supplier\nL1,ochre\n")
    (folder / "reeds.csv").write_text(
        "reed,lot,maker,tied_on,rough_on,outcome\n1,L1,AB,2026-03-01,2026-03-02,\n"
        "0,L1,AB,2025-03-01,2025-03-02,\n"
    )
    trap = f"open({str(mark)!r}, 'w').close()\n"
    for name in TRAPS:
        (folder / f"{name}.py").write_text(trap)
    (folder / ".ipython" / "profile_default" / "startup" / "00.py").write_text(trap)
    (folder / "start.ipynb").write_text(
        '{"cells": [{"cell_type": "code", "id": "a", "metadata": {}, "outputs": [],'
        f' "execution_count": null, "source": {trap!r}}}],'.replace("'", '"')
        + ' "metadata": {}, "nbformat": 4, "nbformat_minor": 5}'
    )
    return folder, mark


@pytest.fixture
def address(bench, tmp_path):
    folder, _ = bench
    (tmp_path / "home").mkdir()
    own = {"HOME": str(tmp_path / "home"), "REEDLAB_TODAY": "2026-03-09", "BROWSER": "true",
           "PYTHONPATH": str(folder), "IPYTHONDIR": str(folder / ".ipython"),
           "JUPYTER_CONFIG_DIR": str(folder), "TMPDIR": str(tmp_path)}  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-I", "-m", "reedlab.cli", "lab", str(folder)],
        cwd=folder, env=os.environ | own, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    said = process.stdout.readline()
    yield re.search(r"http://127\.0\.0\.1:\d+/doc/tree/start\.ipynb\?token=\w+", said).group()
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=60) == 0
    assert not [*tmp_path.glob("reedlab-lab-*")]


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")
def test_a_week_by_buttons(browser, address, bench, tmp_path):
    folder, mark = bench
    page = browser.new_context(viewport={"width": 1100, "height": 900}).new_page()
    page.set_default_timeout(90_000)
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(address)

    def click(name):
        page.get_by_role("button", name=name, exact=True).click()

    def is_well():
        """Hold the forms to be readable by anyone, light and dark, on a phone and on a desk."""
        for scheme, wide in (("dark", 390), ("light", 1280)):
            # JupyterLab's splash of one theme must be gone before the next: it removes it twice.
            page.locator("#jupyterlab-splash").wait_for(state="detached")
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": wide, "height": 900})
            page.locator(
                f"body[data-jp-theme-light={'true' if scheme == 'light' else 'false'}]"
            ).wait_for(state="attached")
            found = Axe().run(page, context=".reedlab").response["violations"]
            found = [(f["id"], f["nodes"][0]["html"]) for f in found if f["impact"] != "minor"]
            assert not found
            assert page.evaluate(RIGHTMOST) <= wide

    click("Today")
    page.get_by_text("1 of L1").wait_for()
    is_well()  # with the list of blanks that wait
    assert page.get_by_text("Monday 9 March 2026").is_visible()
    for hidden in (".jp-InputArea-editor", ".jp-SideBar", "#jp-menu-panel", ".jp-Toolbar"):
        assert not page.locator(hidden).first.is_visible(), hidden

    click("Pencil sheet")
    click("Write a sheet")
    page.get_by_text(f"Written: {folder / 'sheets' / '1.html'}").wait_for()
    click("Type a sheet")
    click("Type it")
    page.get_by_role("button", name="Save").wait_for()
    is_well()
    first = page.locator(".reedlab-keys input").first
    first.fill("L1")
    for typed in ("AB", "2026-03-03", *[""] * 7, "g3", "r1"):
        page.keyboard.press("Enter")
        page.keyboard.type(typed)
    page.keyboard.press("Enter")
    page.wait_for_timeout(500)  # no hand is quicker
    click("Save")
    page.get_by_text("10 reeds and 0 sittings noted").wait_for()
    typed = rl.open_bench(folder, "2026-03-09").tables["reeds"].set_index("reed")
    assert typed.loc[["2", "3"], "outcome"].tolist() == ["good", "given_up"]
    assert typed.loc["2", "strength"] == "medium" and typed.loc["3", "fault"] == "leaks"

    click("Another bench")
    upload = {"name": "My reeds.csv", "mimeType": "text/csv", "buffer": SHEET.encode()}
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a sheet").click()
    chooser.value.set_files(upload)
    page.get_by_text("'so-so' is under 'Result' once").wait_for()
    is_well()
    page.locator(".reedlab select").select_option(label="playable: for a pupil, or to practise")
    click("Make my bench of it")
    page.get_by_text("My reeds-bench is a bench now").wait_for()
    page.get_by_text("Of 3 reeds, 1 has no outcome yet").wait_for()
    written = (tmp_path / "home" / "reedlab" / "My reeds-bench" / "bench.toml").read_text("utf-8")
    assert '"so-so" = "playable"' in written
    assert faults == [] and not mark.exists()
    page.context.close()
