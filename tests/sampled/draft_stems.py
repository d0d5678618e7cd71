"""Stems with known section and role, on sampled instruments, for `placer draft` to guess at.

*Everything here is invented*: the music is drawn from a seed by the rules of this file, so that
the guesses can be set on some seeds and judged on another. Names are written as sessions in five
languages do, or say nothing ("Audio 07").

*Conventions*: time in beats, pitch as MIDI number, programs counted from 0, as `music`.

`draft_music`: the layers of one seed. `NAMES`: what they are called. `render_stems`: their files.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import unicodedata
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from tests.sampled.make_sampled import SAMPLE_RATE, fingerprint, play
from tests.sampled.music import (
    MAJOR,
    MINOR,
    SUSPENDED,
    Chord,
    Event,
    Layer,
    Music,
    Step,
    chord,
    figure,
    held,
    hits,
    roots,
    tune,
)

Rng = np.random.Generator

MELODIES = (
    ("horns", 60, 55, "horns"), ("celli", 42, 50, "celli"), ("violins_1", 48, 72, "violins_1"),
    ("violins_2", 40, 67, "violins_2"), ("trumpets", 56, 65, "trumpets"),
    ("oboes", 68, 69, "oboes"), ("flutes", 73, 76, "flutes"), ("clarinets", 71, 64, "clarinets"),
    ("english horn", 69, 60, "oboes"), ("trombones", 57, 48, "trombones"),
    ("violas", 41, 60, "violas"), ("bassoons", 70, 48, "bassoons"), ("piccolo", 72, 84, "flutes"),
)  # fmt: skip
COUNTERS = (
    ("celli counter", 42, 48, "celli"), ("horns counter", 60, 52, "horns"),
    ("violas counter", 41, 58, "violas"),
)  # fmt: skip
OSTINATI = (
    ("celli", 42, 38, "celli"), ("violas", 41, 55, "violas"), ("violins", 48, 67, "violins"),
    ("bassoons", 70, 40, "bassoons"), ("clarinets", 71, 60, "clarinets"),
    ("flutes", 73, 74, "flutes"), ("harp", 46, 50, "harp"), ("piano", 0, 48, "piano"),
    ("marimba", 12, 55, "mallets"), ("pizzicato", 45, 55, "violas"), ("low strings", 48, 36,
     "low_strings"), ("trumpets", 56, 62, "trumpets"), ("glockenspiel", 9, 79, "mallets"),
    ("synth", 81, 45, "synth"),
)  # fmt: skip
BASSES = (
    ("basses", 43, 28, "basses"), ("tuba", 58, 29, "tuba"), ("contrabassoon", 70, 34, "bassoons"),
    ("synth bass", 38, 28, "synth_bass"), ("low brass", 57, 34, "low_brass"),
    ("basses and celli", 48, 28, "low_strings"),
)  # fmt: skip
BEDS = (
    ("strings", 48, 55, "strings"), ("violas", 44, 55, "violas"), ("horns", 60, 50, "horns"),
    ("trombones", 57, 43, "trombones"), ("low strings", 49, 40, "low_strings"),
    ("clarinets", 71, 57, "clarinets"), ("oboes", 68, 67, "oboes"), ("organ", 19, 48, "organ"),
    ("women", 52, 64, "women"), ("violins_2", 49, 67, "violins_2"), ("brass", 61, 48, "brass"),
)  # fmt: skip
PADS = (("synth pad", 89, 48, "synth_pad"), ("choir", 52, 50, "choir"),
        ("warm pad", 95, 52, "synth_pad"))  # fmt: skip
ACCENTS = (
    ("trombones", 57, 46, "trombones"), ("trumpets", 56, 60, "trumpets"),
    ("brass", 61, 50, "brass"), ("strings", 48, 55, "strings"), ("horns", 60, 52, "horns"),
)  # fmt: skip
DRUMS = (
    ("bass drum", 35, "low_drums"), ("snare", 38, "high_drums"), ("toms", 45, "low_drums"),
    ("cymbals", 49, "metals"), ("tambourine", 54, "high_drums"), ("triangle", 81, "metals"),
)  # fmt: skip
TUNED_DRUMS = (
    ("timpani", 47, 40, "timpani"), ("big drum", 116, 38, "low_drums"),
    ("low toms", 117, 40, "low_drums"),
)  # fmt: skip

NAMES: dict[str, tuple[str, ...]] = {
    "violins_1": ("Violins 1", "Violinen 1", "Violons 1", "Violini I", "Violines 1"),
    "violins_2": ("Vln2", "2. Geigen", "Seconds violons", "Violini II", "Segundos violines"),
    "violins": ("Vlns", "Geigen", "Violons", "Violini", "Violines"),
    "violas": ("Vla", "Bratschen", "Altos", "Viole", "Violas"),
    "celli": ("Cellos", "Celli", "Violoncelles", "Violoncelli", "Violonchelos"),
    "basses": ("Dbl Basses", "Kontrabässe", "Contrebasses", "Contrabbassi", "Contrabajos"),
    "low_strings": ("StrLo", "Tiefe Streicher", "Cordes graves", "Archi bassi", "Cuerdas graves"),
    "strings": ("Strings", "Streicher", "Cordes", "Archi", "Cuerdas"),
    "flutes": ("Flutes", "Flöten", "Flûtes", "Flauti", "Flautas"),
    "oboes": ("Oboes", "Oboen", "Hautbois", "Oboi", "Oboes"),
    "clarinets": ("Clars", "Klarinetten", "Clarinettes", "Clarinetti", "Clarinetes"),
    "bassoons": ("Bsn", "Fagotte", "Bassons", "Fagotti", "Fagotes"),
    "horns": ("FrHns", "Hörner", "Cors", "Corni", "Trompas"),
    "trumpets": ("Tpt", "Trompeten", "Trompettes", "Trombe", "Trompetas"),
    "trombones": ("Tbn", "Posaunen", "Trombones", "Tromboni", "Trombones"),
    "tuba": ("Tuba", "Tuba", "Tuba", "Tuba", "Tuba"),
    "low_brass": ("LoBrass", "Tiefes Blech", "Cuivres graves", "Ottoni bassi", "Metales graves"),
    "brass": ("Brass", "Blechbläser", "Cuivres", "Ottoni", "Metales"),
    "timpani": ("Timps", "Pauken", "Timbales", "Timpani", "Timbales"),
    "low_drums": ("Bass Drum", "Große Trommel", "Grosse caisse", "Gran cassa", "Bombo"),
    "high_drums": ("Snare", "Kleine Trommel", "Caisse claire", "Rullante", "Caja"),
    "metals": ("Cymbals", "Becken", "Cymbales", "Piatti", "Platillos"),
    "mallets": ("Marimba", "Glockenspiel", "Xylophone", "Campane", "Xilófono"),
    "harp": ("Harp", "Harfe", "Harpe", "Arpa", "Arpa"),
    "piano": ("Pno", "Klavier", "Piano", "Pianoforte", "Piano"),
    "organ": ("Organ", "Orgel", "Orgue", "Organo", "Órgano"),
    "choir": ("Choir", "Chor", "Chœur", "Coro", "Coro"),
    "women": ("Women", "Frauenchor", "Chœur de femmes", "Coro femminile", "Mujeres"),
    "synth_pad": ("Synth Pad", "Pad", "Nappe", "Tappeto", "Colchón"),
    "synth_bass": ("SynthBass", "Synth Bass", "Synth Bass", "Synth Bass", "Synth Bass"),
    "synth": ("Synth", "Synth", "Synth", "Synth", "Synth"),
}
"""How a section is called in English (as abbreviations go), German, French, Italian, Spanish."""

DARK = ((0, MINOR), (8, MAJOR), (3, MAJOR), (10, MAJOR), (5, MINOR), (7, SUSPENDED))
BRIGHT = ((0, MAJOR), (5, MAJOR), (9, MINOR), (7, MAJOR), (2, MINOR), (4, MINOR))
"""Chords of a minor and a major key: root above the key note, intervals."""
MINOR_SCALE, MAJOR_SCALE = (0, 2, 3, 5, 7, 8, 10), (0, 2, 4, 5, 7, 9, 11)
Parts = tuple[tuple[str, int, int, str], ...]
"""(name, program, lowest pitch, section) of each layer of one role."""

WAYS: tuple[Callable[[int, str], str], ...] = (
    lambda number, name: f"{number:02}_{name}",
    lambda number, name: f"{name}_T{number}",
    lambda number, name: f"{number:02} {name} v04",
    lambda number, name: f"{name.upper()}-{number:02}-take 3",
)
"""How a session numbers its exports."""


def written_name(layer: Layer, number: int, language: int) -> str:
    """Name of a stem as one session would write it; every other one in Unicode's NFD."""
    name = WAYS[number % len(WAYS)](number, NAMES[layer.section][language])
    return unicodedata.normalize("NFD" if number % 2 else "NFC", name)


