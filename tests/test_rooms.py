"""The house can be found through: how many files a room has, and what they are called."""

from collections import Counter
from pathlib import Path

import reedlab

MOST = 15
"""Modules of a room, beside its ``__init__.py``."""
HOUSE = Path(reedlab.__file__).parent
FILES = [path for path in HOUSE.rglob("*.py") if "_shipped" not in path.parts]


def test_no_two_modules_have_one_name_and_none_has_a_rooms():
    modules = [path.stem for path in FILES if path.stem != "__init__"]
    rooms = {path.parent.name for path in FILES} - {HOUSE.name}
    assert [name for name, times in Counter(modules).items() if times > 1] == []
    assert rooms.isdisjoint(modules)


def test_no_room_has_more_files_than_one_can_take_in():
    full = Counter(path.parent for path in FILES if path.stem != "__init__")
    assert {room.name: n for room, n in full.items() if n > MOST} == {}
    assert all((room / "__init__.py").read_text("utf-8").strip() for room in full)
