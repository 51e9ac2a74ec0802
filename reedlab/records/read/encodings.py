"""A file's bytes become text, whatever program wrote them."""

from __future__ import annotations

import stat
from pathlib import Path

MOST_BYTES = 256_000_000
"""Files larger than this are not opened."""


def read_bytes(path: Path) -> bytes:
    """Read a file of a sensible size; anything else raises ValueError with the reason."""
    info = path.stat()
    if not stat.S_ISREG(info.st_mode):
        raise ValueError("is not a file")
    if info.st_size > MOST_BYTES:
        raise ValueError(f"is larger than {MOST_BYTES // 1_000_000} megabytes")
    with path.open("rb") as file:
        return file.read(MOST_BYTES)


def decode(data: bytes) -> tuple[str, str]:
    """Return a file's text, and what is odd about its encoding or an empty string.

    UTF-8 with or without a byte order mark, UTF-16, and Windows-1252 for lines that are not UTF-8:
    lines pasted from elsewhere may have another encoding.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), ""
    # UTF-16 without its mark: every second byte of mostly Latin text is zero.
    even, odd = data[:2000:2].count(0), data[1:2000:2].count(0)
    if max(even, odd) > 200 or (len(data) < 2000 and max(even, odd) > len(data) / 5 > 1):
        return data.decode("utf-16-le" if odd > even else "utf-16-be", errors="replace"), ""
    odd_about_it = "holds zero bytes, which are left out" if b"\0" in data else ""
    data = data.replace(b"\0", b"")
    try:
        return data.decode("utf-8-sig"), odd_about_it
    except UnicodeDecodeError:
        pass
    lines, kinds = [], set()
    for line in data.split(b"\n"):
        try:
            lines.append(line.decode("utf-8-sig"))
            kinds |= set() if line.isascii() else {"utf-8"}
        except UnicodeDecodeError:
            lines.append(line.decode("cp1252", errors="replace"))
            kinds.add("cp1252")
    if len(kinds) > 1:
        odd_about_it = "mixes two encodings (UTF-8 and Windows-1252)"
    return "\n".join(lines), odd_about_it