def _rhythm(rng: Rng) -> list[float]:
    """Lengths of a tune's notes in one bar of four beats."""
    bars: tuple[list[float], ...] = (
        [2, 1, 1], [3, 1], [1.5, 0.5, 2], [1, 1, 2], [2, 2], [1, 1, 1, 1], [1, 0.5, 0.5, 2],
        [4], [1.5, 1.5, 1], [0.5, 0.5, 1, 2], [3, 0.5, 0.5],
    )  # fmt: skip
    return list(bars[rng.integers(len(bars))])


def _tune(rng: Rng, harmony: tuple[Chord, ...], low: int, *, slow: bool) -> tuple[Event, ...]:
    """A singable line within a tenth: mostly steps, chord notes on the strong beats, rests."""
    root, kind = harmony[0][0], harmony[0]
    minor = (kind[1] - kind[0]) % 12 == 3
    scale = [
        (root + step) % 12 for step in ((0, 2, 3, 5, 7, 8, 10) if minor else (0, 2, 4, 5, 7, 9, 11))
    ]
    ladder = [pitch for pitch in range(low - 3, low + 15) if pitch % 12 in scale]
    place = len(ladder) // 3
    notes: list[tuple[int, float]] = []
    for bar, tones in enumerate(harmony):
        lengths = [float(rng.choice([4, 2])) for _ in range(1)] if slow else _rhythm(rng)
        while sum(lengths) < 4:
            lengths.append(min(4 - sum(lengths), 2.0))
        for index, length in enumerate(lengths):
            move = int(rng.choice([-3, -2, -1, -1, 1, 1, 2, 4] if index else [-2, -1, 0, 1, 2]))
            place = int(np.clip(place + move, 0, len(ladder) - 1))
            if index == 0:
                near = [i for i in range(len(ladder)) if ladder[i] % 12 in tones]
                place = min(near, key=lambda i: abs(i - place))
            rest = bar % 4 == 3 and index == len(lengths) - 1
            notes.append((0 if rest else ladder[place], length))
    return tune(tuple(notes), 102)


