"""One BLAS thread in each test process: several processes run beside each other."""

import os

from threadpoolctl import threadpool_limits

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
threadpool_limits(limits=1)
