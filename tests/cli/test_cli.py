"""The command line as its user meets it: what it says, what it writes, how it ends."""

import hashlib
import json
import os
import re
import shlex
import subprocess
import sys
import warnings

import pandas as pd
import pytest

from reedlab import cli
from reedlab.errors import PosteriorWarning
from reedlab.paths import shipped
from reedlab.report.pages import isolation
from reedlab.report.words.sentences import ROUGH

LOTS = "lot,supplier\nL1,ochre\nL2,slate\n"
REEDS = "reed,lot,maker,tied_on,outcome\n1,L1,AB,2025-01-07,good\n2,L2,AB,2025-01-08,\n"


def run(capsys, *words):
    """Run a command in this process; return its exit code and what it printed."""
    try:
        cli.main(list(words))
        code = 0
    except SystemExit as end:
        code = end.code or 0
    printed = capsys.readouterr()
    return code, printed.out, printed.err


@pytest.fixture
def bench(tmp_path):
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "lots.csv").write_text(LOTS)
    (folder / "reeds.csv").write_text(REEDS)
    return folder


def hashes(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_help_needs_none_of_the_heavy_libraries():
    """Else ``reedlab --help`` takes seconds: nothing of the models, tables or pictures."""
    script = (
        "import sys\n"
        "from reedlab import cli\n"
        "try: cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'pandas', 'numpy', 'scipy', 'matplotlib', 'statsmodels', 'pandera', 'rich',"
        " 'nbconvert', 'nbclient', 'formulaic', 'great_tables'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert "HEAVY []" in done.stdout
    for command in ("demo", "new", "adopt", "check", "report"):
        assert f"\n  {command} " in done.stdout


def test_new_writes_an_empty_bench_that_opens_without_errors(tmp_path, capsys):
    code, out, _ = run(capsys, "new", str(tmp_path / "mine"))
    assert code == 0
    assert "Next: fill in lots (lot and supplier are enough) and reeds" in out
    assert {"bench.toml", "lots.csv", "reeds.csv"} <= {
        p.name for p in (tmp_path / "mine").iterdir()
    }
    code, out, _ = run(capsys, "check", str(tmp_path / "mine"))
    assert code == 0
    assert "no errors" in out and "Next: fill in lots and reeds" in out


def test_new_workbook_writes_one_workbook(tmp_path, capsys):
    code, _, _ = run(capsys, "new", str(tmp_path / "mine"), "--workbook")
    assert code == 0
    assert (tmp_path / "mine" / "records.xlsx").is_file()


@pytest.mark.parametrize("name", ["bench", "my bench", "it's", "$HOME", "a;b", "`id`"])
def test_a_command_to_type_next_is_read_by_a_shell_as_it_is_meant(tmp_path, capsys, name):
    code, out, _ = run(capsys, "new", str(tmp_path / name))
    (command,) = re.findall(r"`(reedlab check .*)`\.", out)
    assert code == 0
    assert shlex.split(command) == ["reedlab", "check", str(tmp_path / name)]


def test_new_overwrites_nothing(bench, capsys):
    before = hashes(bench)
    code, _, err = run(capsys, "new", str(bench))
    assert code == 2
    assert err.count("\n") == 1
    assert hashes(bench) == before


def test_check_of_a_clean_bench_ends_with_0_and_says_what_next(bench, capsys):
    before = hashes(bench)
    code, out, err = run(capsys, "check", str(bench))
    assert (code, err) == (0, "")
    first, second, *_ = out.splitlines()
    assert first == "Your one judged reed could be used. Of 2 reeds, 1 has no outcome yet."
    assert second.startswith("2 lots, 2 reeds and no measured pieces; the check names no errors")
    assert f"Next: write the report: `reedlab report {bench}`" in out
    assert hashes(bench) == before


def test_check_names_each_error_and_ends_with_1(bench, capsys):
    (bench / "reeds.csv").write_text(REEDS + "3,L9,AB,2025-01-09,good\n4,L1,AB,soon,good\n")
    code, out, _ = run(capsys, "check", str(bench))
    assert code == 1
    assert "2 errors" in out
    assert "L9" in out and "soon" in out
    assert "row 4" in out and "row 5" in out, "as the spreadsheet numbers its rows"
    assert f"run `reedlab check {bench}` again" in out


def test_a_check_can_be_repeated_on_another_day(bench, capsys, monkeypatch):
    def errors(*words):
        return json.loads(run(capsys, "check", str(bench), "--json", *words)[1])["errors"]

    assert [errors("--today", day) for day in ("2025-01-08", "2024-12-31")] == [0, 2]
    monkeypatch.setenv("REEDLAB_TODAY", "2024-12-31")
    assert errors() == 2
    assert errors("--today", "2025-01-08") == 0
    code, _, err = run(capsys, "check", str(bench), "--today", "soon")
    assert (code, err.count("\n")) == (2, 1)
    assert "today is 'soon'" in err


def test_a_notebooks_kernel_opens_the_bench_on_the_same_day(tmp_path, monkeypatch):
    monkeypatch.setenv("REEDLAB_TODAY", "2024-12-31")
    assert isolation.environment(tmp_path)["REEDLAB_TODAY"] == "2024-12-31"


def test_check_as_json_holds_every_finding(bench, capsys):
    (bench / "reeds.csv").write_text(REEDS + "3,L9,AB,2025-01-09,good\n")
    code, out, _ = run(capsys, "check", str(bench), "--json")
    told = json.loads(out)
    assert code == 1
    assert (told["errors"], len(told["findings"])) == (1, 1 + told["warnings"])
    first = told["findings"][0]
    assert (first["table"], first["column"], first["severity"]) == ("reeds", "lot", "error")
    assert {"row", "value", "problem", "fix"} <= set(first)


def test_check_marks_a_copy_and_never_the_original(bench, capsys, tmp_path):
    (bench / "reeds.csv").write_text(REEDS + "3,L9,AB,2025-01-09,good\n")
    before, out_file = hashes(bench), tmp_path / "marked.xlsx"
    code, out, _ = run(capsys, "check", str(bench), "--mark", str(out_file))
    assert code == 1
    assert "formulas and drawings are not copied" in out
    assert "reeds" in pd.ExcelFile(out_file).sheet_names
    assert hashes(bench) == before
    code, _, err = run(capsys, "check", str(bench), "--mark", str(out_file))
    assert (code, err.count("\n")) == (2, 1), "a file that is there is not replaced"


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX limits")
def test_a_disk_too_full_for_the_marked_copy_is_one_sentence(bench, tmp_path):
    """The system refuses to write more than 4 kB to a file, as a full disk would."""
    script = (
        "import resource; from reedlab import cli;"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096)); cli.main()"
    )
    out_file = tmp_path / "marked.xlsx"
    asked = [sys.executable, "-c", script, "check", str(bench), "--mark", str(out_file)]
    done = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"reedlab: {out_file} cannot be written (File too large)")
    assert done.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["bench"]


