"""Looks across rows and tables for values that are impossible or unlikely.

What comes in are typed tables; what goes out are findings: what, where, what to do. Open
`checking.py` first.
"""
