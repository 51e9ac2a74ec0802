"""Every question to a fit: intervals, tests, effects, predictions, residuals, held-out scores.

What comes in is a `Fitted` and sometimes a posterior; what goes out is a frame. Each file is one
question, and its functions are the methods of `Fit`, whose first argument is the fit itself; open
`intervals.py` first.
"""
