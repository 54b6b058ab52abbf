"""Signals as a terminal has them: a suite that is started in the background inherits Ctrl-C and hang-up ignored."""

import os
import signal

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the daemon does, before numpy is imported
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)
