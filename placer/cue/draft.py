"""How a folder of exported stems becomes a first cue file that runs as it is.

*Conventions*: paths in the cue file are relative to it; every guess is marked "sure", "likely" or
"guess", so that one knows where to look. Nothing is ever overwritten.

`draft` is the only function others need.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from placer.audio.files import info
from placer.cue.configs import Section, read_roles, read_seating
from placer.cue.draft_groups import Group, grouped
from placer.cue.draft_guess import (
    Ears,
    Guess,
    mixes,
    seat_by_ear,
    short_words,
    track_names,
)
from placer.cue.draft_sound import Sound, listen, same_performance
from placer.cue.like import Earlier, names_in_common, taken_keys
from placer.cue.names import made_safe
from placer.errors import AudioError, CueError
from placer.progress import Quiet, Screen

ENDINGS = {".wav", ".wave", ".flac", ".aif", ".aiff"}
MOST_FILES = 2000
LOWEST_RATE = 32000
WIDE = 0.5
"""A stereo file whose sides differ this much may have its room in it."""
LONG_FADE = 0.4
"""So may one in which even the steepest fall would take this long for 60 dB, s. On the demo, dry
notes of players take 0.14 s at most, those heard by any of the recorded positions 0.48 s or more;
drums ring for 0.7 s by themselves."""

HEAD = """\
# A first draft, written by `placer draft`. It runs as it is; a look at the lines marked "guess",
# and then at those marked "likely", makes it better.
#
#   section  where the layer usually sits (configs/seating.toml lists all of them)
#   role     what it does: ostinato, melody, counter_melody, bed, pad, bass, accent, percussion,
#            effect (configs/roles.toml)
#   file     one stem with little or no room in it: it gets a seat in the simulated room
#   positions  one file for each recorded microphone position: the track keeps its own place. A
#            single stem that has its room in it belongs here too: positions = {{ mix = "..." }}
#
# Useful to add: fixed = true (heard, never moved), priority = 2 (matters more), group = "low"
# (layers that double one another), seat = [x, y], locks = ["seat"].

[cue]
name = {name}
sample_rate = {rate} # Hz; most stems have it
# excerpt = [10.0, 30.0] # s to analyse; without it the densest passage is chosen

