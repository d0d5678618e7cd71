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
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from placer.audio.files import info
from placer.audio.pairs import StemFile, files_of
from placer.cue.configs import Section, read_roles, read_seating
from placer.cue.draft_groups import Group, grouped
from placer.cue.draft_guess import (
    TUNES,
    Ears,
    Guess,
    mixes,
    seat_by_ear,
    short_words,
    track_names,
)
from placer.cue.draft_pairs import PairDoubt, location, paired, stem_name
from placer.cue.draft_roles import slower_tunes
from placer.cue.draft_sound import (
    Kinship,
    Sound,
    kinship,
    listen,
    loudest_stretch,
    same_performance,
)
from placer.cue.like import Earlier, names_in_common, taken_keys
from placer.cue.names import made_safe, same_name
from placer.errors import AudioError, CueError
from placer.progress import Quiet, Screen

ENDINGS = {".wav", ".wave", ".flac", ".aif", ".aiff"}
NAMED = 3
"""Files left out that are named at the end of a draft."""
MOST_FILES = 2000
LOWEST_RATE = 32000
THREADS = 2
"""Stems that are heard at a time."""
WHOLE = 0.75
"""A stem shorter than this share of the longest one may have been exported by a wrong range."""
WIDE = 0.5
"""A stereo file whose sides differ this much may have its room in it."""
LONG_FADE = 0.4
"""So may one in which even the steepest fall would take this long for 60 dB, s. On the demo, dry
notes of players take 0.14 s at most, those heard by any recorded position 0.48 s or more."""
RINGING = frozenset({"percussion", "plucked", "keyboards"})
"""Families that ring by themselves (on the demo drums for 0.7 s): their fall tells of no room."""

MANY = 24
"""Tracks above which buses are proposed, so that a section can be changed by one move."""
Note = tuple[str, str]
"""How sure something is, and why."""
LeftOut = list[tuple[StemFile, str]]

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
#   ["...", "..."]  two mono files, left and right, are read as one stereo file
#
# Useful to add: stay = true (leave it as it is), fixed = true (heard, never moved), priority = 2
# (matters more), foreground = true or false (it carries the music, or not: an ostinato, melody,
# counter_melody or bass does), group = "low" (layers that double one another), seat = [x, y].

[cue]
name = {name}
sample_rate = {rate} # Hz; most stems have it
# excerpt = [10.0, 30.0] # s to analyse; without it the densest passage is chosen
{hear}
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
    notes: tuple[Note, ...] = ()
    foreground: Guess | None = None
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
    paths, left_out = _found(folder)
    part_of = Ears.of(read_seating(), read_roles()).counts_parts
    sources, doubts = paired(paths, _kin, part_of)
    sounds, unusable = _listened(sources, screen or Quiet())
    left_out += unusable
    if not sounds:
        raise CueError(f"{folder}: holds no usable WAV, FLAC or AIFF stem; {_first(left_out)}")
    tracks, no_layers = _tracks(folder, sounds, doubts)
    left_out += [(source, "looks like a mix, not a layer") for source in no_layers]
    if not tracks:
        raise CueError(f"{folder}: holds no stem of a single layer; {_first(left_out)}")
    if like is not None:
        tracks = _taken(tracks, like)
    hear = [] if like is None else _hear_lines(tracks, like)
    text = _text(name, tracks, sounds, out=out, left_out=left_out, hear=hear)
    _write(out, text)
    if screen is not None:
        screen.say(_drafted(len(tracks), len(paths), left_out, guesses_left(text)))
    return out


def guesses_left(text: str) -> int:
    """How many lines of a cue file are marked as guesses."""
    return sum("# guess" in line and not line.startswith("#") for line in text.splitlines())


