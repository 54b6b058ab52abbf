"""Simulated hardware that ships with Stopwright: a camera before a garden fountain, and hands to work it.

The camera speaks PTP over TCP/IP on the loopback address, so that the real camera library drives it. Its optics are
written independently of ``plans``: the two agree only where both are right.
"""

import os

# One thread for linear algebra in each process: several processes share few cores, and threads that wait for each other
# by spinning then take all of them. Before numpy is imported; what the user sets stands.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
