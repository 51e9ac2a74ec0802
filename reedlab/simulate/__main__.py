"""Write the demo bench: ``python -m reedlab.simulate DIR``."""

import sys
from pathlib import Path

from reedlab.simulate.demo import write_demo

if len(sys.argv) != 2:
    sys.exit("usage: python -m reedlab.simulate DIR (a new folder for the demo bench)")
write_demo(Path(sys.argv[1]))
