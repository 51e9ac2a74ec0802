"""Whether open orders can be met, and how many blanks to tie of which lot by when.

What comes in is a bench with orders; what goes out is an answer with a plan for each order. Open
`planning.py` first; `chances.py` holds what a blank can become.
"""