def _figure(rng: Rng) -> tuple[Step, ...]:
    """A running figure of one bar."""
    count, spacing = ((16, 0.25), (8, 0.5), (12, 1 / 3))[rng.integers(3)]
    orders = ((0, 0, 0, 1), (0, 2, 1, 2), (0, 1, 2, 1), (0, 1, 2, 3), (0, 0, 1, 0, 0, 2, 0, 1))
    order = orders[rng.integers(len(orders))]
    skip = {3, 7} if rng.random() < 0.3 else set()
    return tuple(
        (spacing * i, 0.8 * spacing, order[i % len(order)], 110 if i % 4 == 0 else 82)
        for i in range(count)
        if i not in skip
    )


def _bass(rng: Rng) -> tuple[Step, ...]:
    """A bar of a bass line."""
    bars: tuple[tuple[Step, ...], ...] = (
        ((0, 3.9, 0, 98),), ((0, 1.9, 0, 100), (2, 1.9, 0, 94)),
        ((0, 1.4, 0, 100), (1.5, 1.4, 0, 94), (3, 0.9, 0, 98)),
        ((0, 2.9, 0, 100), (3, 0.9, 0, 94)), ((0, 0.9, 0, 104), (1, 0.9, 0, 92), (2, 0.9, 0, 98),
         (3, 0.9, 0, 92)),
    )  # fmt: skip
    return bars[rng.integers(len(bars))]


def _stabs(rng: Rng) -> tuple[Step, ...]:
    """A bar of short chords, far apart."""
    starts = ((0.0, 1.5, 3.0), (0.0, 2.5), (0.0,), (1.0, 3.0), (0.0, 0.75, 2.0))[rng.integers(5)]
    return tuple((start, 0.4, pick, 112) for start in starts for pick in (0, 1, 2))


