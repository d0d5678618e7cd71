"""A whole search of the small cue, made once, and a table cache that is this session's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from placer.trial.judge import Judge
    from tests.placer.small_cue import SmallRun

settings.register_profile("seeded", derandomize=True)  # a failure must be one that comes again
settings.load_profile("seeded")

EVALUATIONS = 1500
"""Evaluations a track of inner searches in tests: a tenth of a second."""


@pytest.fixture(scope="session", autouse=True)
def table_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Keep tables in a folder of this session, not in the user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("cache")
        patch.setenv("PLACER_CACHE", str(folder))
        yield folder


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short inner searches in this process."""
    monkeypatch.setattr("placer.trial.outer.EVALUATIONS_PER_TRACK", EVALUATIONS)


@pytest.fixture(scope="session")
def small_cue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the small cue; tests only read it."""
    from tests.placer.small_cue import write_cue

    return write_cue(tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="session")
def small_run(small_cue: Path) -> SmallRun:
    """One short search of the small cue with placed stems; tests only read it."""
    from placer.pipeline import SearchOrder, search
    from placer.progress import Quiet
    from tests.placer.small_cue import SmallRun

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placer.trial.outer.EVALUATIONS_PER_TRACK", EVALUATIONS)
        end = search(SearchOrder(cue=small_cue, trials=1, stems=True), Quiet())
    return SmallRun(small_cue, end)


@pytest.fixture(scope="session")
def small_judge(small_cue: Path) -> Judge:
    """What scores candidates of the small cue; tests do not change it."""
    from placer.cue.read import read_cue
    from placer.progress import Quiet
    from placer.trial.ready import make_ready, survey_cue

    return make_ready(survey_cue(read_cue(small_cue), Quiet()), Quiet())
