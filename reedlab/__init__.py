"""reedlab: from an oboe reed maker's bench records to cane decisions with honest intervals.

The names below are resolved when first used, so that ``import reedlab`` costs next to nothing.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES = {
    "open_bench": "reedlab.records",
    "fit": "reedlab.mixed",
    "rank_suppliers": "reedlab.decide.suppliers.comparison",
    "suppliers": "reedlab.decide.suppliers.comparison",
    "simulate_bench": "reedlab.simulate",
    **dict.fromkeys(
        (
            "ReedlabError",
            "RecordError",
            "SettingsError",
            "WriteError",
            "FormulaError",
            "DataError",
            "ModelError",
            "PredictionError",
            "DecisionError",
        ),
        "reedlab.errors",
    ),
}

__all__ = [*_HOMES]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Import a public name from the module that defines it, the first time it is asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'reedlab' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
