"""The placed stems as an open session: one track each, in the order of the sheet.

*Conventions*: lengths and starts in samples; the edit rate of every track is the sample rate. The
timecode counts `FRAME_RATE` frames a second. What of the start time is no whole frame stands as
silence before the clips: each clip is, to the sample, where the originals are.

`SessionTrack`: one track. `write_session`: the file, in AAF. `ABOUT`: what it is, in words.

Sources
-------
AAF Object Specification 1.1 (from memory): network locators may be absolute or relative to the
file; a WAVE descriptor's summary holds the header and the format chunk; `AMPLITUDE` is a ratio.
Identifiers: reference headers of the AAF software development kit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import quote

from placer.errors import FolderError

FRAME_RATE = 25
"""Frames a second of the timecode; a whole number at which every usual sample rate is whole too."""
GAIN = "9d2ea894-0968-11d3-8a38-0050040ef7d2"
AMPLITUDE = "e4962321-2267-11d3-8a4c-0050040ef7d2"
GAIN_STEPS = 100_000
"""Denominator of an amplitude: 0.0001 dB near 0 dB."""
ABOUT = (
    "session.aaf: the placed stems as an open session (AAF), one track each, in the order of the "
    f"moves and at the levels of the mix. Clips begin where your own stems begin (timecode of "
    f"{FRAME_RATE} frames a second). Keep the file beside the folder stems, because it finds its "
    "sound there. If a program asks for the sound, name that folder."
)


@dataclass(frozen=True, slots=True)
class SessionTrack:
    """One track of the session.

    Attributes
    ----------
    name : of the track
    file : WAV file, relative to the session
    channels, frames : of that file
    comment : what moved, in words
    """

    name: str
    file: str
    channels: int
    frames: int
    comment: str = ""


def write_session(
    path: Path,
    tracks: Sequence[SessionTrack],
    *,
    name: str,
    sample_rate: int,
    start: int,
    level: float,
    place: Path,
) -> None:
    """Write the session; its sound stays in the files beside it.

    Parameters
    ----------
    path : Path
        File to make; the stems are there already.
    tracks : sequence of SessionTrack
        In the order of the session.
    name : str
        Of the session.
    sample_rate : int
        Hz.
    start : int
        Samples since midnight at which all files begin.
    level : float
        Amplitude of every clip.
    place : Path
        Folder that will hold the session in the end.

    Raises
    ------
    FolderError
        The file cannot be written.
    """
    import aaf2

    try:
        with aaf2.open(str(path), "w") as file:
            whole = file.create.CompositionMob(name)
            whole.usage = "Usage_TopLevel"
            file.content.mobs.append(whole)
            gain = _gain(file)
            frames = start * FRAME_RATE // sample_rate
            before = start - round(Fraction(frames * sample_rate, FRAME_RATE))
            longest = before + max((track.frames for track in tracks), default=0)
            _timecode(file, whole, frames, length=-(-longest * FRAME_RATE // sample_rate))
            for number, track in enumerate(tracks, 1):
                clip = _clip(file, path.parent, place, track, sample_rate)
                slot = whole.create_sound_slot(edit_rate=sample_rate)
                slot.name = track.name
                slot["PhysicalTrackNumber"].value = number
                parts = [_levelled(file, gain, clip, level)]
                if before:
                    parts.insert(0, file.create.Filler(media_kind="sound", length=before))
                slot.segment.components.extend(parts)
                slot.segment.length = before + track.frames
    except OSError as error:
        raise FolderError(f"{path}: cannot be written ({error.strerror or error})") from error


def _timecode(file: Any, whole: Any, frames: int, *, length: int) -> None:
    """Where the session begins, as the time of day in frames."""
    slot = whole.create_timeline_slot(edit_rate=FRAME_RATE)
    slot.name = "Timecode"
    slot.segment = file.create.Timecode(fps=FRAME_RATE, drop=False, length=max(1, length))
    slot.segment.start = frames


def _gain(file: Any) -> tuple[Any, Any]:
    """Definitions of a gain and of its amplitude, known to the file."""
    from aaf2.auid import AUID

    ratio = file.dictionary.lookup_typedef("Rational")
    amplitude = file.create.ParameterDef(AUID(AMPLITUDE), "Amplitude", "", ratio)
    file.dictionary.register_def(amplitude)
    gain = file.create.OperationDef(AUID(GAIN), "Mono Audio Gain", "")
    file.dictionary.register_def(gain)
    gain.media_kind = "sound"
    gain["IsTimeWarp"].value = False
    gain["Bypass"].value = 0
    gain["NumberInputs"].value = 1
    gain["OperationCategory"].value = "OperationCategory_Effect"
    gain["ParametersDefined"].append(amplitude)
    return gain, amplitude


def _levelled(file: Any, definitions: tuple[Any, Any], clip: Any, level: float) -> Any:
    """A clip at an amplitude."""
    gain, amplitude = definitions
    group = file.create.OperationGroup(gain, length=clip.length, media_kind="sound")
    value = Fraction(round(level * GAIN_STEPS), GAIN_STEPS)
    group.parameters.append(file.create.ConstantValue(amplitude, value))
    group.segments.append(clip)
    return group


def _clip(file: Any, folder: Path, place: Path, track: SessionTrack, sample_rate: int) -> Any:
    """A clip of a whole file, with the records that lead to it."""
    from aaf2.ama import get_wave_fmt

    sound = file.create.SourceMob(f"{track.name} (file)")
    file.content.mobs.append(sound)
    about = file.create.WAVEDescriptor()
    about["SampleRate"].value = sample_rate
    about["Length"].value = track.frames
    about["Summary"].value = get_wave_fmt(str(folder / track.file))
    about["ContainerFormat"].value = file.dictionary.lookup_containerdef("AAF")
    for url in ((place / track.file).as_uri(), quote(track.file)):
        locator = file.create.NetworkLocator()
        locator["URLString"].value = url
        about["Locator"].append(locator)
    sound.descriptor = about
    slot = sound.create_empty_slot(edit_rate=sample_rate, media_kind="sound", slot_id=1)
    slot.segment.length = track.frames
    master = file.create.MasterMob(track.name)
    file.content.mobs.append(master)
    if track.comment:
        master.comments["Move"] = track.comment
    own = master.create_timeline_slot(edit_rate=sample_rate)
    own.segment = sound.create_source_clip(1, length=track.frames, media_kind="sound")
    return master.create_source_clip(own.slot_id, length=track.frames, media_kind="sound")
