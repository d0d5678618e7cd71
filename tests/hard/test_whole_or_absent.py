"""A result changes as a whole: kills, full disks and links leave the old one or the new one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from placer.audio.atomic import LEAST_AGE, part_name, replacing, sweep
from placer.errors import FolderError
from placer.night_log import NightLog
from placer.progress import Quiet
from placer.result.folder import RunFolder, claim, open_run
from placer.result.staging import READY, STAGE, settle, staged

DEAD = 999_999_999
"""No process has this number."""


def old_result(run: Path) -> dict[str, str]:
    """A run folder with an earlier result; its files and what they hold."""
    files = {
        "result.json": "old", "mix-01.wav": "old", "mix-02.wav": "old", "moves-02.md": "old",
        "placed/01/a.wav": "old", "votes.json": "mine", "export-01/README.txt": "mine",
        "study.journal": "trials", "log.txt": "night",
    }  # fmt: skip
    for name, content in files.items():
        (run / name).parent.mkdir(parents=True, exist_ok=True)
        (run / name).write_text(content)
    return files


def contents(run: Path) -> dict[str, str]:
    """Every file below a folder and what it holds."""
    return {str(p.relative_to(run)): p.read_text() for p in run.rglob("*") if p.is_file()}


def fill(stage: Path) -> None:
    """Write a new result of one mix without stems."""
    for name in ("result.json", "mix-01.wav", "report.html"):
        (stage / name).write_text("new")


NEW = {"result.json": "new", "mix-01.wav": "new", "report.html": "new"}
KEPT = {
    "votes.json": "mine", "export-01/README.txt": "mine", "study.journal": "trials",
    "log.txt": "night",
}  # fmt: skip


def test_a_new_result_replaces_the_old_one_and_nothing_else(tmp_path: Path) -> None:
    """Mixes, sheets and stems that it does not have go; votes, exports, journal, log stay."""
    old_result(tmp_path)
    with staged(tmp_path, whole=True) as stage:
        fill(stage)
        assert contents(tmp_path)["result.json"] == "old"
    assert contents(tmp_path) == NEW | KEPT
    assert not (tmp_path / "placed").exists()


def test_a_part_of_a_result_takes_nothing_away(tmp_path: Path) -> None:
    """One mix rendered again leaves the others."""
    before = old_result(tmp_path)
    with staged(tmp_path, whole=False) as stage:
        (stage / "mix-02.wav").write_text("again")
    assert contents(tmp_path) == before | {"mix-02.wav": "again"}


def test_an_error_leaves_the_old_result(tmp_path: Path) -> None:
    """Whatever goes wrong while files are made, the folder is as it was."""
    before = old_result(tmp_path)
    with pytest.raises(KeyboardInterrupt), staged(tmp_path, whole=True) as stage:  # noqa: PT012
        fill(stage)
        raise KeyboardInterrupt
    assert contents(tmp_path) == before


@pytest.mark.parametrize("moved", range(5))
def test_a_move_cut_short_is_finished(tmp_path: Path, moved: int) -> None:
    """Killed after any number of renames: the next command ends where the first would have."""
    old_result(tmp_path)
    stage = tmp_path / STAGE
    stage.mkdir()
    fill(stage)
    (stage / READY).write_text(json.dumps(["mix-02.wav", "moves-02.md", "placed/01/a.wav"]))
    for name in list(NEW)[:moved]:
        (stage / name).replace(tmp_path / name)
    if moved == 4:
        (tmp_path / "mix-02.wav").unlink()
    assert open_run(tmp_path).path == tmp_path
    assert contents(tmp_path) == NEW | KEPT | {".lock": ""}


def test_what_never_became_whole_is_removed(tmp_path: Path) -> None:
    """Killed before the list was written: the old result stands, the remains go."""
    before = old_result(tmp_path)
    (tmp_path / STAGE / "placed" / "01").mkdir(parents=True)
    (tmp_path / STAGE / "mix-01.wav").write_text("half")
    with RunFolder(tmp_path).owned():
        assert contents(tmp_path) == before | {".lock": ""}


def test_a_list_cannot_reach_beyond_the_result(tmp_path: Path) -> None:
    """Names in a foreign list that are no files of a result are ignored."""
    run = tmp_path / "run"
    before = old_result(run)
    (tmp_path / "mine.wav").write_text("mine")
    (run / STAGE).mkdir()
    (run / STAGE / READY).write_text(json.dumps(["../mine.wav", "votes.json", "study.journal"]))
    settle(run)
    assert contents(run) == before
    assert (tmp_path / "mine.wav").read_text() == "mine"
    (run / STAGE).mkdir()
    (run / STAGE / READY).write_text("{")
    with pytest.raises(FolderError, match=r"\.ready: is damaged"):
        settle(run)


@pytest.mark.parametrize("name", [".lock", "study.journal", "log.txt", "placed", STAGE])
def test_links_in_a_run_folder_are_refused(tmp_path: Path, name: str) -> None:
    """Nothing is written through a link to somewhere else."""
    run, elsewhere = tmp_path / "run", tmp_path / "elsewhere"
    run.mkdir()
    elsewhere.mkdir() if name in ("placed", STAGE) else elsewhere.write_text("mine")
    (run / name).symlink_to(elsewhere)
    with pytest.raises(FolderError, match="is a link"), RunFolder(run).owned():
        pass
    assert elsewhere.is_dir() or elsewhere.read_text() == "mine"


def test_only_the_files_of_dead_processes_are_swept(tmp_path: Path) -> None:
    """Old and dead goes, file or folder; young, living, or of another name stays."""
    old = LEAST_AGE + 10.0
    names = {
        f".a.wav.{DEAD}.part": True, f".export-01.{DEAD}.part": True,
        part_name("b.wav"): False, f".c.wav.{DEAD}.part.wav": False, ".d.part": False,
        f"e.{DEAD}.part": False,
    }  # fmt: skip
    for name in names:
        path = tmp_path / name
        path.mkdir() if "export" in name else path.write_text("x")
        stat = path.stat()
        os.utime(path, (stat.st_atime - old, stat.st_mtime - old))
    young = tmp_path / f".young.{DEAD}.part"
    young.write_text("x")
    sweep(tmp_path)
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {name for name, goes in names.items() if not goes} | {young.name}


def test_two_searches_in_one_folder(tmp_path: Path) -> None:
    """The second is told; the first is not disturbed."""
    code = (
        "import sys; from pathlib import Path; from placer.result.folder import claim\n"
        "with claim(Path(sys.argv[1]), 'a').owned(): print('mine', flush=True); input()"
    )
    run = tmp_path / "run"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(run)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as first:
        assert first.stdout is not None
        assert first.stdin is not None
        assert first.stdout.readline() == b"mine\n"
        with pytest.raises(FolderError, match="another placer is working"), claim(run, "a").owned():
            pass
        first.stdin.write(b"\n")
        first.stdin.close()
    with claim(run, "a").owned():
        pass


def test_a_log_on_a_full_disk_does_not_end_the_night() -> None:
    """/dev/full takes nothing; the screen is told once and the search goes on."""
    said: list[str] = []

    class Told(Quiet):
        """Keeps what is said."""

        def say(self, line: str) -> None:
            """Keep a line."""
            said.append(line)

    with NightLog(Path("/dev/full"), Told()) as log:
        log.stage("searching")
        log.say("trial 1")
    assert len([line for line in said if "cannot be written any more" in line]) == 1
    assert said[-1] == "trial 1"


def test_a_file_too_large_for_its_place_leaves_the_old_one(tmp_path: Path) -> None:
    """A limit on file sizes stands for a full disk: an error, the old file, no remains."""
    code = """
