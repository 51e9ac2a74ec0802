"""Every question to a fit: intervals, tests, effects, predictions, residuals, held-out scores.

What comes in is a `Fitted` and sometimes a posterior; what goes out is a frame. Each file is one
question; open `intervals.py` first.
"""
