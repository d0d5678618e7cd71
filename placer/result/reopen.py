"""A finished run taken up again: its cue, which must not have changed, and its mixes.

*Conventions*: the reference first, then mixes, best first; a placement that this cue could not have
led to is refused.

`reopened`: all of it. `seeded`: a cue with another seed.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

from msgspec.structs import asdict

from placer.audio.files import content_hash
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB, Cue, Placement, Track
from placer.errors import CueError, FolderError
from placer.result.folder import ANEW, RunFolder, open_run
from placer.result.mixing import MixSetting
from placer.result.model import Mix, Result
from placer.run.evaluator import shared_space
from placer.run.plain import placements_from
from placer.run.ready import cue_hash

LONGEST_DELAY = 0.2
"""s: no close position is delayed by more (70 m of air)."""
ROUNDED = 1e-3
"""By which a stored number may leave a limit."""


@dataclass(frozen=True, slots=True)
class Reopened:
    """A run folder, its cue, which has not changed since, and its mixes, the reference first.

    `has_own_mix` tells whether the composer's own mix is one of its versions; `span` is the
    analysed passage, s.
    """

    folder: RunFolder
    cue: Cue
    mixes: tuple[MixSetting, ...]
    has_own_mix: bool = False
    span: tuple[float, float] | None = None

    def refuse_rank(self, rank: int, least: int) -> None:
        """Raise unless the run has a mix of this rank."""
        last = len(self.mixes) - 1
        if not least <= rank <= last:
            first = "0 (reference)" if least == 0 else str(least)
            raise FolderError(
                f"--rank {rank}: {self.folder.path} has mixes {first} to {last}"
                if last or least == 0
                else f"{self.folder.path}: no mix beats the reference yet; search longer"
            )


def seeded(cue: Cue, seed: int | None) -> Cue:
    """The cue with another seed, or as it is."""
    if seed is None:
        return cue
    return dataclasses.replace(cue, search=dataclasses.replace(cue.search, seed=seed))


def reopened(path: Path) -> Reopened:
    """Take up a run.

    Parameters
    ----------
    path : Path
        Run folder.

    Returns
    -------
    Reopened

    Raises
    ------
    PlacerError
        There is no run, it is damaged, or its cue or stems have changed.
    """
    folder = open_run(path)
    result = folder.read_result()
    try:
        cue = seeded(read_cue(Path(result.cue.path)), result.seed)
    except CueError as error:
        raise CueError(f"{error} (the cue of the run {path})") from error
    if cue_hash(cue) != result.cue.hash:
        raise CueError(
            f"{cue.path}: the cue or its stems have changed since this run; search again"
        )
    mixes = [_setting(folder, cue, mix) for mix in result.all_mixes]
    starts = tuple(track.start for track in cue.tracks)
    mixes[0] = dataclasses.replace(mixes[0], placements=starts, shared=())
    own = _own_mix(cue, result)
    return Reopened(folder, cue, tuple(mixes), has_own_mix=own, span=result.span)


def _own_mix(cue: Cue, result: Result) -> bool:
    """Whether a run has the composer's own mix, which must not have changed since."""
    own = result.compare
    if own is None or cue.compare is None:
        return False
    if content_hash(cue.compare) != own.hash:
        raise CueError(
            f"{cue.path}: cue.compare = {cue.compare.name!r} has changed since this run; search "
            "again: trials done are kept"
        )
    return True


def _setting(folder: RunFolder, cue: Cue, mix: Mix) -> MixSetting:
    name = f"mixes[{mix.rank - 1}]" if mix.rank else "reference"
    where = f"{folder.result}: {name}"
    try:
        placements = placements_from(cue.tracks, [asdict(row) for row in mix.tracks])
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise FolderError(f"{where}: does not fit its cue ({error!r}); {ANEW}") from error
    for track, placement in zip(cue.tracks, placements, strict=True):
        if not track.fixed and (wrong := _outside(track, placement)):
            raise FolderError(f"{where}: track {track.name!r}: {wrong}; {ANEW}")
    space = shared_space(cue)
    for name, value in mix.shared.items():
        if value not in space.get(name, ()):
            raise FolderError(f"{where}: shared.{name} = {value}: is none of the cue's; {ANEW}")
    delays = tuple(  # a dry track's follows from its seat
        1e-3 * found.close_delay_ms if track.kind == "recorded" else 0.0
        for track, found in zip(cue.tracks, mix.tracks, strict=True)
    )
    for track, delay in zip(cue.tracks, delays, strict=True):
        if not 0.0 <= delay <= LONGEST_DELAY:
            raise FolderError(
                f"{where}: track {track.name!r}: close_delay_ms = {1e3 * delay:g} lies outside its "
                f"limits (0 to {1e3 * LONGEST_DELAY:g}); {ANEW}"
            )
    return MixSetting(placements, delays, tuple(sorted(mix.shared.items())))


def _outside(track: Track, placement: Placement) -> str:
    """Tell which limit of its track a placement leaves, "" if none."""
    limits = track.limits
    checks = [
        ("pan", placement.pan, limits.pan),
        ("width", placement.width, limits.width),
        *(("blend_db", gain, limits.gain_db) for gain in placement.blend_db if gain > OFF_DB),
    ]
    if (placement.seat is None) != (track.start.seat is None):
        return "seat: a dry track has one, a recorded track has none"
    if placement.seat is not None:
        left, right, front, back = limits.area
        checks += [("seat", placement.seat[0], (left, right))]
        checks += [("seat", placement.seat[1], (front, back))]
    for name, value, (low, high) in checks:
        if not low - ROUNDED <= value <= high + ROUNDED:
            return f"{name} = {value:g} lies outside its limits ({low:g} to {high:g})"
    return ""