[loudness]
target_lufs = -23.0 # integrated loudness of the whole mix
ceiling_dbtp = -1.0 # true peak; never exceeded
"""


@dataclass(frozen=True, slots=True)
class Drafted:
    """One track as it will be written."""

    name: str
    group: Group
    sound: Sound
    section: Guess
    role: Guess
    seat: tuple[float, float] | None
    taken: Taken | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """What an earlier cue says of a track: its name there, "" for none, and its keys."""

    cue: str
    name: str
    keys: Mapping[str, Any]


def draft(
    folder: Path,
    out_path: Path | None = None,
    screen: Screen | None = None,
    like: Earlier | None = None,
) -> Path:
    """Write a commented cue file for the stems in a folder.

    Parameters
    ----------
    folder : Path
        Exported stems, in folders of any depth.
    out_path : Path, optional
        The cue file; without it `FOLDER/NAME.toml` with the folder's name.
    screen : Screen, optional
        Told of every stem that has been heard.
    like : Earlier, optional
        An earlier cue, whose tracks say what those of the same name are.

    Returns
    -------
    Path
        Of the cue file.

    Raises
    ------
    CueError
        If the folder holds no usable stem, or the cue file exists or cannot be written.
    """
    if not folder.is_dir():
        raise CueError(f"{folder}: is not a folder; name the one that holds the stems")
    name = made_safe(folder.resolve().name)
    out = folder / f"{name}.toml" if out_path is None else out_path
    try:
        if out.exists() or out.is_symlink():
            raise CueError(f"{out}: exists already and is not overwritten; name another with --out")
    except OSError as error:
        raise CueError(f"{out}: cannot be written ({error.strerror}); choose --out") from error
    sounds, left_out = _listened(folder, screen or Quiet())
    if not sounds:
        raise CueError(f"{folder}: holds no usable WAV, FLAC or AIFF stem; {_first(left_out)}")
    tracks, no_layers = _tracks(folder, sounds)
    left_out += [(path, "looks like a mix, not a layer") for path in no_layers]
    if not tracks:
        raise CueError(f"{folder}: holds no stem of a single layer; {_first(left_out)}")
    if like is not None:
        tracks = _taken(tracks, like)
    _write(out, _text(name, tracks, sounds, out=out, left_out=left_out))
    return out


def _taken(tracks: Sequence[Drafted], like: Earlier) -> list[Drafted]:
    """Let an earlier cue say what the tracks are that it knows by name."""
    sections, roles = read_seating().sections, read_roles()
    names = names_in_common([track.name for track in tracks], like.tracks)
    found = []
    for track in tracks:
        name = names.get(track.name, "")
        keys = taken_keys(
            like.tracks.get(name, {}),
            recorded=bool(track.group.positions),
            sections=sections,
            roles=roles,
        )
        found.append(replace(track, taken=Taken(like.name, name, keys)))
    return found


def _first(left_out: Sequence[tuple[Path, str]]) -> str:
    """Say what was wrong with the first file that was left out."""
    if not left_out:
        return "export the stems into it first"
    path, why = left_out[0]
    return f"{path.name} {why}"


def _listened(folder: Path, screen: Screen) -> tuple[dict[Path, Sound], list[tuple[Path, str]]]:
    """Hear every stem below the folder; what cannot be used is left out with the reason."""
    paths = sorted(
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in ENDINGS
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    )
    if len(paths) > MOST_FILES:
        raise CueError(f"{folder}: {len(paths)} audio files, allowed: up to {MOST_FILES}")
    sounds: dict[Path, Sound] = {}
    left_out: list[tuple[Path, str]] = []
    screen.stage("hearing stems", len(paths))
    for number, path in enumerate(paths, 1):
        screen.advance(number, made_safe(path.stem))
        if not str(path).isprintable():
            left_out.append((path, "has a name with characters that cannot be printed"))
            continue
        try:
            sounds[path] = listen(path)
        except AudioError as error:
            left_out.append((path, str(error).removeprefix(f"{path}: ")))
    return sounds, left_out


def _tracks(folder: Path, sounds: dict[Path, Sound]) -> tuple[list[Drafted], list[Path]]:
    """Group the files and guess what each track is; give mixes and clicks apart."""
    seating = read_seating()
    ears = Ears.of(seating, read_roles())
    no_layers = mixes(list(sounds), folder, ears)
    groups = grouped(
        [path for path in sounds if path not in no_layers],
        folder,
        same=lambda one, other: same_performance(one, other, sounds[one].loudest),
        helpful=ears.helpful,
    )
    words = short_words(groups)
    tracks = []
    for name, group, short in zip(track_names(groups, words), groups, words, strict=True):
        first = group.files[0]
        sound = sounds[first.path]
        texts = [word.text for word in short]
        section = ears.section(texts, first, sound)
        role = ears.role(texts, first, sound, section.value)
        seat = _seat(seating.sections[section.value], section, sound, group)
        tracks.append(Drafted(name, group, sound, section, role, seat))
    return tracks, no_layers


def _seat(usual: Section, section: Guess, sound: Sound, group: Group) -> tuple[float, float] | None:
    """Let a dry stem that sits to one side start there if only its sound told the section."""
    if group.positions or section.sure != "guess":
        return None
    return seat_by_ear(sound, usual.seat)


def _text(
    name: str,
    tracks: Sequence[Drafted],
    sounds: dict[Path, Sound],
    *,
    out: Path,
    left_out: Sequence[tuple[Path, str]],
) -> str:
    """Write the whole cue file."""
    rates = Counter(info(path).sample_rate for path in sounds)
    usable = [rate for rate, _ in rates.most_common() if rate >= LOWEST_RATE]
    parts = [HEAD.format(name=_quoted(name), rate=usable[0] if usable else 48000)]
    parts += _whence(tracks)
    parts += [_track_text(track, out) for track in tracks]
    if left_out:
        lines = [f"#   {_relative(path, out)!a}: {why}" for path, why in left_out]
        parts.append("\n".join(["# Left out:", *(_comment(line) for line in lines), ""]))
    return "\n".join(parts)


def _whence(tracks: Sequence[Drafted]) -> list[str]:
    """Say how much comes from an earlier cue; nothing where there is none."""
    known = [track.taken for track in tracks if track.taken is not None]
    if not known:
        return []
    count = sum(bool(taken.name) for taken in known)
    line = f"# {count} of {len(tracks)} tracks are taken from the cue {_quoted(known[0].cue)}"
    return [_comment(f"{line}; all else is guessed.") + "\n"]


def _track_text(track: Drafted, out: Path) -> str:
    """Write one [[track]]."""
    group = track.group
    lines = ["[[track]]", f"name = {_quoted(track.name)}"]
    if group.positions:
        pairs = ", ".join(
            f"{_key(position)} = {_quoted(_relative(one.path, out))}"
            for position, one in zip(group.positions, group.files, strict=True)
        )
        lines.append(f"positions = {{ {pairs} }} # {group.sure}: {group.why}")
    else:
        note = "" if group.sure == "sure" else f" # {group.sure}: {group.why}"
        note = note or _dry_or_wet(track.sound)
        lines.append(f"file = {_quoted(_relative(group.files[0].path, out))}{note}")
    lines += _taken_lines(track.taken)
    keys: Collection[str] = () if track.taken is None else track.taken.keys
    for key, guess in (("section", track.section), ("role", track.role)):
        if key not in keys:
            lines.append(f'{key} = "{guess.value}" # {guess.sure}: {guess.why}')
    if track.seat is not None and not {"section", "seat"} & set(keys):
        side = "right" if track.seat[0] > 0 else "left"
        why = f"{abs(track.sound.balance_db):.0f} dB to the {side} in the file"
        lines.append(f"seat = [{track.seat[0]:g}, {track.seat[1]:g}] # guess: {why}")
    lines.append(f"# heard: {track.sound.words}")
    return "\n".join([*(_comment(line) for line in lines), ""])


def _taken_lines(taken: Taken | None) -> list[str]:
    """Keys that an earlier cue gives a track, and where they come from."""
    if taken is None:
        return []
    if not taken.name:
        return [f"# new: the cue {_quoted(taken.cue)} has no track of this name"]
    whence = f"# taken: from the track {_quoted(taken.name)} of {_quoted(taken.cue)}"
    return [f"{key} = {_quoted(value)} {whence}" for key, value in taken.keys.items()]


def _dry_or_wet(sound: Sound) -> str:
    """Mark a single stem that may not be dry, and say why."""
    if sound.fade > LONG_FADE:
        why = f"even its fastest fade takes {sound.fade:.1f} s for 60 dB"
    elif sound.spread > WIDE:
        why = "it is wide"
    else:
        return ""
    return f" # guess: dry; {why}, so if it has its room in it, use positions"


def _relative(path: Path, out: Path) -> str:
    """Path from the cue file's folder, with forward slashes."""
    return Path(os.path.relpath(path, out.parent)).as_posix()


def _quoted(value: Any) -> str:
    """Write a TOML basic string; numbers, flags and lists are the same in JSON and TOML."""
    return json.dumps(value, ensure_ascii=False)


def _key(name: str) -> str:
    """Write a TOML key, in quotes where it is no bare word."""
    return name if name.isascii() and name.isidentifier() else _quoted(name)


def _comment(line: str) -> str:
    """Keep a line one line, whatever a file is called."""
    return "".join(c if c.isprintable() else "?" for c in line)


def _write(out: Path, text: str) -> None:
    """Create the file; one that appeared meanwhile stays."""
    try:
        with out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        raise CueError(f"{out}: cannot be written ({error.strerror}); choose --out") from error
