"""What `placer check` says: what a cue holds, what is held and free, what is odd, what it costs.

*Conventions*: lines for a person; places in m from the conductor, as the composer sees them.

`check`: all lines. `track_lines`: one track. `questions`: what may not be meant.
"""

from __future__ import annotations

from pathlib import Path

from placer.audio.pairs import MonoPair
from placer.clock import spoken
from placer.cost.warm import is_compiled
from placer.cue.draft import guesses_left
from placer.cue.draft_pairs import sides_by_name
from placer.cue.preset import preset_lines
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB, Cue, Track
from placer.progress import Screen
from placer.result.facts import seat_words
from placer.result.mixing import tail_seconds
from placer.run.mix_distance import distance_lines, mix_distance
from placer.run.ready import measuring_seconds, survey_cue

SETTINGS = {"delay": "alignment"}
"""Words for a setting, where its key in the cue file is not the word for it."""


def check(path: Path, screen: Screen) -> list[str]:
    """Read everything a search would read and say what it is.

    Parameters
    ----------
    path : Path
        The cue file.
    screen : Screen

    Returns
    -------
    list of str

    Raises
    ------
    PlacerError
        Bad input.
    """
    cue = read_cue(path)
    surveyed = survey_cue(cue, screen)
    room = cue.room
    lines = [
        f"{cue.name}: {len(cue.tracks)} tracks, {spoken(surveyed.seconds)} at {cue.sample_rate} Hz",
        f"room {room.width:g} x {room.depth:g} x {room.height:g} m; seats in m from the conductor, "
        "right and left as the audience sees them, back away from it",
        surveyed.notes[0],
    ]
    if tail := tail_seconds(cue):
        lines.append(f"every mix runs on for {tail:.1f} s, until the room has decayed by 60 dB")
    for track in cue.tracks:
        lines += track_lines(track)
    if cue.compare is not None:
        screen.stage("your mix against the reference")
        lines += distance_lines(cue.compare.name, mix_distance(cue, surveyed.span))
    odd = [*questions(cue), *surveyed.odd]
    head = f"{len(odd)} warning{'s' if len(odd) > 1 else ''}:" if odd else "no warnings"
    lines += [*preset_lines(path, cue.tracks), *_doubts(path), *_price(cue, surveyed.span)]
    return [*lines, head, *(f"  {line}" for line in odd)]


def track_lines(track: Track) -> list[str]:
    """Say what a track is, where it starts, what the search may change and what it may not."""
    held = [_setting(one) for one in track.settings if one not in track.free]
    free = [_setting(one) for one in track.free]
    if not free:
        moves = "stays as it is: heard and hides others, never moved"
    else:
        moves = f"held: {', '.join(held) or 'nothing'}; free: {', '.join(free)}"
    return [
        f"  {track.name}: {track.kind}, {track.section}, {track.role}",
        f"    {_start_words(track)}",
        f"    {moves}",
        *(
            f"    {source.name}: two mono files, read as left and right of one sound"
            for source in track.files
            if isinstance(source, MonoPair)
        ),
    ]


def _setting(name: str) -> str:
    return SETTINGS.get(name, name)


def _start_words(track: Track) -> str:
    """Where a track starts, with its unit and where the value comes from."""
    if track.kind == "direct":
        return "heard exactly as its file is, without a seat or a room"
    gains = ", ".join(
        f"{name} {'off' if gain <= OFF_DB else f'{gain:g} dB'}"
        for name, gain in zip(track.positions, track.start.blend_db, strict=True)
    )
    pan = track.start.pan
    turned = f"; pan {abs(pan):.0%} {'left' if pan < 0 else 'right'}" if pan else ""
    if track.start.seat is None:
        return f"recorded positions: {gains}{turned}"
    return f"{seat_words(track.start.seat)}, {track.seat_from}; {gains}{turned}"


def questions(cue: Cue) -> list[str]:
    """Ask about what a cue file says and may not mean."""
    return [*_alone(cue), *_sides(cue)]


def _alone(cue: Cue) -> list[str]:
    """Ask about tracks that are heard without a room."""
    return [
        f"{track.name}: fixed without a seat, so it is heard as the file is, dry, without the room "
        "of the others; is that meant? If its room is in the file, it is. If not, give it a seat, "
        "or write stay = true instead of fixed = true: then it is heard from its usual seat and "
        "never moved"
        for track in cue.tracks
        if track.kind == "direct"
    ]


def _sides(cue: Cue) -> list[str]:
    """Ask about mono files of two tracks that are named like left and right; say the rule."""
    files = {path: track for track in cue.tracks for path in track.files if isinstance(path, Path)}
    return [
        f"{files[left].name} and {files[right].name}: {left.name} and {right.name} are named like "
        "left and right of one sound, and are used as two tracks. A draft joins two mono files "
        "whose names differ only in the side, unless they hold other notes. If they are one sound, "
        f'write one track with file = ["{left.name}", "{right.name}"]'
        for left, right in sides_by_name(list(files))
        if files[left] is not files[right]
    ]


def _doubts(path: Path) -> list[str]:
    """How many guesses of `placer draft` are left in a cue file."""
    count = guesses_left(path.read_text(encoding="utf-8-sig"))
    some = "1 line is" if count == 1 else f"{count} lines are"
    return [f'{some} still marked "guess": correct or confirm, then delete the mark'] * (count > 0)


def _price(cue: Cue, span: tuple[float, float]) -> list[str]:
    """What a run will cost, from rates seen on two cores."""
    trial = 3.0 * len(cue.tracks)
    first = "" if is_compiled() else "; once on this machine, a minute or two to compile"
    return [
        f"about {spoken(measuring_seconds(cue, span))} to measure the reference the first time, "
        f"{spoken(trial)} a trial, longer on a busy machine{first}; "
        f"{cue.search.trials} trials unless --time or --trials says otherwise"
    ]