def _drafted(tracks: int, files: int, left_out: LeftOut, guesses: int) -> str:
    """What was made of the files, what was left out and what there is to check."""
    words = (
        f"{tracks} track{'' if tracks == 1 else 's'} from {files} file{'' if files == 1 else 's'}"
    )
    named = [
        f"{location(source).name!r} ({why.partition(';')[0]})" for source, why in left_out[:NAMED]
    ]
    more = [f"{len(left_out) - NAMED} more"] if len(left_out) > NAMED else []
    left = f"; left out: {', '.join([*named, *more])}" if named else ""
    lines = "1 line to check: it is" if guesses == 1 else f"{guesses} lines to check: they are"
    return f"{words}{left}. {lines if guesses else 'No line is'} marked guess."


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


def _kin(left: Path, right: Path) -> Kinship:
    """Tell what two mono files are to one another, where the first is loudest."""
    try:
        return kinship(left, right, loudest_stretch(left))
    except AudioError:
        return Kinship.ALIKE  # what is wrong with it is said when it is heard


def _first(left_out: LeftOut) -> str:
    """Say what was wrong with the first file that was left out."""
    if not left_out:
        return "export the stems into it first"
    source, why = left_out[0]
    return f"{source.name} {why}"


def _found(folder: Path) -> tuple[list[Path], LeftOut]:
    """List every audio file below the folder, and apart those whose names cannot be written."""
    paths = sorted(
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in ENDINGS
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    )
    if len(paths) > MOST_FILES:
        raise CueError(f"{folder}: {len(paths)} audio files, allowed: up to {MOST_FILES}")
    odd = [path for path in paths if not str(path).isprintable()]
    why = "has a name with characters that cannot be printed"
    return [path for path in paths if path not in odd], [(path, why) for path in odd]


def _listened(sources: Sequence[StemFile], screen: Screen) -> tuple[dict[StemFile, Sound], LeftOut]:
    """Hear every stem; what cannot be used is left out with the reason."""
    sounds: dict[StemFile, Sound] = {}
    left_out: LeftOut = []
    screen.stage("hearing stems", len(sources))
    with ThreadPoolExecutor(THREADS) as pool:
        heard = zip(sources, pool.map(_heard, sources), strict=True)
        for number, (source, sound) in enumerate(heard, 1):
            screen.advance(number, made_safe(stem_name(source)))
            if isinstance(sound, Sound):
                sounds[source] = sound
            else:
                left_out.append((source, sound))
    return sounds, left_out


def _heard(source: StemFile) -> Sound | str:
    """Hear one stem, or say why it cannot be used."""
    try:
        return listen(source)
    except AudioError as error:
        return str(error).removeprefix(f"{source}: ")


def _tracks(
    folder: Path, sounds: dict[StemFile, Sound], doubts: dict[StemFile, PairDoubt]
) -> tuple[list[Drafted], list[StemFile]]:
    """Group the files and guess what each track is; give mixes and clicks apart."""
    seating = read_seating()
    ears = Ears.of(seating, read_roles(), list(sounds))
    no_layers = mixes(list(sounds), folder, ears)
    groups = grouped(
        [source for source in sounds if source not in no_layers],
        folder,
        same=lambda one, other: same_performance(one, other, sounds[one].loudest),
        helpful=ears.helpful,
    )
    words = short_words(groups)
    longest = max((sound.seconds for sound in sounds.values()), default=0.0)
    tracks = []
    for name, group, short in zip(track_names(groups, words), groups, words, strict=True):
        first = group.files[0]
        sound = sounds[first.source]
        texts = [word.text for word in short]
        section = ears.section(texts, first, sound)
        role = ears.role(texts, first, sound, section)
        seat = _seat(seating.sections[section.value], section, sound, group)
        rings = seating.sections[section.value].family in RINGING
        notes = _notes(group, sounds, doubts, longest, rings=rings)
        front = ears.foreground(texts, sound, section, role)
        tracks.append(Drafted(name, group, sound, section, role, seat, notes, front))
    return _answered(tracks), no_layers