@pytest.mark.parametrize("command", ["check", "report"])
def test_what_cannot_be_read_is_one_sentence_and_ends_with_2(tmp_path, capsys, command):
    code, out, err = run(capsys, command, str(tmp_path / "nowhere"))
    assert (code, out) == (2, "")
    assert err.startswith("reedlab: ")
    assert err.count("\n") == 1
    assert "nowhere" in err
    assert "Traceback" not in err


def test_a_warning_is_its_sentence_without_a_path(bench, capsys, monkeypatch):
    monkeypatch.setattr("warnings.formatwarning", warnings.formatwarning)
    assert run(capsys, "check", str(bench))[0] in (0, 1)
    written = warnings.formatwarning("A posterior fails a check.", UserWarning, "/home/a.py", 1)
    assert written == "reedlab: A posterior fails a check.\n"
    rough = [warnings.formatwarning("Pareto k", PosteriorWarning, "/home/a.py", 1) for _ in "ab"]
    assert rough == [f"reedlab: {ROUGH}\n", ""]  # to a maker, who can do nothing else, and once


def test_a_fault_of_reedlabs_own_is_one_sentence_too(bench, capsys, monkeypatch):
    def broken(path, today):
        raise ZeroDivisionError("oh")

    monkeypatch.setattr("reedlab.records.open_bench", broken)
    code, _, err = run(capsys, "check", str(bench))
    assert code == 2
    assert err.startswith("reedlab: a fault of reedlab's own, not of your records")
    assert err.endswith("(ZeroDivisionError: oh).\n")


def test_what_a_file_holds_never_steers_the_terminal(bench, capsys):
    (bench / "reeds.csv").write_text(REEDS + "3,\x1b[2J\x1b]0;gone\x07,AB,2025-01-09,good\n")
    code, out, err = run(capsys, "check", str(bench))
    assert code in (1, 2)
    assert "\x1b" not in out + err
    assert "\x07" not in out + err


def test_an_unknown_command_ends_with_2(capsys):
    code, _, err = run(capsys, "weave")
    assert code == 2
    assert "weave" in err


