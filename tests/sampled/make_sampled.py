"""Cues of sampled instruments: own music, rendered track by track through a SoundFont.

    python -m tests.sampled.make_sampled FOLDER quarry|tide|quarry_recorded

Each layer becomes a Standard MIDI File of its own, fluidsynth plays it without reverberation and
chorus, the result is folded to mono (or kept stereo), set to the layer's level in a hand-made
balance and padded to one length. Then a cue file is written beside the stems.

*Conventions*: audio (channel, frame), 48 kHz, 24-bit WAV.

`make_sampled`: write one cue. `cached_sampled`: the same, kept between runs.
`missing_tool`: why it cannot be done here.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import mido  # type: ignore[import-untyped]
import numpy as np
import soundfile
from numpy.typing import NDArray

from demo import recorded
from sim.microphones import Arrays, Close, Pair, Tree
from sim.room import Room
from tests.sampled.cue_text import RECORDED, dry_cue, recorded_cue
from tests.sampled.music import CUES, Layer, Music

FloatArray = NDArray[np.floating[Any]]

SAMPLE_RATE = 48000
TICKS = 480
"""Of a MIDI file, a beat."""

TAIL = 1.5
"""s after the last beat, for the releases of the samples."""

SOUNDFONTS = (
    "/usr/share/sounds/sf2/FluidR3_GM.sf2",
    "/usr/share/soundfonts/FluidR3_GM.sf2",
    "/usr/local/share/soundfonts/FluidR3_GM.sf2",
)
"""Where the General MIDI SoundFont (MIT licence) lies; `PLACER_SOUNDFONT` names another place."""

ROOM = Room(
    width=19.0,
    depth=29.0,
    height=10.5,
    conductor=15.5,
    reverberation_time=(1.7, 1.65, 1.6, 1.5, 1.4, 1.2, 0.9),
    surfaces=None,
    temperature=22.0,
    humidity=40.0,
)
"""Invented room of the recorded variant: neither the tool's default nor the demo's."""

ARRAYS = Arrays(
    tree=Tree(spacing=2.2, forward=1.1, height=3.4, y=-0.2, pattern=1.0),
    outriggers=Pair(spacing=8.0, height=3.4, y=0.5, pattern=1.0, aim_deg=0.0),
    hall=Pair(spacing=6.0, height=5.0, y=-8.0, pattern=1.0, aim_deg=0.0),
    close=Close(distance=1.6, height=2.1, angle_deg=35.0, pattern=0.5),
)


def soundfont() -> Path | None:
    """Path of the SoundFont, or None."""
    named = os.environ.get("PLACER_SOUNDFONT")
    places = (named,) if named else SOUNDFONTS
    return next((Path(place) for place in places if Path(place).is_file()), None)


def missing_tool() -> str | None:
    """Say what is missing for rendering, or None."""
    if shutil.which("fluidsynth") is None:
        return "fluidsynth is not installed (Debian: apt-get install fluidsynth)"
    if soundfont() is None:
        return "FluidR3_GM.sf2 not found (Debian: fluid-soundfont-gm, or set PLACER_SOUNDFONT)"
    return None


def midi_file(layer: Layer, music: Music) -> mido.MidiFile:
    """One layer as a Standard MIDI File of type 0, panned to the centre."""
    channel = 9 if layer.drums else 0
    file = mido.MidiFile(type=0, ticks_per_beat=TICKS)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(music.tempo), time=0))
    track.append(mido.Message("program_change", channel=channel, program=layer.program))
    for control, value in ((10, 64), (7, 110), (91, 0), (93, 0)):  # pan, volume, no effects
        track.append(mido.Message("control_change", channel=channel, control=control, value=value))
    events = []
    for start, length, pitch, velocity in layer.notes:
        events.append((round((start + length) * TICKS), 0, pitch, 0))
        events.append((round(start * TICKS), 1, pitch, velocity))
    now = 0
    for tick, _, pitch, velocity in sorted(events):  # at one tick, ends before beginnings
        track.append(
            mido.Message("note_on", channel=channel, note=pitch, velocity=velocity, time=tick - now)
        )
        now = tick
    return file


def play(layer: Layer, music: Music, folder: Path) -> FloatArray:
    """Render one layer; (1 or 2, frames) at its level in the balance."""
    midi, sound = folder / f"{layer.name}.mid", folder / f"{layer.name}.raw.wav"
    midi_file(layer, music).save(midi)
    options = ["-ni", "-q", "-T", "wav", "-O", "s24", "-r", "48000", "-g", "0.6"]
    for setting in ("reverb.active=0", "chorus.active=0", "dynamic-sample-loading=1"):
        options += ["-o", f"synth.{setting}"]
    command = ["fluidsynth", *options, "-F", str(sound), str(soundfont()), str(midi)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    audio, rate = soundfile.read(sound, dtype="float64", always_2d=True)
    midi.unlink()
    sound.unlink()
    if rate != SAMPLE_RATE:
        raise RuntimeError(f"fluidsynth rendered {layer.name} at {rate} Hz, not {SAMPLE_RATE}")
    frames = round((music.beats * 60.0 / music.tempo + TAIL) * SAMPLE_RATE)
    stem = np.zeros((2, frames))
    stem[:, : min(frames, len(audio))] = audio.T[:, :frames]
    if not layer.stereo:
        stem = stem.mean(axis=0, keepdims=True)  # the samples themselves are panned
    fade = round(0.1 * SAMPLE_RATE)
    stem[:, -fade:] *= np.linspace(1.0, 0.0, fade)
    rms = float(np.sqrt(np.mean(stem**2)))
    if rms == 0.0:
        raise RuntimeError(f"fluidsynth rendered silence for {layer.name}")
    return np.asarray(stem * (10.0 ** (layer.level_db / 20.0) / rms))


def make_sampled(folder: Path, which: str) -> Path:
    """Write one cue of sampled instruments.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    which : str
        "quarry" (12 dry layers), "tide" (24 dry layers), or "quarry_recorded" (the 12 layers as
        recordings with several microphone positions).

    Returns
    -------
    Path
        The cue file.
    """
    name, _, variant = which.partition("_")
    if name not in CUES or variant not in ("", "recorded"):
        raise ValueError(f'which = "{which}"; allowed are quarry, tide, quarry_recorded')
    music = CUES[name]()
    folder.mkdir(parents=True, exist_ok=True)
    with ThreadPoolExecutor(2) as pool:
        stems = list(pool.map(partial(play, music=music, folder=folder), music.layers))
    for seed, (layer, stem) in enumerate(zip(music.layers, stems, strict=True)):
        sounds = {"": stem}
        if variant:
            how = RECORDED[layer.name]
            sounds = recorded.record(stem, how, seed=seed, room=ROOM, arrays=ARRAYS)
        for position, audio in sounds.items():
            path = folder / f"{layer.name}{'_' + position if position else ''}.wav"
            soundfile.write(path, audio.T, SAMPLE_RATE, subtype="PCM_24")
    cue = folder / "cue.toml"
    cue.write_text(recorded_cue(music) if variant else dry_cue(music), encoding="utf-8")
    return cue


def fingerprint(which: str, *more: Path) -> str:
    """Content that a rendered cue follows from: its sources, `more`, fluidsynth, the SoundFont."""
    here = Path(__file__).resolve().parent
    sources = [here / f"{name}.py" for name in ("make_sampled", "music", "cue_text")]
    if which.endswith("recorded"):
        sources += [Path(recorded.__file__), *sorted((here.parents[1] / "sim").glob("*.py"))]
    digest = hashlib.sha256()
    for source in (*sources, *more):
        digest.update(source.read_bytes())
    font = soundfont()
    assert font is not None
    digest.update(f"{font} {font.stat().st_size}".encode())
    version = subprocess.run(["fluidsynth", "--version"], check=True, capture_output=True)
    digest.update(version.stdout)
    return digest.hexdigest()[:16]


def cached_sampled(which: str) -> Path:
    """Like `make_sampled`, in a temporary folder that later runs find again."""
    shelf = Path(tempfile.gettempdir()) / f"placer-sampled-{os.getuid()}"
    folder = shelf / f"{which}-{fingerprint(which)}"
    if not (folder / "cue.toml").exists():
        shelf.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(dir=shelf))
        make_sampled(fresh, which)
        try:
            fresh.rename(folder)
        except OSError:  # another process was quicker
            shutil.rmtree(fresh)
    return folder / "cue.toml"


if __name__ == "__main__":
    make_sampled(Path(sys.argv[1]), sys.argv[2])
