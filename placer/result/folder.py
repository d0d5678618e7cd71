"""The run folder: what a search leaves behind, and how it is read again.

*Conventions*: `result.json` holds plain values only, with a versioned schema, and no times of day
or durations, so that the same search gives the same bytes. Files appear whole or not at all
(`placer.audio.atomic`). One process at a time owns a folder.

`RunFolder`: names, lock, JSON. `open_run`: an existing one. `cue_file`: its cue. `claim`: for a
search.
"""

from __future__ import annotations

import contextlib
import fcntl
import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from shlex import quote

import msgspec

from placer.audio.atomic import sweep, write_text
from placer.cue.toml_table import shown
from placer.errors import FolderError
from placer.result.model import OWN_FILE, SCHEMA, Result, json_text, result_of, schema_of
from placer.result.staging import READY, STAGE, settle

LARGEST_RESULT = 256 * 1024**2
"""Bytes; 400 tracks in 50 mixes stay below it."""
ANEW = "move it away and run `placer search` into this folder again: trials done are kept"
RESULT, JOURNAL, LOCK, LOG = "result.json", "study.journal", ".lock", "log.txt"
PLACED, PARTS = "placed", "parts"


@dataclass(frozen=True, slots=True)
class RunFolder:
    """Paths inside one run folder."""

    path: Path

    @property
    def result(self) -> Path:
        """The result file."""
        return self.path / RESULT

    @property
    def journal(self) -> Path:
        """The study's journal."""
        return self.path / JOURNAL

    @property
    def log(self) -> Path:
        """The night's log."""
        return self.path / LOG

    def mix(self, rank: int) -> Path:
        """Audio of a mix; rank 0 is the reference."""
        return self.path / ("reference.wav" if rank == 0 else f"mix-{rank:02d}.wav")

    @property
    def own_mix(self) -> Path:
        """Audio of the composer's own mix."""
        return self.path / OWN_FILE

    def stems(self, rank: int) -> Path:
        """Folder of a mix's placed stems; rank 0 is the reference."""
        return self.path / PLACED / f"{rank:02d}"

    def parts(self, rank: int) -> Path:
        """Folder of the analysed passage of the tracks that a mix places otherwise."""
        return self.path / PARTS / f"{rank:02d}"

    def sheet(self, rank: int, ending: str) -> Path:
        """A move sheet, ending "csv" or "md"."""
        return self.path / f"moves-{rank:02d}.{ending}"

    def write_result(self, result: Result) -> None:
        """Write `result.json`.

        Raises
        ------
        ValueError
            A number in it is NaN or infinite.
        FolderError
            The disk cannot take it.
        """
        write_text(self.result, json_text(result))

    def read_result(self) -> Result:
        """Read `result.json`.

        Raises
        ------
        FolderError
            It is missing, damaged, of another version or contradicts itself.
        """
        try:
            if self.result.stat().st_size > LARGEST_RESULT:
                raise FolderError(f"{self.result}: is larger than any result; {ANEW}")
            values = msgspec.json.decode(self.result.read_bytes())
        except FileNotFoundError as error:
            raise FolderError(
                f"{self.path}: holds no {RESULT}; name a folder that `placer search` has filled"
            ) from error
        except (OSError, ValueError, msgspec.MsgspecError, RecursionError) as error:
            reason = " ".join(str(getattr(error, "strerror", None) or error).split())[:200]
            raise FolderError(f"{self.result}: cannot be read ({reason}); {ANEW}") from error
        if (found := schema_of(values)) != SCHEMA:
            raise FolderError(
                f"{self.result}: schema = {shown(found)}; this version reads {SCHEMA!r}; "
                "run `placer search` again into a new folder"
            )
        try:
            return result_of(values)
        except ValueError as error:
            raise FolderError(f"{self.result}: {error}; {ANEW}") from None

    @contextmanager
    def owned(self) -> Iterator[None]:
        """Own the folder while the block runs; the lock ends with the process, however it ends.

        What a killed process left is finished or removed first.

        Raises
        ------
        FolderError
            Another process owns it, it cannot be written, or it holds a link.
        """
        for name in (LOCK, JOURNAL, LOG, PLACED, PARTS):
            if (self.path / name).is_symlink():
                raise FolderError(
                    f"{self.path / name}: is a link, which no run folder holds; remove it"
                )
        try:
            handle = os.open(self.path / LOCK, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise FolderError(
                f"{self.path}: cannot be written ({error.strerror}); choose another --out"
            ) from error
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise FolderError(
                    f"{self.path}: another placer is working in this folder; wait for it or "
                    "choose another --out"
                ) from error
            settle(self.path)
            sweep(self.path)
            yield
        finally:
            os.close(handle)


def claim(path: Path, cue_hash: str) -> RunFolder:
    """Make a folder ready for a search, or go on in one of the same cue.

    Parameters
    ----------
    path : Path
        Made where it does not exist.
    cue_hash : str
        Hash of the cue and its stems.

    Returns
    -------
    RunFolder

    Raises
    ------
    FolderError
        The path is a file, holds other things, belongs to another cue, or cannot be made.
    """
    run = RunFolder(path)
    if path.exists() and not path.is_dir():
        raise FolderError(f"{path}: is a file; --out names a folder to make or to go on in")
    try:
        path.mkdir(parents=True, exist_ok=True)
        names = {entry.name for entry in path.iterdir()}
    except OSError as error:
        raise FolderError(
            f"{path}: cannot be made ({error.strerror}); choose another --out"
        ) from error
    if not os.access(path, os.W_OK):
        raise FolderError(f"{path}: is not writable; choose another --out")
    if run.result.exists():
        found = run.read_result().cue.hash
        if found != cue_hash:
            raise FolderError(
                f"{path}: holds the run of another cue, or its stems or settings have changed; "
                f"name another folder with --out, and add --from {quote(str(path))} to keep or "
                "refuse moves of this run"
            )
    elif names - {LOCK, JOURNAL, LOG, STAGE} and JOURNAL not in names:
        raise FolderError(
            f"{path}: holds other files ({', '.join(sorted(names)[:3])}); "
            "choose another --out or an empty folder"
        )
    return run


def cue_file(path: Path) -> Path:
    """Find the cue file of a run; a cue file is its own.

    Parameters
    ----------
    path : Path
        A run folder, or a cue file.

    Raises
    ------
    FolderError
        The folder holds no run, or its cue file is gone.
    """
    if not path.is_dir():
        return path
    found = Path(open_run(path).read_result().cue.path)
    if not found.is_file():
        raise FolderError(f"{path}: its cue file {found} is gone; name the cue file itself")
    return found


def open_run(path: Path) -> RunFolder:
    """An existing run folder.

    Raises
    ------
    FolderError
        It does not exist.
    """
    if not path.is_dir():
        raise FolderError(f"{path}: is no folder; name one that `placer search` has filled")
    run = RunFolder(path)
    if (path / STAGE / READY).exists():  # a kill cut the move short: who can, finishes it
        with contextlib.suppress(FolderError), run.owned():
            pass
    return run


def finite(value: float, digits: int = 6) -> float:
    """A number fit for JSON: rounded, and an error instead of NaN or infinity.

    Raises
    ------
    ValueError
        `value` is NaN or infinite.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be part of a result")
    return round(float(value), digits) + 0.0