def test_the_demo_leaves_a_folder_that_holds_something_else_alone(tmp_path, capsys):
    (tmp_path / "diary.txt").write_text("mine")
    code, _, err = run(capsys, "demo", str(tmp_path))
    assert (code, err.count("\n")) == (2, 1)
    assert [path.name for path in tmp_path.iterdir()] == ["diary.txt"]


def test_the_demo_refuses_a_file_by_that_name(tmp_path, capsys):
    (tmp_path / "x").write_text("mine")
    code, _, err = run(capsys, "demo", str(tmp_path / "x"))
    assert (code, err.count("\n")) == (2, 1)
    assert "is a file" in err


def test_the_demo_lays_the_shipped_bench_whole(tmp_path):
    assert cli._lay_demo(tmp_path / "a" / "try it")
    assert hashes(tmp_path / "a" / "try it") == hashes(shipped("data") / "demo")
    assert not cli._lay_demo(tmp_path / "a" / "try it")
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["try it"]


def test_the_notebooks_come_once_and_overwrite_nothing(tmp_path, capsys):
    folder = tmp_path / "mine"
    folder.mkdir()
    mine = folder / "01-records.ipynb"
    mine.write_text("mine")
    code, said, _ = run(capsys, "notebooks", str(folder))
    assert code == 0 and f"{mine} is there already and stays as it is." in said
    shipped_ones = sorted(shipped("notebooks").glob("*.ipynb"))
    assert sorted(path.name for path in folder.iterdir()) == [path.name for path in shipped_ones]
    assert mine.read_text() == "mine"
    assert (folder / shipped_ones[1].name).read_bytes() == shipped_ones[1].read_bytes()
    code, _, error = run(capsys, "notebooks", str(mine))
    assert code == 2 and "is a file: give a folder" in error


def test_the_help_lists_every_command_once_in_its_group(capsys):
    _, said, _ = run(capsys, "--help")
    listed = [name for names in cli.GROUPS.values() for name in names]
    assert sorted(listed) == sorted(cli._Commands.list_commands(_command_group(), None))
    for title, names in cli.GROUPS.items():
        section = said.split(f"{title}:")[1].split("\n\n")[0]
        assert [
            line.split()[0] for line in section.splitlines() if line[:3] != "   " and line.strip()
        ] == [*names]


def _command_group():
    import typer

    return typer.main.get_command(cli.app)


def test_the_version_is_said(capsys):
    import reedlab

    assert run(capsys, "--version")[:2] == (0, f"{reedlab.__version__}\n")


WEEK = ("reed,lot,maker,tied_on,rough_on,outcome\n1,L1,AB,2026-03-01,2026-03-02,\n"
        "2,L1,AB,2026-03-02,,\n3,L2,AB,2026-03-02,2026-03-05,\n")  # fmt: skip


def test_a_week_on_the_command_line(capsys, bench, monkeypatch):
    """Today, a sheet typed back, an export gathered twice, and a blank that was thrown away."""
    (bench / "reeds.csv").write_text(WEEK)
    before = (bench / "reeds.csv").read_bytes()
    day = ("--today", "2026-03-09")
    code, said, _ = run(capsys, "today", str(bench), *day)
    assert code == 0 and "Monday 9 March 2026" in said and "ROUGH  1 of L1" in said
    code, said, _ = run(capsys, "sheet", str(bench), "--lot", "L1", "--rows", "2", *day)
    assert code == 0 and (bench / "sheets" / "1.html").exists()
    typed = iter(
        [
            "AB",
            "2026-03-03",
            *[""] * 4,
            "4.3.",
            "2026-03-04",
            "",
            "2026-03-08",
            "g3",
            "r1",
            "",
            "30",
            "",
        ]
    )
    monkeypatch.setattr("builtins.input", lambda _: next(typed))
    code, said, _ = run(capsys, "type", str(bench), "1")
    assert code == 0 and "2 reeds and 1 sitting noted" in said
    assert "'4.3.' is not a valid date" in said  # and is asked again
    export = bench.parent / "A.csv"
    export.write_text("entry,noted_at,reed,outcome\nA-1,2026-03-09 10:00,3,good\n")
    for added in (1, 0):
        code, said, _ = run(capsys, "gather", str(bench), str(export))
        assert code == 0 and f"{added} new entries" in said
    # Saved again by a spreadsheet, in another encoding, it is the same; bytes of no text are none.
    export.write_text(export.read_text(), "utf-16")
    assert "1 that were there" in run(capsys, "gather", str(bench), str(export))[1]
    export.write_bytes(b"\xff\xfe\x00\xd8\x01")
    code, _, error = run(capsys, "gather", str(bench), str(export))
    assert code == 2 and "holds no entries" in error
    code, said, _ = run(capsys, "phone", str(bench), *day)
    page = bench / "phone" / "bench.html"
    assert code == 0 and f"The page is in {page}" in said and page.exists()
    assert run(capsys, "today", str(bench), "--thrown-away", "2", *day)[0] == 0
    from reedlab.records import open_bench

    reeds = open_bench(bench, "2026-03-09").tables["reeds"].set_index("reed")["outcome"]
    assert reeds.astype(object).where(reeds.notna(), "").to_dict() == {
        "1": "", "2": "given_up", "3": "good", "4": "good", "5": "given_up",
    }  # fmt: skip
    assert (bench / "reeds.csv").read_bytes() == before


