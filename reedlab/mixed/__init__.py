"""Mixed-effects models: formula, terms, fitting, and what is asked of a fit."""

from reedlab.mixed.fitting import fit
from reedlab.mixed.results import Fit

__all__ = ["Fit", "fit"]
