"""``reedlab trial``: planned, read as far as it goes, never written over."""

import pandas as pd
import pytest

from reedlab import cli


def run(capsys, *words):
    try:
        cli.main([str(word) for word in words])
        code = 0
    except SystemExit as end:
        code = end.code or 0
    printed = capsys.readouterr()
    return code, printed.out, printed.err


@pytest.fixture
def planned(tmp_path, capsys):
    folder = tmp_path / "trial"
    words = ("--lot", "L07", "--compare", "thin tip", "thick tip", "--blanks", "12")
    code, out, _ = run(capsys, "trial", "plan", folder, *words)
    assert code == 0 and "162 blanks" in out and "key/key.csv" in out
    assert "these 12 would not surely tell it" in out
    return folder


def test_a_trial_is_planned_filled_in_and_read(planned, capsys):
    code, out, _ = run(capsys, "trial", "read", planned)
    assert code == 0 and "before anyone opens the key" in out
    bench = pd.read_csv(planned / "bench.csv", dtype=str)
    key = pd.read_csv(planned / "key" / "key.csv", dtype=str)
    judge = pd.read_csv(planned / "judge.csv", dtype=str)
    setting = bench.merge(key, on="order").set_index("code")["setting"]
    judge["outcome"] = ["good" if setting[c] == "thin tip" else "reject" for c in judge["code"]]
    judge.to_csv(planned / "judge.csv", index=False)
    bench.assign(rough_min="15", finish_min="20").to_csv(planned / "bench.csv", index=False)
    code, out, _ = run(capsys, "trial", "read", planned)
    assert code == 0 and "Work this lot with thin tip" in out


def test_a_trial_named_twice_is_counted_once(planned, capsys):
    judge = pd.read_csv(planned / "judge.csv", dtype=str).assign(outcome="good")
    judge.to_csv(planned / "judge.csv", index=False)
    once, twice = (run(capsys, "trial", "read", *[planned] * n) for n in (1, 2))
    assert once == twice and "Of 6 pairs" in once[1]


def test_the_benchs_own_idea_of_good_is_taken(planned, tmp_path, capsys):
    (tmp_path / "bench.toml").write_text('success = ["good", "playable"]')
    (tmp_path / "lots.csv").write_text("lot,supplier\nL07,ochre\n")
    judge = pd.read_csv(planned / "judge.csv", dtype=str).assign(outcome="playable")
    judge.to_csv(planned / "judge.csv", index=False)
    _, out, _ = run(capsys, "trial", "read", planned)
    assert "0 % turned out good with thin tip" in out
    _, out, _ = run(capsys, "trial", "read", planned, "--bench", tmp_path)
    assert "100 % turned out good with thin tip" in out


def test_what_is_usual_comes_from_the_records(tmp_path, capsys):
    from reedlab.decide.trial import read_trial
    from reedlab.paths import shipped

    words = ("--lot", "L05", "--compare", "a", "b", "--bench", shipped("data") / "demo")
    code, out, _ = run(capsys, "trial", "plan", tmp_path / "t", *words)
    assert code == 0 and "of a lot of indigo turn out good" in out and "162 blanks" not in out
    assert "No lot of your records" not in out and "these 20 would not surely tell it" in out
    plan = read_trial(tmp_path / "t").plan
    assert 0.6 < plan.usual_success < 0.85 and plan.log_minutes_sd != 0.25
    lost = ("--lot", "l05", "--usual", "0.5", *words[2:])
    code, out, _ = run(capsys, "trial", "plan", tmp_path / "lost", *lost)
    assert code == 0 and "No lot of your records is called l05, so all of them speak" in out
    assert read_trial(tmp_path / "lost").plan.usual_success == 0.5
    # Cohen (1988), chapter 6: ten a side tell h = (1.960 + 0.842) / sqrt(10 / 2) = 1.253, which
    # from one half is sin((pi / 2 + 1.253) / 2) ** 2 - 0.5 = 0.475.
    assert "these 20 tell one of 47 points or more" in out
    code, _, err = run(capsys, "trial", "plan", tmp_path / "u", *words[:-1], tmp_path / "none")
    assert code == 2 and "does not exist" in err and not (tmp_path / "u").exists()


def test_what_is_refused_is_said_in_one_sentence(planned, capsys, tmp_path):
    words = ("--lot", "L07", "--compare", "a", "b")
    code, _, err = run(capsys, "trial", "plan", planned, *words)
    assert code == 2 and "exists already" in err
    code, _, err = run(capsys, "trial", "plan", tmp_path / "x", *words, "--blanks", "7")
    assert code == 2 and "even number of blanks" in err and not (tmp_path / "x").exists()
    code, _, err = run(capsys, "trial", "plan", tmp_path / "x", *words, "--usual", "0")
    assert code == 2 and "between 0 and 1" in err and not (tmp_path / "x").exists()
    code, _, err = run(capsys, "trial", "plan", planned / "plan.toml" / "x", *words)
    assert code == 2 and "plan.toml is a file" in err and ".part" not in err
    code, _, err = run(capsys, "trial", "read", tmp_path)
    assert code == 2 and "no trial to read" in err and err.count("\n") == 1
