"""A made-up bench whose truth is known: the demo, power and calibration draw from it.

`simulate_bench` makes whole records, as uneven as real ones; `simulate_reeds` makes only the frame
that the models read, quickly enough for thousands. Both hand back the `Truth` beside the data. All
numbers, makers and suppliers are invented.
"""

from reedlab.simulate.demo import write_demo
from reedlab.simulate.quick import simulate_reeds
from reedlab.simulate.workshop import simulate_bench
from reedlab.simulate.world import Truth, World

__all__ = ["Truth", "World", "simulate_bench", "simulate_reeds", "write_demo"]
