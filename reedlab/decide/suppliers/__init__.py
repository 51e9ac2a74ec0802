"""Which supplier to buy from next, and what that answer leaves out.

What comes in is a bench; what goes out is an answer with its frames and sentence. Open
`comparison.py` first; the other files check it, hold cane equal or turn it into earnings.
"""