def _answered(tracks: list[Drafted]) -> list[Drafted]:
    """Call the tunes that move least counter melodies, where only the sound names a tune."""
    tunes = [track for track in tracks if track.role.value == "melody"]
    slower = slower_tunes([track.sound.line.moves for track in tunes])
    answers = {
        track.name
        for track, one in zip(tunes, slower, strict=True)
        if one and track.role.sure == "guess"
    }
    why = "one voice that moves, but less than the tunes"
    return [
        replace(track, role=Guess("counter_melody", "guess", why))
        if track.name in answers
        else track
        for track in tracks
    ]


def _notes(
    group: Group,
    sounds: dict[StemFile, Sound],
    doubts: dict[StemFile, PairDoubt],
    longest: float,
    *,
    rings: bool,
) -> tuple[Note, ...]:
    """Say how sure the files of a track are: which they are, whether dry, whether whole."""
    notes: list[Note] = []
    if group.positions or group.sure != "sure":
        notes.append((group.sure, group.why))
    of_files = [doubts[one.source] for one in group.files if one.source in doubts]
    known = {(doubt.sure, doubt.why) for doubt in of_files}
    notes += sorted(known) if not group.positions else [one for one in known if one[0] != "sure"]
    if not group.positions and group.sure == "sure":
        notes += _dry_or_wet(sounds[group.files[0].source], rings=rings)
    shortest = min(sounds[one.source].seconds for one in group.files)
    if shortest < WHOLE * longest:
        why = f"{shortest:.1f} s long, the longest stem {longest:.1f} s: is it exported whole?"
        notes.append(("guess", why))
    return tuple(notes)


def _seat(usual: Section, section: Guess, sound: Sound, group: Group) -> tuple[float, float] | None:
    """Let a dry stem that sits to one side start there if only its sound told the section."""
    if group.positions or section.sure != "guess":
        return None
    return seat_by_ear(sound, usual.seat)


def _text(
    name: str,
    tracks: Sequence[Drafted],
    sounds: dict[StemFile, Sound],
    *,
    out: Path,
    left_out: LeftOut,
    hear: Sequence[str],
) -> str:
    """Write the whole cue file."""
    rates = Counter(info(source).sample_rate for source in sounds)
    usable = [rate for rate, _ in rates.most_common() if rate >= LOWEST_RATE]
    named = "".join(f"{_comment(line)}\n" for line in hear)
    rate = usable[0] if usable else 48000
    parts = [HEAD.format(name=_quoted(name), rate=rate, hear=named)]
    parts += _whence(tracks)
    if not any(_said(track, "role", track.role) in TUNES for track in tracks):
        parts.append(
            '# No tune was recognised: which tracks carry it? Give them role = "melody".\n'
        )
    buses = _buses(tracks)
    parts += [_track_text(track, out, buses.get(track.name)) for track in tracks]
    if left_out:
        lines = [f"#   {_shown(source, out)}: {why}" for source, why in left_out]
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


def _hear_lines(tracks: Sequence[Drafted], like: Earlier) -> list[str]:
    """Name the tracks that must be heard as an earlier cue names them; none where it names none."""
    if like.hear is None:
        return []
    new_names = {
        same_name(track.taken.name): track.name
        for track in tracks
        if track.taken is not None and track.taken.name
    }
    wanted = dict.fromkeys(map(same_name, like.hear))
    found = [new_names[name] for name in wanted if name in new_names]
    missing = [name for name in like.hear if same_name(name) not in new_names]
    lines = []
    if found or not like.hear:
        why = f"from {_quoted(like.name)}; no other track carries the music unless it says so"
        lines.append(f"hear = {_quoted(found)} # taken: {why}")
    if missing:
        names = ", ".join(map(_quoted, missing))
        lines.append(
            f"# {_quoted(like.name)} also wants to hear {names}: no track of this name here"
        )
    return lines


