"""The compiled loops are made by a process of their own, and whoever asks later finds them."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from placer.cost import warm

LATER = """
from placer.cost import warm
assert not warm.is_compiled()
with warm.compiled_meanwhile() as wait:
    wait(bool)
assert warm.is_compiled()
warm.compile_all()
print(sum(sum(entry.stats.cache_misses.values()) for entry in warm.ENTRIES))
"""


@pytest.mark.slow
def test_what_the_helper_compiles_is_found(tmp_path: Path) -> None:
    """From an empty cache: the helper fills it, and nothing is compiled a second time."""
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    found = subprocess.run(
        [sys.executable, "-c", LATER], env=environment, capture_output=True, text=True, check=True
    )
    assert found.stdout.strip() == "0"


def test_the_helper_compiles_the_copy_that_runs(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Started in a folder of sources, the helper of an installed copy leaves those alone.

    The compiler keeps its results by the folder of the sources: what is compiled of another copy
    would be compiled once more, in the time of the search.
    """
    (tmp_path / "placer").mkdir()
    (tmp_path / "placer" / "__init__.py").write_text("raise ImportError('another copy')")
    started: list[list[str]] = []

    class Ended:
        """A process that is over."""

        def __init__(self, command: list[str], **_: object) -> None:
            started.append(command)

        def poll(self) -> int:
            """Its exit code."""
            return 0

        wait = poll

    with monkeypatch.context() as patch:
        patch.setattr(warm, "is_compiled", lambda: False)
        patch.setattr(warm, "forget_stale", lambda _: None)
        patch.setattr(warm.subprocess, "Popen", Ended)
        with warm.compiled_meanwhile():
            pass
    ((*first, program),) = started
    assert program.endswith("warm.compile_all()")
    told = program.replace("warm.compile_all()", "print(warm.__file__)")
    found = subprocess.run(
        [*first, told], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    assert Path(found.strip()) == Path(warm.__file__)


def test_nothing_is_started_where_nothing_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a full cache, or none that can be written to, there is no helper to wait for."""
    monkeypatch.setattr(warm.subprocess, "Popen", lambda *_, **__: pytest.fail("started"))
    nowhere = SimpleNamespace(_cache=None)
    monkeypatch.setattr(warm, "ENTRIES", (nowhere,))
    assert warm.is_compiled()
    with warm.compiled_meanwhile() as wait:
        wait(bool)


def test_a_helper_is_ended_with_the_search(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Waiting ends when the search is told to stop, and no process is left behind."""
    monkeypatch.setattr(warm, "is_compiled", lambda: False)
    (tmp_path / "sleeper").write_text("#!/bin/sh\nexec sleep 60\n")
    (tmp_path / "sleeper").chmod(0o755)
    monkeypatch.setattr(warm.sys, "executable", str(tmp_path / "sleeper"))
    helpers = []
    start = subprocess.Popen

    def popen(*arguments: object, **options: object) -> object:
        helpers.append(start(*arguments, **options))  # type: ignore[call-overload]
        return helpers[-1]

    monkeypatch.setattr(warm.subprocess, "Popen", popen)
    begun = time.monotonic()
    with warm.compiled_meanwhile() as wait:
        wait(lambda: time.monotonic() > begun + 0.2)
    assert time.monotonic() - begun < 20.0
    assert helpers[0].returncode is not None