def _strokes(rng: Rng) -> tuple[tuple[float, int], ...]:
    """A bar of strokes."""
    bars = (
        ((0.0, 118), (2.0, 98)), ((0.0, 118), (1.5, 96), (3.0, 108)),
        ((0.0, 116), (1.0, 84), (2.0, 104), (3.0, 84), (3.5, 84)), ((0.0, 120),),
        tuple((0.25 * step, 112 if step % 4 == 0 else 80) for step in range(16)),
        tuple((0.5 * step, 112 if step % 3 == 0 else 84) for step in range(8)),
    )  # fmt: skip
    return bars[rng.integers(len(bars))]


def _bed(rng: Rng, harmony: tuple[Chord, ...], low: int) -> tuple[Event, ...]:
    """Long chords of one to four notes, one or two a bar."""
    picks = ((0, 1, 2), (0, 1), (0, 1, 2, 3), (0, 2), (0,))[rng.integers(5)]
    if rng.random() < 0.3:
        steps = tuple((s, 1.95, pick, 90) for s in (0.0, 2.0) for pick in picks)
        return figure(harmony, low, steps)
    return held(harmony, low, picks, 90)


def _pad(harmony: tuple[Chord, ...], low: int) -> tuple[Event, ...]:
    """Chords that lie for two bars."""
    return tuple(
        (start, 2 * length, pitch, 84)
        for start, length, pitch, _ in held(harmony, low, (0, 1, 2, 3), 84)
        if start % 8 == 0
    )


def draft_music(seed: int) -> Music:
    """Draw 64 layers of one cue of about 26 s from a seed."""
    rng = np.random.default_rng(seed)
    tempo = float(rng.integers(80, 141))
    bars = 4 * round(26.0 / (16 * 60.0 / tempo))
    first = int(rng.integers(12))
    steps = DARK if rng.random() < 0.7 else BRIGHT
    drawn = [steps[0], *(steps[i] for i in rng.integers(0, len(steps), 7))]
    harmony = tuple(chord((first + r) % 12, kind) for r, kind in (drawn * bars)[:bars])
    layers: list[Layer] = []

    def add(role: str, parts: Parts, make: Callable[[int], tuple[Event, ...]]) -> None:
        for name, program, low, section in parts:
            layers.append(Layer(f"{role} {name}", program, section, role, -26.0, make(low)))

    add("melody", MELODIES, lambda low: _tune(rng, harmony, low, slow=False))
    add("counter_melody", COUNTERS, lambda low: _tune(rng, harmony, low, slow=True))
    add("ostinato", OSTINATI, lambda low: figure(harmony, low, _figure(rng)))
    add("bass", BASSES, lambda low: roots(harmony, low, _bass(rng)))
    add("bed", BEDS, lambda low: _bed(rng, harmony, low))
    add("pad", PADS, lambda low: _pad(harmony, low))
    add("accent", ACCENTS, lambda low: figure(harmony, low, _stabs(rng)))
    add(
        "percussion",
        TUNED_DRUMS,
        lambda low: roots(harmony, low, tuple((s, 0.4, 0, v) for s, v in _strokes(rng))),
    )
    for name, key, section in DRUMS:
        strokes = hits(bars, key, _strokes(rng), int(rng.integers(1, 3)))
        layers.append(
            Layer(f"percussion {name}", 0, section, "percussion", -26.0, strokes, drums=True)
        )
    layers = [replace(layer, stereo=index % 2 == 0) for index, layer in enumerate(layers)]
    return Music(f"Drawn {seed} (invented)", tempo, 4.0 * bars, tuple(layers))


def render_stems(seed: int) -> dict[str, Path]:
    """Render the layers of one seed, or find them: name of a layer to its file."""
    music = draft_music(seed)
    shelf = Path(tempfile.gettempdir()) / f"placer-sampled-{os.getuid()}"
    folder = shelf / f"draft-{seed}-{fingerprint('draft', Path(__file__))}"
    if not folder.exists():
        shelf.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(dir=shelf))
        with ThreadPoolExecutor(2) as pool:
            stems = pool.map(partial(play, music=music, folder=fresh), music.layers)
            for layer, stem in zip(music.layers, stems, strict=True):
                soundfile.write(fresh / f"{layer.name}.wav", stem.T, SAMPLE_RATE, "PCM_24")
        try:
            fresh.rename(folder)
        except OSError:
            shutil.rmtree(fresh)
    return {layer.name: folder / f"{layer.name}.wav" for layer in music.layers}
