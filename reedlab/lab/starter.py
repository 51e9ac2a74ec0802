"""A file to double-click that opens the start notebook on a bench."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from reedlab.records.store import write_text


def write_starter(bench: Path) -> Path:
    """Write a starter for this system into a bench's folder; it may be moved to the desktop.

    It is ``reedlab.command`` on a Mac, ``reedlab.bat`` on Windows, ``reedlab.desktop`` elsewhere.
    """
    words = [sys.executable, "-I", "-m", "reedlab.cli", "lab", str(bench.resolve())]
    if sys.platform == "win32":
        quoted = " ".join(f'"{word}"' for word in words).replace("%", "%%")
        return write_text(f"@chcp 65001 >nul\r\n@{quoted}\r\n@pause\r\n", bench / "reedlab.bat",
                          replace=True)  # fmt: skip
    if sys.platform == "darwin":
        path, text = bench / "reedlab.command", f"#!/bin/sh\nexec {shlex.join(words)}\n"
    else:
        path = bench / "reedlab.desktop"
        text = (
            "[Desktop Entry]\nType=Application\nName=reedlab\nTerminal=true\n"
            f"Exec={' '.join(map(_for_desktop, words))}\n"
        )
    write_text(text, path, replace=True)
    path.chmod(0o755)
    return path


def _for_desktop(word: str) -> str:
    """Quote a word of an Exec line: Desktop Entry Specification 1.5, "The Exec key"."""
    for sign in '\\"`$':
        word = word.replace(sign, f"\\{sign}")
    return '"' + word.replace("\\", "\\\\").replace("%", "%%") + '"'