import resource, sys, numpy as np
from pathlib import Path
from placer.audio.files import write_wav
from placer.errors import FolderError
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    write_wav(Path(sys.argv[1]), np.zeros((2, 100_000), np.float32), 48000)
except FolderError as error:
    print(error)
"""
    target = tmp_path / "mix.wav"
    target.write_text("old")
    done = subprocess.run(
        [sys.executable, "-c", code, str(target)], capture_output=True, text=True, check=True
    )
    assert "is the disk full?" in done.stdout
    assert contents(tmp_path) == {"mix.wav": "old"}


def test_a_kill_while_writing_leaves_the_old_file(tmp_path: Path) -> None:
    """The temporary file of the killed process is named so, and swept once it is old."""
    code = """
import os, signal, sys
from pathlib import Path
from placer.audio.atomic import replacing
with replacing(Path(sys.argv[1])) as temporary:
    temporary.write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""
    target = tmp_path / "result.json"
    target.write_text("old")
    done = subprocess.run([sys.executable, "-c", code, str(target)], check=False)
    assert done.returncode == -9
    assert target.read_text() == "old"
    (left,) = [path for path in tmp_path.iterdir() if path != target]
    os.utime(left, (0, 0))
    sweep(tmp_path)
    assert contents(tmp_path) == {"result.json": "old"}
    with replacing(target) as temporary:
        temporary.write_text("new")
    assert contents(tmp_path) == {"result.json": "new"}
