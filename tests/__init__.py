"""Tests. The package under test comes first, since it says how many threads numpy may use."""

import placer  # noqa: F401
