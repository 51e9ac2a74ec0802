"""Mixed-effects models: formula, terms, fitting, and what is asked of a fit."""

from reedlab.mixed.fitting import Fit, compare, fit
from reedlab.mixed.gaps.measurement_error import fit_corrected

__all__ = ["Fit", "compare", "fit", "fit_corrected"]