def _buses(tracks: Sequence[Drafted]) -> dict[str, str]:
    """Propose a bus for every track whose section has others too, where there are many tracks."""
    sections = Counter(_said(track, "section", track.section) for track in tracks)
    return {
        track.name: section.replace("_", " ")
        for track in tracks
        if sections[section := _said(track, "section", track.section)] > 1 and len(tracks) > MANY
    }


def _track_text(track: Drafted, out: Path, bus: str | None) -> str:
    """Write one [[track]]."""
    group = track.group
    lines = ["[[track]]", f"name = {_quoted(track.name)}"]
    note = _marked(track.notes)
    if group.positions:
        pairs = ", ".join(
            f"{_key(position)} = {_written(one.source, out)}"
            for position, one in zip(group.positions, group.files, strict=True)
        )
        lines.append(f"positions = {{ {pairs} }}{note}")
    else:
        lines.append(f"file = {_written(group.files[0].source, out)}{note}")
    lines += _taken_lines(track.taken)
    keys: Collection[str] = () if track.taken is None else track.taken.keys
    for key, guess in (("section", track.section), ("role", track.role)):
        if key not in keys:
            lines.append(f'{key} = "{guess.value}" # {guess.sure}: {guess.why}')
    if track.foreground is not None and not {"role", "foreground"} & set(keys):
        guess = track.foreground
        lines.append(f"foreground = {guess.value} # {guess.sure}: {guess.why}")
    if bus is not None and "bus" not in keys:
        lines.append(f"# bus = {_quoted(bus)} # likely: tracks of one bus take one change together")
    if track.seat is not None and not {"section", "seat"} & set(keys):
        side = "right" if track.seat[0] > 0 else "left"
        why = f"{abs(track.sound.balance_db):.0f} dB to the {side} in the file"
        lines.append(f"seat = [{track.seat[0]:g}, {track.seat[1]:g}] # guess: {why}")
    lines.append(f"# heard: {track.sound.words}")
    return "\n".join([*(_comment(line) for line in lines), ""])


def _said(track: Drafted, key: str, guess: Guess) -> str:
    """Section or role that will be written: an earlier cue's, else the guess."""
    keys = {} if track.taken is None else track.taken.keys
    return str(keys.get(key, guess.value))


def _taken_lines(taken: Taken | None) -> list[str]:
    """Keys that an earlier cue gives a track, and where they come from."""
    if taken is None:
        return []
    if not taken.name:
        return [f"# new: the cue {_quoted(taken.cue)} has no track of this name"]
    whence = f"# taken: from the track {_quoted(taken.name)} of {_quoted(taken.cue)}"
    return [f"{key} = {_quoted(value)} {whence}" for key, value in taken.keys.items()]


def _marked(notes: Sequence[Note]) -> str:
    """Write what is to be said of a line: the greatest doubt first."""
    if not notes:
        return ""
    ordered = sorted(notes, key=lambda note: ("guess", "likely", "sure").index(note[0]))
    return f" # {ordered[0][0]}: " + "; ".join(why for _, why in ordered)


def _dry_or_wet(sound: Sound, *, rings: bool) -> list[Note]:
    """Mark a single stem that may not be dry, and say why."""
    if sound.fade > LONG_FADE and not rings:
        why = f"even its fastest fade takes {sound.fade:.1f} s for 60 dB"
    elif sound.spread > WIDE:
        why = "it is wide"
    else:
        return []
    return [("guess", f"dry; {why}, so if it has its room in it, use positions")]


def _written(source: StemFile, out: Path) -> str:
    """Write a file's name, or the list of the two of a pair."""
    names = [_quoted(_relative(path, out)) for path in files_of(source)]
    return names[0] if len(names) == 1 else f"[{', '.join(names)}]"


def _shown(source: StemFile, out: Path) -> str:
    """Write what was left out, in ASCII."""
    return " and ".join(f"{_relative(path, out)!a}" for path in files_of(source))


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
