"""Whole commands killed or short of disk: the old result stands whole, or the new one does."""

from __future__ import annotations

import hashlib
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from placer.result.folder import open_run
from placer.result.staging import READY, STAGE
from tests.conftest import SHORT
from tests.placer.small_cue import SmallRun

pytestmark = pytest.mark.slow

KEEPS_CHANGING = {"log.txt", "study.journal", ".lock"}
CODE = (
    "import sys, placer.run.rounds as rounds\n"
    f"for name, value in {SHORT}.items(): setattr(rounds, name, value)\n"
    "from placer.cli import main; sys.exit(main())"
)
"""The command line with short searches."""


def started(*words: object, **how: object) -> subprocess.Popen[str]:
    """One command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", CODE, *map(str, words)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, **how,
    )  # type: ignore[call-overload, no-any-return]  # fmt: skip


def state(run: Path) -> dict[str, str]:
    """Files of a result and what they hold; of float stems, which carry a time, only the names."""
    return {
        str(path.relative_to(run)): ""
        if "placed" in path.parts
        else hashlib.sha256(path.read_bytes()).hexdigest()
        for path in run.rglob("*")
        if path.is_file()
        and not path.name.startswith("study.journal.")  # claims of workers, empty
        and path.name not in KEEPS_CHANGING
    }


def killed(process: subprocess.Popen[str]) -> None:
    """End a process as a power cut would."""
    process.send_signal(signal.SIGKILL)
    process.communicate()


def when(process: subprocess.Popen[str], true: Callable[[], bool]) -> None:
    """Wait until something is so, or the process has ended."""
    while process.poll() is None and not true():
        time.sleep(0.001)


@pytest.fixture(scope="module")
def later(small_run: SmallRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run after two more trials, never disturbed."""
    run = tmp_path_factory.mktemp("later") / "run"
    shutil.copytree(small_run.folder, run)
    process = started("search", small_run.cue, "--trials", 3, "--out", run)
    _, errors = process.communicate()
    assert process.returncode in (0, 1), errors
    return run


@pytest.mark.parametrize("moment", ["while rendering", "while moving", "any time"])
def test_a_killed_search_leaves_one_result_whole(
    moment: str, small_run: SmallRun, later: Path, tmp_path: Path
) -> None:
    """After the next command has looked: all files of the old result, or all of the new."""
    run = tmp_path / "run"
    shutil.copytree(small_run.folder, run)
    process = started("search", small_run.cue, "--trials", 3, "--out", run)
    chance = random.Random(moment)
    if moment == "any time":
        time.sleep(chance.uniform(1.0, 8.0))
    else:
        place = run / STAGE if moment == "while rendering" else run / STAGE / READY
        when(process, place.exists)
        time.sleep(chance.uniform(0.0, 0.3) if moment == "while rendering" else 0.0)
    killed(process)
    with open_run(run).owned():
        found = state(run)
    assert found in (state(small_run.folder), state(later))
    assert not [path for path in run.rglob(".*") if path.name not in KEEPS_CHANGING]


@pytest.mark.parametrize("moment", ["while filling", "any time"])
def test_a_killed_export_is_whole_or_absent(
    moment: str, small_run: SmallRun, tmp_path: Path
) -> None:
    """What has the export's name is complete, and the run is as it was."""
    run = tmp_path / "run"
    shutil.copytree(small_run.folder, run)
    process = started("export", run)
    if moment == "any time":
        time.sleep(random.Random(moment).uniform(1.0, 8.0))
    else:
        when(process, lambda: bool(list(run.glob(".export-01.*"))))
    killed(process)
    with open_run(run).owned():
        pass
    export = run / "export-01"
    assert not export.exists() or (export / "README.txt").is_file()
    found = {name: what for name, what in state(run).items() if "export" not in name}
    assert found == state(small_run.folder)


@pytest.mark.parametrize("room", [20_000, 400_000])
@pytest.mark.parametrize("command", ["search", "render", "export"])
def test_no_room_leaves_the_old_result(
    command: str, room: int, small_run: SmallRun, tmp_path: Path
) -> None:
    """A limit on file sizes stands for a full disk: one line, exit code 2, nothing changed."""
    run = tmp_path / "run"
    shutil.copytree(small_run.folder, run)
    before = state(run)
    words = {
        "search": ("search", small_run.cue, "--trials", 2, "--out", run),
        "render": ("render", run, "--stems"),
        "export": ("export", run),
    }[command]
    process = started(
        *words, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
    )
    _, errors = process.communicate()
    assert process.returncode == 2, errors
    assert errors.count("\n") == 1, errors
    assert state(run) == before
