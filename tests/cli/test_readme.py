"""What README.md shows is what the program does."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from reedlab import cli

ROOT = Path(__file__).resolve().parents[2]
BOOTSTRAP = 'reading_error={"density_g_cm3": 0.01}'
README = (ROOT / "README.md").read_text(encoding="utf-8")


def reedlab(*words):
    asked = [sys.executable, "-c", "from reedlab.cli import main; main()", *words]
    return subprocess.run(asked, capture_output=True, text=True, cwd=ROOT, timeout=120)


def test_the_check_of_the_messy_bench_begins_word_for_word_as_shown():
    done = reedlab("check", "data/messy")
    assert done.returncode == 1
    (shown,) = re.findall(r"```text\n(.*?)```", README, re.DOTALL)
    assert len(shown.splitlines()) > 5
    assert done.stdout.startswith(shown.rstrip())


def test_the_researchers_five_minutes_run():
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert BOOTSTRAP in code
    names: dict[str, object] = {}
    lines = code.replace("data/demo", str(ROOT / "data" / "demo")).splitlines()
    # The slow lines, profiles and imputations, have tests of their own; so has the bootstrap.
    quick = [line for line in lines if "conf_int" not in line and "rl.unmeasured" not in line]
    exec("\n".join(quick).replace(BOOTSTRAP, f"{BOOTSTRAP}, replicates=5"), names)
    assert names["fit"].converged
    assert names["fit"].nobs > 300


def test_every_command_named_there_exists():
    for command in set(
        re.findall(
            r"reedlab "
            r"(new|adopt|check|report|demo|today|order|sheet|type|phone|lab|pupil|gather"
            r"|trial \w+)\b",
            README,
        )
    ):
        with pytest.raises(SystemExit) as ended:
            cli.main([*command.split(), "--help"])
        assert not ended.value.code, command
