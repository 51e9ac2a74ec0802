"""What every test process needs: one BLAS thread, and ports of its own.

Several processes run beside each other. Kernels that two of them start at once may be given the
same free port, and the later one dies; so each takes its ports from a range of its own, below those
that the system hands out.
"""

import os
import socket
from itertools import count

from jupyter_client.connect import LocalPortCache
from threadpoolctl import threadpool_limits

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
threadpool_limits(limits=1)

_PORTS = 1000
_first = 12_000 + _PORTS * (int(os.environ.get("PYTEST_XDIST_WORKER", "gw0")[2:]) % 20)
_tries = count(7 * os.getpid())


def _own_port(cache: LocalPortCache, ip: str) -> int:
    while True:
        port = _first + next(_tries) % _PORTS
        with socket.socket() as trial:
            if port not in cache.currently_used_ports and trial.connect_ex((ip, port)):
                cache.currently_used_ports.add(port)
                return port


LocalPortCache.find_available_port = _own_port
