"""Every button asks the library, and a wrong word gets one sentence; no JupyterLab is needed."""

import os
import subprocess
from pathlib import Path

import ipywidgets
import pytest

import reedlab as rl
from reedlab.lab import forms, serving
from reedlab.lab.starter import write_starter
from reedlab.report.pages import running

DAY = "2026-03-09"
REEDS = (
    "reed,lot,maker,tied_on,rough_on,outcome,lost_at\n"
    "1,L1,AB,2025-03-01,,,\n2,L1,AB,2025-03-02,,,\n3,L1,MR,2025-03-03,,reject,finish\n"
    "4,L1,AB,2026-03-01,2026-03-08,,\n"
)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("REEDLAB_TODAY", DAY)
    monkeypatch.setattr(forms, "SHEETS_HERE", tmp_path / "home")
    monkeypatch.setattr(forms.webbrowser, "open", lambda address: False)
    folder = tmp_path / "my bench"
    folder.mkdir()
    (folder / "lots.csv").write_text("lot,supplier\nL1,ochre\n")
    (folder / "reeds.csv").write_text(REEDS)
    return folder


def within(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from within(child)


def of(desk, kind):
    return [part for part in within(desk.view) if isinstance(part, kind)]


def press(desk, name):
    buttons = [part for part in within(desk.page) if isinstance(part, ipywidgets.Button)]
    (button,) = [button for button in buttons if button.description == name]
    button.click()
    return shown(desk)


def shown(desk):
    return "\n".join(part.value for part in of(desk, ipywidgets.HTML))


def test_each_button_answers(bench):
    desk = forms.Desk(str(bench))
    before = (bench / "reeds.csv").read_bytes()
    assert "4 reeds" in shown(desk)
    assert "WAITING" in press(desk, "Today")
    (picked,) = of(desk, ipywidgets.SelectMultiple)
    picked.value = ("1",)
    assert "Noted: 1." in press(desk, "Thrown away")
    assert "no. 2" in shown(desk) and "no. 1" not in shown(desk)
    assert "no order" in press(desk, "Orders").casefold()
    of(desk, ipywidgets.BoundedIntText)[0].value = 3
    assert "needs both" in press(desk, "What if?")
    assert "1 warning" in press(desk, "Check") or "warnings" in shown(desk)
    press(desk, "Pencil sheet")
    assert "sheets/1.html" in press(desk, "Write a sheet").replace(os.sep, "/")
    assert "Open this file in your browser" in press(desk, "Open the page")
    press(desk, "Type a sheet")
    press(desk, "Type it")
    fields = {field.description: field for field in of(desk, ipywidgets.Text)}
    fields["5"].value, fields["lot"].value = "gg?", "L1"
    assert "'?' is not a key" in press(desk, "Save") or "twice" in shown(desk)
    fields["5"].value, fields["tied on (2026-03-05)"].value = "g3", "2026-03-04"
    assert "10 reeds and 0 sittings noted" in press(desk, "Save")
    assert "Written: " in press(desk, "Phone page")
    assert (bench / "phone" / "bench.html").exists()
    press(desk, "Phone entries")
    assert "Choose a file or paste" in press(desk, "Take them")
    press(desk, "Phone entries")
    of(desk, ipywidgets.Textarea)[
        0
    ].value = "entry,noted_at,reed,outcome\nA-1,2026-03-09 10:00,4,good\n"
    assert "1 new entries, 0 known" in press(desk, "Take them")
    press(desk, "Pupil's page")
    of(desk, ipywidgets.Dropdown)[0].value = "MR"
    assert "1 of 1" in press(desk, "Write the page") and (bench / "pupils" / "MR.html").exists()
    assert "Double-click" in press(desk, "Starter")
    reeds = rl.open_bench(bench).tables["reeds"].set_index("reed")["outcome"].astype(object)
    assert reeds[["1", "4", "5"]].tolist() == ["given_up", "good", "good"]
    assert (bench / "reeds.csv").read_bytes() == before


def test_a_report_is_written_step_by_step(bench, monkeypatch):
    monkeypatch.setattr(running, "notebooks", lambda: [])
    desk = forms.Desk(str(bench))
    press(desk, "Report")
    said = press(desk, "Write it")
    assert str(bench / "report" / "index.html") in said
    press(desk, "Report")
    of(desk, ipywidgets.Checkbox)[0].value = True
    assert "report-to-send" in press(desk, "Write it")


def test_without_a_bench_it_asks_for_one_and_a_wrong_path_is_one_sentence(bench, tmp_path):
    desk = forms.Desk()
    assert "Choose your own sheet" in shown(desk)
    assert "Write the path of a sheet" in press(desk, "Open")
    desk = forms.Desk(str(tmp_path / "nowhere"))
    assert "does not exist" in shown(desk)
    empty = tmp_path / "empty"
    empty.mkdir()
    desk = forms.Desk(str(empty))
    assert shown(desk).count("<p>") == 1 and str(empty) in shown(desk)
    desk = forms.Desk()
    of(desk, ipywidgets.Text)[0].value = str(bench)
    assert "4 reeds" in press(desk, "Open")
    desk = forms.Desk()
    assert "700 reeds" in press(desk, "See the demo").replace(",", "")


def test_an_upload_never_replaces_a_sheet(bench, tmp_path):
    one = type("Upload", (), {"name": "../a.csv", "content": b"Reed,Cane\n"})
    other = type("Upload", (), {"name": "a.csv", "content": memoryview(b"other")})
    home = tmp_path / "home"
    assert forms._kept(one) == forms._kept(one) == home / "a.csv"
    assert forms._kept(other) == home / "a-2.csv" and (home / "a.csv").read_bytes() == one.content


@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_a_starter_names_this_python_and_the_bench_whatever_it_is_called(
    tmp_path, system, monkeypatch
):
    python = "/Bücher & mehr/50% $x/python"
    bench = tmp_path / "a \"b\" $c 100% `d` 'e' Röhre"
    bench.mkdir()
    with monkeypatch.context() as here:
        here.setattr("sys.executable", python)
        here.setattr("sys.platform", system)
        path = write_starter(bench)
    written, text = path.read_bytes(), path.read_text("utf-8")
    if system == "win32":
        # cmd.exe: lines end in CR LF, %% is % and nothing else is changed within quotes; the code
        # page is UTF-8 before the first letter that is not ASCII, and no mark is before it.
        first, second, third, last = written.split(b"\r\n")
        assert (first, third, last) == (b"@chcp 65001 >nul", b"@pause", b"")
        words = [python, "-I", "-m", "reedlab.cli", "lab", f"{bench}"]
        assert second.decode("utf-8").replace("%%", "%") == "@" + " ".join(f'"{w}"' for w in words)
        assert second.count(b"%") == 2 * second.count(b"%%")
        return
    assert b"\r" not in written and not written.startswith(b"\xef\xbb\xbf")
    assert os.access(path, os.X_OK)
    if system == "darwin":
        assert subprocess.run(["sh", "-n", path], check=False).returncode == 0
        command = text.splitlines()[1].removeprefix("exec ")
    else:
        # Desktop Entry Specification 1.5: a string's \\ is \, and %% is % in Exec.
        command = text.split("Exec=")[1].strip().replace("\\\\", "\\").replace("%%", "%")
    read = subprocess.run(
        ["sh", "-c", f"printf '%s\\n' {command}"], capture_output=True, text=True, check=True
    )
    assert read.stdout.splitlines() == [python, "-I", "-m", "reedlab.cli", "lab", str(bench)]


def test_a_missing_library_is_one_sentence(monkeypatch):
    monkeypatch.setattr(serving, "find_spec", lambda name: None)
    with pytest.raises(rl.ReedlabError, match=r"run `pip install 'reedlab\[lab\]'`"):
        serving.serve(None, print)


def test_the_server_is_on_this_machine_alone_in_a_folder_of_its_own(tmp_path, bench):
    (tmp_path / "own").mkdir()
    command, options = serving.laid_out(tmp_path / "own", bench)
    assert "--ServerApp.ip=127.0.0.1" in command and command[1] == "-I"
    root = Path(options["cwd"])
    assert [path.name for path in root.iterdir()] == [serving.START]
    assert f"--ServerApp.root_dir={root}" in command and root.is_relative_to(tmp_path / "own")
    assert str(bench) in (root / serving.START).read_text("utf-8")
    assert options["env"]["JUPYTER_CONFIG_DIR"] == str(tmp_path / "own" / "jupyter")
