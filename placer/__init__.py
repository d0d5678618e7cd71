"""Searches where each layer of an orchestral mock-up should be heard from."""

import os

# The work itself runs in threads, and those of OpenBLAS spin while they wait for one another. How
# many there are decides the order of its sums too, and the last digits of a figure may send a
# search another way: one, before numpy is loaded, whatever the user's shell says.
os.environ["OPENBLAS_NUM_THREADS"] = "1"
