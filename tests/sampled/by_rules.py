"""A mix made by rules of the trade: what a search has to beat in figures outside the cost.

    python -m tests.sampled.by_rules CUE.toml OUT [RUN]

Usual seats; distance by role (what carries the music nearer, beds farther); rivals, the layers that
share most of their register, on opposite sides; basses and drums in the middle. All of these are
common practice, no source. The mix is rendered as a search's are, all moves and three of them, and
judged by `tests.outside`; with a run (`placer search --stems`) its mixes are judged beside it.

`by_rules`: placements of all moves. `three_moves`: of three. `shared_register`: how much of their
thirds two layers share.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from placer.audio.files import read_stem
from placer.cue.read import read_cue
from placer.cue.records import FOREGROUND_ROLES, Cue, Placement, Track
from placer.progress import Quiet
from placer.result.deliver import render
from placer.result.folder import RunFolder
from placer.result.mixing import MixSetting
from tests.outside import cells, of_folder

NEARER_DB = {"close": 6.0, "spot": 6.0, "hall": -3.0}
FARTHER_DB = {"close": -6.0, "spot": -6.0, "hall": 3.0}
"""Changes of a position's gain for what carries the music and for what lies under it, dB."""

SIDE = 0.45
"""Pan of rivals."""

MIDDLE = ("bass", "percussion")
"""Roles that stay in the middle."""

LOW, HIGH = -24.0, 6.0


def shared_register(thirds: np.ndarray) -> np.ndarray:
    """Bhattacharyya coefficient of the thirds of layers, (T, B) energies to (T, T), 0 to 1."""
    parts = np.sqrt(thirds / np.maximum(thirds.sum(1, keepdims=True), 1e-30))
    shares: np.ndarray = parts @ parts.T
    return shares


def rivals(tracks: Sequence[Track], shares: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of free layers that share most, each layer once, the closest pair first."""
    free = [i for i, track in enumerate(tracks) if track.free and track.role not in MIDDLE]
    pairs = sorted(((a, b) for a in free for b in free if a < b), key=lambda p: -shares[p])
    found: list[tuple[int, int]] = []
    for a, b in pairs:
        if not {a, b} & {one for pair in found for one in pair}:
            found.append((a, b))
    return found


def _carries(track: Track) -> bool:
    return track.role in FOREGROUND_ROLES if track.foreground is None else track.foreground


def _at_distance(track: Track) -> Placement:
    by = NEARER_DB if _carries(track) else FARTHER_DB
    gains = [
        min(HIGH, max(LOW, gain + by.get(name, 0.0))) if gain > LOW - 6.0 else gain
        for name, gain in zip(track.positions, track.start.blend_db, strict=True)
    ]
    return replace(track.start, blend_db=tuple(gains))


def by_rules(tracks: Sequence[Track], shares: np.ndarray) -> tuple[Placement, ...]:
    """Every layer at the distance of its role, rivals on opposite sides."""
    placements = [
        _at_distance(track) if track.free and track.role != "percussion" else track.start
        for track in tracks
    ]
    for number, (a, b) in enumerate(rivals(tracks, shares)):
        # whoever sits further right goes right; those that sit alike take turns
        seats = [(tracks[i].start.seat or (0.0, 0.0))[0] for i in (a, b)]
        right = a if seats[0] > seats[1] or (seats[0] == seats[1] and number % 2) else b
        for one in (a, b):
            placements[one] = replace(placements[one], pan=SIDE if one == right else -SIDE)
    return tuple(placements)


def three_moves(
    tracks: Sequence[Track], shares: np.ndarray, placements: Sequence[Placement]
) -> tuple[Placement, ...]:
    """Of the closest pairs of rivals, three layers, those first that carry the music."""
    order = [one for pair in rivals(tracks, shares) for one in pair]
    chosen = sorted(order, key=lambda one: not _carries(tracks[one]))[:3]
    return tuple(
        placement if index in chosen else track.start
        for index, (track, placement) in enumerate(zip(tracks, placements, strict=True))
    )


def thirds_of(cue: Cue) -> np.ndarray:
    """Energy of every layer's stem in thirds, (T, B)."""
    found = []
    for track in cue.tracks:
        sound = np.mean(read_stem(track.files[0], cue.sample_rate).samples, axis=0, keepdims=True)
        found.append(cells(sound, cue.sample_rate).mean((0, 2)))
    return np.stack(found)


def told(folder: Path, names: Sequence[str], labels: dict[int, str]) -> str:
    """Outside gains of the mixes of a folder against its reference, one line each."""
    usual = folder / "placed" / "00"
    before = of_folder(usual, names, usual)
    hidden = sorted(names, key=lambda name: before[name])[: max(1, len(names) // 4)]
    lines = []
    for rank, label in labels.items():
        after = of_folder(folder / "placed" / f"{rank:02d}", names, usual)
        gains = {name: after[name] - before[name] for name in names}
        mean, worst = (np.mean([gains[one] for one in some]) for some in (names, hidden))
        lines.append(f"{label}: mean {mean:+.2f} dB, most hidden quarter {worst:+.2f} dB")
    return "\n".join(lines)


def main(cue_file: Path, out: Path, run: Path | None) -> str:
    """Render the mixes by rules and say how far they and those of a run stand out."""
    cue = read_cue(cue_file)
    shares = shared_register(thirds_of(cue))
    every = by_rules(cue.tracks, shares)
    starts = tuple(track.start for track in cue.tracks)
    mixes = (starts, every, three_moves(cue.tracks, shares, every))
    still = (0.0,) * len(starts)
    out.mkdir(parents=True, exist_ok=True)
    settings = {rank: MixSetting(mix, still) for rank, mix in enumerate(mixes)}
    render(cue, settings, RunFolder(out), Quiet(), span=None, stems=settings)
    names = [track.name for track in cue.tracks]
    text = told(out, names, {1: "by rules, all moves", 2: "by rules, three moves"})
    if run is not None:
        result = json.loads((run / "result.json").read_text(encoding="utf-8"))
        labels = {mix["rank"]: f"searched, {mix['rung']}" for mix in result["mixes"]}
        text += "\n" + told(run, names, labels)
    return text


if __name__ == "__main__":
    arguments = [Path(one) for one in sys.argv[1:]]
    sys.stdout.write(main(arguments[0], arguments[1], (*arguments, None)[2]) + "\n")
