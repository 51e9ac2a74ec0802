"""The cane itself: arrays in, arrays out, with units, uncertainty and source in every docstring.

What comes in are readings of a rule, a thickness gauge, a balance or a hygrometer; what goes out
are density, thickness, volume and moisture. Nothing here knows a bench. Open `readings.py` first,
which holds the resolution of each instrument.
"""
