"""Every error that reedlab raises on purpose.

One family, so that a caller can catch all of it with ``except ReedlabError``. A message is one
sentence: what is wrong, where (file, row, column, term), and what to do about it.
"""

from __future__ import annotations


class ReedlabError(Exception):
    """The family's root: something reedlab refuses, with the reason and the way out."""

    def _render_traceback_(self) -> list[str]:
        """Lines that IPython, and so Jupyter, shows in place of a traceback."""
        return [f"{type(self).__name__}: {self}"]


class RecordError(ReedlabError):
    """Records that cannot be read at all; anything readable becomes a finding instead."""


class SettingsError(RecordError):
    """A setting that makes no sense.

    Attributes
    ----------
    key : str
        The setting, as ``bench.toml`` names it: ``wage_per_hour``, ``words.outcome``.
    problem : str
        What is wrong with it; follows the key in a sentence.
    fix : str
        What to do, in the imperative.
    """

    def __init__(self, key: str, problem: str, fix: str) -> None:
        super().__init__(key, problem, fix)
        self.key, self.problem, self.fix = key, problem, fix

    def __str__(self) -> str:
        return f"{self.key} {self.problem}: {self.fix}."


class WriteError(ReedlabError):
    """A file that reedlab will not or cannot write, such as one that already exists."""


class FormulaError(ReedlabError):
    """A model formula that cannot be read, or that names what is not there."""


class DataError(ReedlabError):
    """Data that a model or a calculation cannot use: a missing column, infinite values."""


class ModelError(ReedlabError):
    """A model that the data do not determine: one level, one response value, aliased columns."""


class PredictionError(ReedlabError):
    """New data that a fitted model cannot predict for."""


class DecisionError(ReedlabError):
    """A question that this bench holds no records to answer."""


class PosteriorWarning(UserWarning):
    """A posterior that fails one of its own checks: it is returned, but do not rely on it."""


class SeparationWarning(UserWarning):
    """A fit in which a column or a grouping predicts every outcome: it has no finite estimate."""


class ConvergenceWarning(UserWarning):
    """A fit, or some refits of a bootstrap, that did not end at the top of the likelihood."""


class FontWarning(UserWarning):
    """A letter of a name that no installed font has: a picture shows a box in its place."""
