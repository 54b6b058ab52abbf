"""The daemon: everything that touches the world."""

import os

# One thread for linear algebra in each process: several processes share few cores, and threads that wait for each other
# by spinning then take all of them. Before numpy is imported; what the user sets stands.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
