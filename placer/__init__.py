"""Searches where each layer of an orchestral mock-up should be heard from."""

import os

# The work itself runs in threads, and those of OpenBLAS spin while they wait for one another. Set
# here, before numpy is loaded; a value that the user has set stays.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
