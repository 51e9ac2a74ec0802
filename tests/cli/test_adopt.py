"""`reedlab adopt`: asks in a terminal alone, shows what changes, and says what is open."""

import re

import pytest

from reedlab import cli

HEADS = "No;Tied on;Lot;Cane from;Result;Crow"
WORDS = ["meh", "so-so", "hm", "gone", "odd", "late", "grey", "loose", "thin", "blue"]
TODAY = ["--today", "2024-12-01"]


@pytest.fixture
def sheet(tmp_path, monkeypatch):
    """A sheet with ten words that nobody can know: the first stands ten times, the last once."""
    folder = tmp_path / "configuration"
    monkeypatch.setattr("reedlab.records.read.files_elsewhere.user_folder", lambda: folder)
    results = [word for at, word in enumerate(WORDS) for _ in range(10 - at)]
    lines = [
        f"{i};2024-03-{1 + i % 28:02};L{i % 2};Blue;{result};flat"
        for i, result in enumerate(["good", *results])
    ]
    path = tmp_path / "reeds.csv"
    path.write_text("\n".join([HEADS, *lines]), "utf-8")
    return path


def run(capsys, *words):
    """Run a command in this process; return its exit code and what it printed."""
    try:
        cli.main([*map(str, words)])
        code = 0
    except SystemExit as end:
        code = end.code or 0
    printed = capsys.readouterr()
    return code, printed.out, printed.err


@pytest.fixture
def terminal(monkeypatch):
    """Stand in for a terminal; what is typed is taken from the list that it returns."""
    typed, shown = [], []

    def answer(prompt=""):
        shown.append(prompt)
        if not typed:
            raise EOFError
        return typed.pop(0)

    monkeypatch.setattr("reedlab.cli._is_terminal", lambda: True)
    monkeypatch.setattr("builtins.input", answer)
    return typed, shown


def test_without_a_terminal_nothing_is_asked(sheet, capsys):
    code, out, err = run(capsys, "adopt", sheet, *TODAY)
    assert (code, err) == (0, "")
    assert "What does it mean?" not in out
    counts = ", ".join(f"{word} {10 - at}" for at, word in enumerate(WORDS))
    assert f"outcome: {counts}: which of good, playable, reject, given_up, broken?" in out
    toml = (sheet.parent / "reeds-bench" / "bench.toml").read_text("utf-8")
    assert [f'"{word}" = "?"' in toml for word in WORDS] == [True] * 10
    assert out.count("Next:") == 1 and "reedlab check" in out
    _, out, _ = run(capsys, "check", sheet.parent / "reeds-bench", *TODAY)
    assert "reedlab adopt" in out.split("Next:")[1]


def test_seven_questions_those_first_that_keep_most_reeds_out(sheet, capsys, terminal):
    typed, shown = terminal
    typed += ["2", "playable", "", "9", "given up", "5", "1", "3", "1", "1", "1"]
    code, out, _ = run(capsys, "adopt", sheet, "--to", sheet.parent / "mine", *TODAY)
    assert code == 0
    asked = re.findall(r"^(\d)\. '(.+)' is under", out, re.MULTILINE)
    assert asked == [(str(at + 1), word) for at, word in enumerate(WORDS[:7])]
    assert len(shown) == 8 and len(typed) == 3  # one answer, 9, was none
    toml = (sheet.parent / "mine" / "bench.toml").read_text("utf-8")
    written = dict(re.findall(r'^"(\S+)" = "(\S*)"', toml, re.MULTILINE))
    assert [written[word] for word in WORDS] == [
        "playable", "playable", "?", "given_up", "broken", "good", "reject", "?", "?", "?",
    ]  # fmt: skip


def test_the_end_of_the_input_leaves_the_rest_for_later(sheet, capsys, terminal):
    typed, _ = terminal
    typed += ["2"]
    code, out, _ = run(capsys, "adopt", sheet, *TODAY)
    assert code == 0 and "so-so 9" in out
    toml = (sheet.parent / "reeds-bench" / "bench.toml").read_text("utf-8")
    assert '"meh" = "playable"' in toml and '"so-so" = "?"' in toml


def test_again_the_difference_is_shown_before_it_is_written(sheet, capsys, terminal, monkeypatch):
    typed, _ = terminal
    run(capsys, "adopt", sheet, *TODAY)
    bench = sheet.parent / "reeds-bench"
    before = (bench / "bench.toml").read_bytes()
    typed += [""] * 7
    code, out, _ = run(capsys, "adopt", bench, *TODAY)
    assert code == 0 and "Nothing is new" in out
    assert (bench / "bench.toml").read_bytes() == before

    typed += ["3", *[""] * 6]
    monkeypatch.setattr("typer.confirm", lambda *_, **__: False)
    code, out, err = run(capsys, "adopt", bench, *TODAY)
    assert (code, err) == (0, "") and "Nothing is written" in out
    assert re.search(r'^-"meh" = "\?".*\n\+"meh" = "reject"', out, re.MULTILINE)
    assert (bench / "bench.toml").read_bytes() == before

    typed[:] = ["3", *[""] * 6]
    monkeypatch.setattr("typer.confirm", lambda *_, **__: True)
    assert run(capsys, "adopt", bench, *TODAY)[0] == 0
    assert b'"meh" = "reject"' in (bench / "bench.toml").read_bytes()


def test_a_wrong_argument_is_one_sentence(tmp_path, capsys):
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "nothing").mkdir()
    for given in (tmp_path / "none.csv", tmp_path / "empty.csv", tmp_path / "nothing"):
        code, out, err = run(capsys, "adopt", given)
        assert (code, out) == (2, "") and err.count("\n") == 1 and given.name in err
    assert {p.name for p in tmp_path.iterdir()} == {"empty.csv", "nothing"}


def test_check_sends_to_adopt_only_where_it_asks(sheet, capsys):
    sheet.write_text(
        "Lot,Supplier,Date,Tied,Good,So-so,Clouds\nL1,Blue,2024-03-05,10,6,4,31\n"
        "L2,Red,2024-03-12,8,5,3,30\nL3,Red,2024-03-13,8,5,2,30\n",
        "utf-8",
    )
    run(capsys, "adopt", sheet, *TODAY)
    bench = sheet.parent / "reeds-bench"
    _, out, _ = run(capsys, "check", bench, *TODAY)
    assert "reedlab adopt" in out.split("Next:")[1]
    file = bench / "bench.toml"
    text = file.read_text("utf-8").replace('"So-so" = "?"', '"So-so" = "playable_count"')
    file.write_text(text, "utf-8")  # the line of Clouds is open, and not asked
    _, out, _ = run(capsys, "check", bench, *TODAY)
    assert "reedlab adopt" not in out.split("Next:")[1]
