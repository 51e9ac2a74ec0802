"""The uncertainty of everything at once, the variances' own included.

What comes in is a fit and priors; what goes out is a `Posterior` of weighted draws, with the
diagnostics that say whether to trust it. Open `nested_laplace.py` first.
"""
