"""Where notebooks, shipped data and this user's own lists are, and a path in a command."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """Return the folder of shipped files called `name`: ``"notebooks"`` or ``"data"``.

    In a wheel it is the copy inside the package, in a checkout the folder beside the package; where
    neither is there, the installation is damaged.

    Examples
    --------
    >>> from reedlab.paths import shipped
    >>> shipped("data").is_dir()
    True
    """
    for folder in (_PACKAGE / "_shipped" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"reedlab's folder {name!r} is missing: install reedlab again.")


def user_folder() -> Path:
    """Return the folder of this user's configuration of reedlab; it need not exist."""
    from platformdirs import user_config_path

    return user_config_path("reedlab", appauthor=False, roaming=False)


def command(words: str, path: Path, program: str = "reedlab") -> str:
    """Write a command that a shell reads as it is meant, between backticks."""
    name = [str(path)]
    quoted = subprocess.list2cmdline(name) if sys.platform == "win32" else shlex.join(name)
    return f"`{program} {words} {quoted}`"
