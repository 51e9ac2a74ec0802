"""What a kernel gets: an interpreter that imports installed code only, and a folder of its own.

Records come from anywhere. A kernel that worked in their folder would import what is there, so it
works in an empty one. It takes neither code nor settings from a bench, nor from its user's own
Python, IPython and Jupyter.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

# "-I" keeps the working folder, PYTHON... variables and the user's packages off the import path.
KERNEL_COMMAND = (sys.executable, "-I", "-m", "ipykernel_launcher", "-f", "{connection_file}",
                  "--IPKernelApp.ignore_cwd=True")  # fmt: skip
_PASSED_ON = re.compile(
    r"PATH|HOME|TZ|LANG|LANGUAGE|LC_\w+|TMPDIR|TEMP|TMP|REEDLAB_\w+"
    r"|\w+_NUM_THREADS|VECLIB_MAXIMUM_THREADS|OPENBLAS_\w+"
    r"|XDG_CACHE_HOME|MPLCONFIGDIR"  # matplotlib's list of fonts, which takes long to make
    r"|XDG_CONFIG_HOME"  # the user's list of adopted sheets
    r"|LD_LIBRARY_PATH|DYLD_LIBRARY_PATH"  # without which some installations do not start
    r"|SYSTEMROOT|SYSTEMDRIVE|WINDIR|COMSPEC|PATHEXT|USERPROFILE|HOMEDRIVE|HOMEPATH|APPDATA"
    r"|LOCALAPPDATA|PROGRAMDATA|NUMBER_OF_PROCESSORS|PROCESSOR_\w+"
)

# One kernel runs on each core; what a user has set takes precedence.
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1")


def working_folder(own: Path) -> Path:
    """Make the folder where a kernel works: empty, inside its own temporary folder."""
    folder = own / "work"
    folder.mkdir()
    return folder


def environment(own: Path) -> dict[str, str]:
    """Return the environment variables of a kernel: few of the user's, and settings of its own.

    The settings are in `own`, a temporary folder for this kernel alone.
    """
    rc = own / "matplotlibrc"
    rc.write_text("")  # matplotlib takes the first such file it finds: this one, with no setting
    passed_on = {name: v for name, v in os.environ.items() if _PASSED_ON.fullmatch(name.upper())}
    of_its_own = {
        "REEDLAB_OPEN_ONCE": "1",  # all notebooks of a kernel are of one bench
        "PYTHONSAFEPATH": "1",  # these two for any process that a kernel may start
        "PYTHONNOUSERSITE": "1",
        "IPYTHONDIR": str(own / "ipython"),
        "JUPYTER_CONFIG_DIR": str(own / "jupyter"),
        "JUPYTER_DATA_DIR": str(own / "jupyter"),
        "JUPYTER_RUNTIME_DIR": str(own / "jupyter"),
        "MATPLOTLIBRC": str(rc),
    }
    return _ONE_THREAD | passed_on | of_its_own
