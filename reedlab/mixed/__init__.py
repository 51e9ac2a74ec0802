"""Mixed-effects models: formula, terms, fits, posterior, intervals, effects, adequacy."""
