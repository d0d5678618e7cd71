"""A whole search of the small cue, made once, and a table cache that is this session's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from placer.trial.judge import Judge
    from tests.placer.small_cue import SmallRun

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
def small_run(tmp_path_factory: pytest.TempPathFactory) -> SmallRun:
    """One short search of the small cue with placed stems; tests only read it."""
    from placer.pipeline import SearchOrder, search
    from placer.progress import Quiet
    from tests.placer.small_cue import SmallRun, write_cue

    cue = write_cue(tmp_path_factory.mktemp("small"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placer.trial.outer.EVALUATIONS_PER_TRACK", EVALUATIONS)
        end = search(SearchOrder(cue=cue, trials=1, stems=True), Quiet())
    return SmallRun(cue, end)


@pytest.fixture(scope="session")
def small_judge(small_run: SmallRun) -> Judge:
    """What scores candidates of the small cue; tests do not change it."""
    from placer.cue.read import read_cue
    from placer.progress import Quiet
    from placer.trial.ready import make_ready, survey_cue

    return make_ready(survey_cue(read_cue(small_run.cue), Quiet()), Quiet())
