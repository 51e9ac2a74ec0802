"""Predictors that are missing for some rows, or measured with error.

What comes in is a frame with gaps, or the error of a reading; what goes out is a posterior over
filled-in frames, or a fit with its slopes corrected for attenuation. Open `missing.py` first,
`measurement_error.py` for readings.
"""
