"""Cues of sampled instruments as fixtures: rendered once, found again by later runs."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.sampled.make_sampled import cached_sampled, missing_tool


@pytest.fixture(scope="session")
def sampled() -> Callable[[str], Path]:
    """Give `cached_sampled`; skip where a tool is missing, but never in continuous integration."""
    reason = missing_tool()
    if reason is not None:
        if os.environ.get("CI"):
            pytest.fail(f"continuous integration must render the sampled cues: {reason}")
        pytest.skip(reason)
    return cached_sampled
