"""The tests, of which several processes share the cores: linear algebra takes no more than one."""

import os

# Read when numpy loads. Threads that wait for a core in every process cost a small product fifty
# times its worth.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
