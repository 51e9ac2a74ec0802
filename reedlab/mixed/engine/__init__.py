"""One likelihood: its cross-products, its factor, its families, and the search for its maximum.

What comes in is a `Design`; what goes out is a `Fitted` with estimates, modes and log-likelihood.
Open `fitted.py` first: it shows the road, `glmm.py` and `gaussian.py` walk it.
"""
