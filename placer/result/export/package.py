"""Everything of one mix that goes back into the session, in one folder.

*Conventions*: the folder is filled under a temporary name and then renamed, so it is whole or not
there. Placed stems come from the run folder (`--stems`) or from whoever calls.

`export`: does it all. `free_place`: where to. `ExportSource`: where stems and responses come from.
`whole_hundredths`: a gain as it is written.
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from shlex import quote

import numpy as np

from placer.audio.atomic import part_name, sweep, write_text
from placer.audio.files import info, open_blocks
from placer.cue.controllers import usual_controllers
from placer.cue.names import made_safe
from placer.errors import FolderError
from placer.result.export.actions import Action, actions_of, by_position
from placer.result.export.midi import controller_files
from placer.result.export.readme import readme
from placer.result.export.response_files import (
    MICROPHONES,
    Exported,
    TrackResponses,
    same_microphones,
    write_responses,
)
from placer.result.export.seating_file import seating_preset
from placer.result.export.session import ABOUT as ABOUT_SESSION
from placer.result.export.session import SessionTrack, write_session
from placer.result.export.sheet import printable, readable
from placer.result.export.sofa import ABOUT as ABOUT_SOFA
from placer.result.export.sofa import missing_library, write_sofa
from placer.result.export.start import Start
from placer.result.export.wave import BroadcastWave, write_broadcast
from placer.result.facts import changes, mix_of
from placer.result.folder import open_run
from placer.result.model import Mix, Result
from placer.result.moves_sheet import moves_csv, position_names
from placer.result.path_words import (
    MOVES,
    REFERENCE,
    file_number,
    track_numbers,
    working_order,
)
from placer.result.words import move_words
from sim.decibel import FloatArray, amplitude
from sim.room import Room

PEAK_ROOM_DB = -0.1
"""Sample peak that the loudest placed stem may have, dBFS, before all stems are lowered."""


@dataclass(frozen=True, slots=True)
class ExportSource:
    """Where the sound comes from.

    Attributes
    ----------
    responses : responses of a dry track by its name and the rank of a mix, 0 for the reference;
        None leaves them out
    placed : file of a placed stem by its track's name; None takes those of the run folder
    room : the simulated room, for files that describe it; None where there is none
    """

    responses: Callable[[str, int], TrackResponses] | None = None
    placed: Callable[[str], Path] | None = None
    room: Room | None = None


@dataclass(frozen=True, slots=True)
class Package:
    """What was written: the folder, and one line for each thing that a person should know."""

    folder: Path
    notes: tuple[str, ...]


def export(
    run_folder: Path,
    rank: int,
    out: Path | None = None,
    source: ExportSource | None = None,
    *,
    start: Start | None = None,
    controllers: Mapping[str, int] | None = None,
    moment: datetime | None = None,
) -> Package:
    """Write sheets, stems, responses, controllers, preset and read-me of a mix.

    Parameters
    ----------
    run_folder : Path
    rank : int
        0 is the reference.
    out : Path, optional
        Folder to make; it must not exist, or be empty. RUN/export-NN unless given.
    source : ExportSource, optional
        Without it: placed stems of the run folder, no responses.
    start : Start, optional
        When the originals begin; midnight unless given.
    controllers : mapping, optional
        Microphone position (or make_up, pan, width) to MIDI controller; the usual ones unless
        given.
    moment : datetime, optional
        Now, unless given.

    Returns
    -------
    Package

    Raises
    ------
    FolderError
        No such run or rank, no placed stems, or `out` is not free.
    AudioError
        A placed stem cannot be read.
    """
    result = open_run(run_folder).read_result()
    mix = mix_of(result, rank)
    source, start, moment = source or ExportSource(), start or Start(), moment or datetime.now()
    if controllers is None:
        controllers = usual_controllers(position_names(result))
    find = source.placed or (lambda name: open_run(run_folder).stems(rank) / f"{name}.wav")
    files = {track.name: find(track.name) for track in result.tracks}
    missing = [str(path) for path in files.values() if not path.is_file()]
    if missing:
        raise FolderError(
            f"{missing[0]}: no placed stem; run `placer render "
            f"{quote(str(run_folder))} --rank {rank} --stems`"
        )
    out = free_place(run_folder, rank, out)
    about = BroadcastWave(f"{result.cue.name}, mix {rank}", moment, start.samples)
    with _filling(out) as folder:
        stems_db = _stems(folder, files, result, about)
        responses, problems = _responses(folder, result, mix, source, moment)
        actions = actions_of(result, mix, responses)
        _sheets(folder, result, rank, actions)
        for number, content in enumerate(controller_files(result, mix, controllers), 1):
            (folder / f"controllers-{number}.mid").write_bytes(content)
        tracks = _session(folder, result, rank)
        write_session(
            folder / "session.aaf", tracks,
            name=about.description, sample_rate=result.sample_rate, start=start.samples,
            level=float(amplitude(-stems_db)), place=out.absolute(),
        )  # fmt: skip
        others = [ABOUT_SESSION, *problems]
        if (folder / "responses" / REFERENCE / "sofa").is_dir():
            others.insert(0, ABOUT_SOFA)
        text = readme(
            result, mix, actions,
            stems_db=stems_db, start=start, controllers=controllers,
            positions=by_position(result, mix, responses), others=others,
        )  # fmt: skip
        write_text(folder / "README.txt", text)
    return Package(out, (*start.doubts, *problems))


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


def _sheets(folder: Path, result: Result, rank: int, actions: Sequence[Action]) -> None:
    """Write the move sheet three ways, and the preset."""
    write_text(folder / "moves.csv", moves_csv(result, rank))
    write_text(folder / "moves.md", readable(result, rank, actions))
    write_text(folder / "moves.html", printable(result, rank, actions))
    write_text(folder / "seating.toml", seating_preset(result, mix_of(result, rank)))


def _stems(folder: Path, files: dict[str, Path], result: Result, about: BroadcastWave) -> float:
    """Write every placed stem at one gain, and give it: 0 dB unless a stem alone is too loud."""
    rate = result.sample_rate
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


def whole_hundredths(gain_db: float) -> float:
    """The next gain below that two decimals state exactly, so that what is read is what was done.

    Examples
    --------
    >>> whole_hundredths(-3.3333)
    -3.34
    """
    return math.floor(100.0 * gain_db) / 100.0


def _blocks(path: Path, sample_rate: int) -> Iterator[FloatArray]:
    """Give a stem piece by piece."""
    with open_blocks(path, sample_rate) as reader:
        yield from reader


def _responses(
    folder: Path, result: Result, mix: Mix, source: ExportSource, moment: datetime
) -> tuple[list[Exported], list[str]]:
    """Write the responses of every dry track, in the order of the path; say what is missing."""
    dry = [track.name for track, *_ in working_order(result, mix) if track.kind == "dry"]
    if source.responses is None or not dry:
        return [], []
    place, rate = folder / "responses", result.sample_rate
    numbers = track_numbers(result, mix)
    problem = missing_library()
    written = []
    for name in dry:
        before, after = (source.responses(name, rank) for rank in (0, mix.rank))
        stem = made_safe(name)
        number = file_number(numbers[name]) if name in mix.moved else MICROPHONES
        written.append(
            write_responses(place, name, before, after, stem=stem, number=number, sample_rate=rate)
        )
        if source.room is None or problem:
            continue
        wanted = [(before, f"{REFERENCE}/sofa/{stem}", "reference")]
        if not same_microphones(before.microphones, after.microphones):
            wanted.append((after, f"{MOVES}/sofa/{number} {stem}", f"mix {mix.rank}"))
        for state, file, which in wanted:
            if state.microphones is None:
                continue
            path = place / f"{file}.sofa"
            path.parent.mkdir(parents=True, exist_ok=True)
            title = f"{result.cue.name}, {which}: {name}"
            write_sofa(
                path, state.microphones,
                title=title, room=source.room, sample_rate=rate, moment=moment,
            )  # fmt: skip
    return written, [problem] if problem else []


def _session(folder: Path, result: Result, rank: int) -> list[SessionTrack]:
    """Tracks of the session: those of the sheet, in its order."""
    tracks = []
    for track, before, after in working_order(result, mix_of(result, rank)):
        file = f"stems/{made_safe(track.name)}.wav"
        found = info(folder / file)
        words = move_words(before, after) if changes(before, after) else ""
        tracks.append(SessionTrack(track.name, file, found.channels, found.frames, words))
    return tracks
