"""The report: notebooks run on a bench, and pages written from them.

What comes in is a bench; what goes out is its folder `report`. Open `writing.py` first,
`running.py` for the kernels.
"""
