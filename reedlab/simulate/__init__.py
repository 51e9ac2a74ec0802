"""A simulated bench whose true effects are known, for the demo, calibration and power.

What comes in is a seed and a `World` of true effects; what goes out is data and the `Truth`.
`simulate_bench` (`workshop.py`, open it first) makes whole records, as uneven as real ones;
`simulate_reeds` makes only the frame that the models read, fast enough for thousands. All numbers,
makers and suppliers are invented.
"""

from reedlab.simulate.demo import write_demo
from reedlab.simulate.quick import simulate_reeds
from reedlab.simulate.workshop import simulate_bench
from reedlab.simulate.world import Truth, World

__all__ = ["Truth", "World", "simulate_bench", "simulate_reeds", "write_demo"]
