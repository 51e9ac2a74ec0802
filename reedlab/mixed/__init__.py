"""Mixed-effects models: formula, terms, fitting, and what is asked of a fit."""

from reedlab.mixed.results import Fit, fit

__all__ = ["Fit", "fit"]
