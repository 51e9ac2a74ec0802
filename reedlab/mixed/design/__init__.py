"""A formula and a frame become numbers: the response y, the matrix X and the random terms.

What comes in is text and a frame; what goes out is a `Design`, plain data that knows no engine, or
one sentence that refuses. Open `matrices.py` first: it builds the whole.
"""
