"""Everything of one mix that goes back into the session, in one folder.

*Conventions*: the folder is filled under a temporary name and then renamed, so it is whole or not
there. Placed stems come from the run folder (`--stems`) or from whoever calls.

`export`: does it all. `free_place`: where to. `Source`: where stems and responses come from.
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from placer.audio.atomic import part_name, sweep, write_text
from placer.audio.files import info, open_blocks
from placer.cue.names import made_safe
from placer.errors import FolderError
from placer.result.export.controllers import controller_files
from placer.result.export.preset import seating_preset
from placer.result.export.readme import readme
from placer.result.export.responses import Exported, whole_hundredths, write_responses
from placer.result.export.sheet import printable
from placer.result.export.start import Start
from placer.result.export.wave import BroadcastWave, write_broadcast
from placer.result.facts import Facts, mix_of
from placer.result.folder import open_run
from placer.result.moves_sheet import moves_csv, moves_markdown
from sim.decibel import FloatArray, amplitude

PEAK_ROOM_DB = -0.1
"""Sample peak that the loudest placed stem may have, dBFS, before all stems are lowered."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where the sound comes from.

    Attributes
    ----------
    responses : (source channel, 2, tap) of a dry track by its name, every gain included; None
        leaves the responses out
    placed : file of a placed stem by its track's name; None takes those of the run folder
    """

    responses: Callable[[str], FloatArray] | None = None
    placed: Callable[[str], Path] | None = None


def export(
    run_folder: Path,
    rank: int,
    out: Path | None = None,
    source: Source | None = None,
    *,
    start: Start | None = None,
    moment: datetime | None = None,
) -> Path:
    """Write sheets, stems, responses, controllers, preset and read-me of a mix.

    Parameters
    ----------
    run_folder : Path
    rank : int
        0 is the reference.
    out : Path, optional
        Folder to make; it must not exist, or be empty. RUN/export-NN unless given.
    source : Source, optional
        Without it: placed stems of the run folder, no responses.
    start : Start, optional
        When the originals begin; midnight unless given.
    moment : datetime, optional
        Now, unless given.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    FolderError
        No such run or rank, no placed stems, or `out` is not free.
    AudioError
        A placed stem cannot be read.
    """
    result = open_run(run_folder).read_result()
    mix = mix_of(result, rank)
    source = source or Source()
    find = source.placed or (lambda name: open_run(run_folder).stems(rank) / f"{name}.wav")
    files = {track["name"]: find(track["name"]) for track in result["tracks"]}
    missing = [str(path) for path in files.values() if not path.is_file()]
    if missing:
        raise FolderError(
            f"{missing[0]}: no placed stem; run `placer render {run_folder} --rank {rank} --stems`"
        )
    out = free_place(run_folder, rank, out)
    moment, start = moment or datetime.now(), start or Start()
    with _filling(out) as folder:
        about = BroadcastWave(f"{result['cue']['name']}, mix {rank}", moment, start.samples)
        _sheets(folder, result, rank)
        lowered_db = _stems(folder, files, result, about)
        responses = _responses(folder, result, source, about)
        for number, content in enumerate(controller_files(result, mix), 1):
            (folder / f"controllers-{number}.mid").write_bytes(content)
        text = readme(result, mix, responses, stems_db=lowered_db, start=start)
        write_text(folder / "README.txt", text)
    return out


def free_place(run_folder: Path, rank: int, out: Path | None) -> Path:
    """Where an export of a mix goes: `out`, or RUN/export-NN.

    Raises
    ------
    FolderError
        Something is there already, or the place cannot be written to.
    """
    out = out or run_folder / f"export-{rank:02d}"
    try:
        if out.is_symlink() or (out.exists() and (not out.is_dir() or any(out.iterdir()))):
            raise FolderError(f"{out}: is there already; choose another --out or remove it")
        above = next((one for one in out.absolute().parents if one.exists()), out)
        if not above.is_dir() or not os.access(above, os.W_OK):
            raise FolderError(f"{out}: cannot be made in {above}; choose another --out")
    except OSError as error:
        raise FolderError(f"{out}: cannot be made ({error.strerror}); choose --out") from error
    return out


@contextmanager
def _filling(out: Path) -> Iterator[Path]:
    """Give a folder beside `out` that takes its name once it has been filled without an error."""
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        sweep(out.parent)
        folder = out.parent / part_name(out.name)
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
    except OSError as error:
        raise FolderError(f"{out}: cannot be made ({error.strerror})") from error
    try:
        yield folder
        folder.replace(out)
    except OSError as error:
        raise FolderError(f"{out}: cannot be filled ({error.strerror})") from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _sheets(folder: Path, result: Facts, rank: int) -> None:
    """Write the move sheet three ways, and the preset."""
    write_text(folder / "moves.csv", moves_csv(result, rank))
    write_text(folder / "moves.md", moves_markdown(result, rank))
    write_text(folder / "moves.html", printable(result, rank))
    write_text(folder / "seating.toml", seating_preset(result, mix_of(result, rank)))


def _stems(folder: Path, files: dict[str, Path], result: Facts, about: BroadcastWave) -> float:
    """Write every placed stem at one gain, and give it: 0 dB unless a stem alone is too loud."""
    rate = result["sample_rate"]
    (folder / "stems").mkdir()
    peak = max(
        float(np.max(np.abs(block), initial=0.0))
        for path in files.values()
        for block in _blocks(path, rate)
    )
    ceiling = float(amplitude(PEAK_ROOM_DB))
    lowered_db = 0.0 if peak <= ceiling else whole_hundredths(20.0 * math.log10(ceiling / peak))
    gain = float(amplitude(lowered_db))
    for name, path in files.items():
        blocks = (gain * block.astype(np.float64) for block in _blocks(path, rate))
        write_broadcast(
            folder / "stems" / f"{made_safe(name)}.wav", blocks, rate,
            channels=info(path).channels, about=about,
        )  # fmt: skip
    return lowered_db


def _blocks(path: Path, sample_rate: int) -> Iterator[FloatArray]:
    """Give a stem piece by piece."""
    with open_blocks(path, sample_rate) as reader:
        yield from reader


def _responses(
    folder: Path, result: Facts, source: Source, about: BroadcastWave
) -> tuple[Exported, ...]:
    """Write the responses of every dry track."""
    dry = [track["name"] for track in result["tracks"] if track["kind"] == "dry"]
    if source.responses is None or not dry:
        return ()
    (folder / "responses").mkdir()
    plain = BroadcastWave(about.description, about.moment)
    return tuple(
        write_responses(
            folder / "responses", name, source.responses(name), sample_rate=result["sample_rate"],
            about=plain, stem=made_safe(name),
        )
        for name in dry
    )  # fmt: skip