def test_waiting_blanks_are_answered_at_the_terminal_and_nowhere_else(capsys, bench, monkeypatch):
    (bench / "reeds.csv").write_text(
        "reed,lot,tied_on,outcome\n1,L1,2025-03-01,\n2,L1,2025-03-02,\nB 3,L1,2025-03-03,\n"
        "4,L1,2025-04-02,\n5,L1,2026-03-01,\n"
    )
    week = ("today", str(bench), "--today", "2026-03-09")
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("asked without a terminal"))
    code, said, _ = run(capsys, *week)
    assert code == 0 and "WAITING  no. 1, 2, B 3" in said and "Answer for several" in said
    asked = []
    typed = iter(["x", "t 2 9", "t B 3", "t 1 2", ""])
    monkeypatch.setattr("builtins.input", lambda says: asked.append(says) or next(typed))
    monkeypatch.setattr(cli, "_is_terminal", lambda: True)
    code, said, _ = run(capsys, *week)
    assert code == 0 and "Noted: 3 thrown away, 0 still here." in said
    assert asked[0] == "no. 1, 2, B 3: thrown away [t], still here [h], Enter: later: "
    assert asked[3].startswith("no. 1, 2:") and asked[4].startswith("no. 4:")
    assert said.count("Type t or h, alone or with some of 1, 2, B 3") == 2
    typed = iter(["H"])
    assert "Noted: 0 thrown away, 1 still here." in run(capsys, *week)[1]
    code, said, _ = run(capsys, *week)
    assert code == 0 and "WAITING" not in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["today", "nowhere"], "does not exist"),
        (["order", "BENCH", "--reeds", "5"], "needs both"),
        (["order", "BENCH", "--reeds", "5", "--by", "soon"], "not a valid date"),
        (["sheet", "BENCH", "--lot", "L9"], "is not in lots"),
        (["type", "BENCH", "7"], "there is no sheet 7"),
        (["type", "nowhere", "7"], "nowhere is no folder"),
        (["gather", "BENCH", "nofile.csv"], "nofile.csv"),
        (["phone", "nowhere"], "does not exist"),
        (["phone", "BENCH", "--to", "BENCH"], "exists already"),
        (["today", "BENCH", "--thrown-away", "99"], "not the label of a blank"),
    ],
)
def test_a_wrong_word_of_the_week_gets_one_sentence(capsys, bench, words, says):
    code, _, error = run(capsys, *[str(bench) if word == "BENCH" else word for word in words])
    assert code == 2 and says in error and error.count("\n") == 1


@pytest.mark.parametrize(
    "words, says",
    [
        (["repot", "x"], "no such command 'repot'; did you mean 'report'?"),
        (["report"], "`reedlab report` needs DIR: the folder with the records."),
        (["order", "x", "--reeds", "ten"], "--reeds: 'ten' is not a whole number: write it as 14."),
        (["trial", "plan", "x"], "`reedlab trial plan` needs --lot: the lot that all blanks"),
        (["today", "x", "--tody", "y"], "no such option: --tody"),
        (["--tody"], "no such option: --tody; see `reedlab --help`."),
        (["order", "x", "--reeds"], "option '--reeds' requires an argument; see `reedlab"),
        (["demo", "a", "b"], "got unexpected extra argument"),
    ],
)
def test_a_command_typed_wrongly_ends_in_one_sentence(capsys, words, says):
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert err.startswith(f"reedlab: {says}")
    assert err.count("\n") == 1


def test_a_command_without_words_shows_its_help(capsys):
    for words in ([], ["trial"]):
        _, out, err = run(capsys, *words)
        assert "--help" in out + err and "reedlab: " not in out + err
