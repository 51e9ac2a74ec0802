"""The cane itself: arrays in, arrays out, with units, uncertainty and source in every docstring.

Nothing here knows a bench: `density`, `gouge` and `moisture` take what a maker reads off a rule, a
thickness gauge, a balance or a hygrometer; `readings` says how finely each of those can be read.
"""
