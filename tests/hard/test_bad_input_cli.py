"""Bad input through the command line: one clear line, exit code 2, nothing lost or overwritten."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from placer.cli import main
from tests.hard.bad_input import CASES, Case, Workspace, filled
from tests.placer.small_cue import SmallRun

ALL = [
    pytest.param(case, id=f"{kind}: {case.name}") for kind, cases in CASES.items() for case in cases
]
MAY_APPEAR = {".lock", "log.txt", "study.journal", "night.html"}
"""What a command that was refused may leave in a new run folder or beside it."""


def snapshot(folder: Path) -> dict[str, str]:
    """Every file and link below a folder with the hash of its bytes."""
    found = {}
    for root, _, names in os.walk(folder):
        for name in names:
            path = Path(root, name)
            if path.is_symlink():
                found[str(path)] = f"link to {path.readlink()}"
            elif path.is_file():
                found[str(path)] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


@pytest.fixture
def work(tmp_path: Path, request: pytest.FixtureRequest) -> Workspace:
    """Give a filled workspace; the run is searched only if a case asks for it."""

    def run_source() -> Path:
        run: SmallRun = request.getfixturevalue("small_run")
        return run.folder

    workspace = Workspace(tmp_path, run_source, request.getfixturevalue("small_cue"))
    workspace.fill()
    return workspace


def arguments(case: Case, work: Workspace) -> list[str]:
    """Prepare a case; its words."""
    case.prepare(work)
    return [filled(word, work) for word in case.words if word or len(case.words) > 1]


def checked(case: Case, work: Workspace, code: int, said: str) -> None:
    """Exit code 2, and one line on standard error that says what is wrong."""
    assert code == 2, said
    assert said.endswith("\n")
    assert said.count("\n") == 1, said
    assert said.startswith("placer")
    assert re.search(filled(case.expected, work) if "{w}" in case.expected else case.expected, said)
    assert "Traceback" not in said
    assert "secret" not in said
    assert len(said) < 1200


@pytest.mark.parametrize("case", ALL)
def test_bad_input(case: Case, work: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    """One line, exit code 2; every file that was there is there, byte for byte."""
    words = arguments(case, work)
    before = snapshot(work.path)
    try:
        code = main(words)
    except SystemExit as error:
        code = int(error.code or 0)
    checked(case, work, code, capsys.readouterr().err)
    after = snapshot(work.path)
    grown = {name for name in before if Path(name).name in {"log.txt", ".lock"}}
    assert {k: v for k, v in after.items() if k not in grown and k in before} == {
        k: v for k, v in before.items() if k not in grown
    }
    assert {Path(name).name for name in after.keys() - before.keys()} <= MAY_APPEAR


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("audio", "NaN"), ("TOML", "syntax"), ("run folder", "result cut in half"),
        ("storage", "no server there"), ("options", "unknown command"),
    ],
)  # fmt: skip
def test_bad_input_in_a_process_of_its_own(kind: str, name: str, work: Workspace) -> None:
    """The same from a shell: exit code and standard error are the process's own."""
    (case,) = [one for one in CASES[kind] if one.name == name]
    words = arguments(case, work)
    done = subprocess.run(
        [sys.executable, "-m", "placer.cli", *words], capture_output=True, text=True, check=False
    )
    checked(case, work, done.returncode, done.stderr)


def test_there_are_enough() -> None:
    """The table promises at least 60 inputs; names differ within a class."""
    assert sum(map(len, CASES.values())) >= 60
    for cases in CASES.values():
        assert len({case.name for case in cases}) == len(cases)
