"""A whole search of the small cue, made once, and a cache that is this session's own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from placer.run.evaluator import Evaluator
    from tests.placer.small_cue import SmallRun

settings.register_profile("seeded", derandomize=True)  # a failure must be one that comes again
settings.load_profile("seeded")

SHORT = {
    "ladder.ROUNDS": 3, "ladder.RUNG_ROUNDS": 1, "few_moves.FEW_ROUNDS": 1, "few_moves.RACED": 4,
    "few_moves.LEG_EVALUATIONS": 60, "polish.MOST_POLISHING": 1, "rounds.EVALUATIONS": 200,
    "rounds.AROUND": 24, "rounds.SPREAD": 10,
}  # fmt: skip
"""Numbers of `placer.run` in tests: a search of some seconds."""


def shorten(patch: pytest.MonkeyPatch) -> None:
    """Make searches in this process short."""
    for name, value in SHORT.items():
        patch.setattr(f"placer.run.{name}", value)


@pytest.fixture(scope="session", autouse=True)
def sound_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Keep measured sound in a folder of this session, not in the user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("cache")
        patch.setenv("PLACER_CACHE", str(folder))
        yield folder


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short searches in this process."""
    shorten(monkeypatch)


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
        shorten(patch)
        end = search(SearchOrder(cue=small_cue, trials=1, stems=True), Quiet())
    return SmallRun(small_cue, end)


@pytest.fixture(scope="session")
def small_evaluator(small_cue: Path) -> Evaluator:
    """What judges placements of the small cue; tests do not change it."""
    from placer.cue.read import read_cue
    from placer.progress import Quiet
    from placer.run.ready import make_ready, survey_cue

    return make_ready(survey_cue(read_cue(small_cue), Quiet()), Quiet())


@pytest.fixture
def copied(small_run: SmallRun, tmp_path: Path) -> SmallRun:
    """A run of its own, whose cue and folder a test may change."""
    from tests.placer.small_cue import SmallRun

    shutil.copytree(small_run.cue.parent, tmp_path / "own")
    run = tmp_path / "own" / small_run.folder.name
    path = run / "result.json"
    result = json.loads(path.read_text())
    result["cue"]["path"] = str(tmp_path / "own" / "cue.toml")
    path.write_text(json.dumps(result))
    end = type(small_run.end)(small_run.end.lines, True, False, run)
    return SmallRun(tmp_path / "own" / "cue.toml", end)
