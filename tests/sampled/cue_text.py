"""The cue files of the sampled cues, as text.

`dry_cue`, `recorded_cue`: TOML of a cue. `RECORDED`: how the layers of "Quarry Run" were recorded.
"""

from __future__ import annotations

from demo.recorded import ALL, Recording
from tests.sampled.music import Layer, Music

RECORDED: dict[str, Recording] = {
    "ostinato": Recording((3.2, 2.4), 3.0, "strings", ALL),
    "bed": Recording((3.6, 3.8), 3.0, "strings", ("close", "tree", "outriggers")),
    "basses": Recording((6.0, 4.6), 2.5, "strings", ("close", "tree", "hall")),
    "horns": Recording((-3.8, 7.4), 2.6, "horns", ALL),
    "celli": Recording((2.8, 3.0), 3.0, "strings", ("close", "tree")),
    "violins": Recording((-4.0, 3.0), 4.5, "strings", ALL),
    "violas": Recording((1.4, 3.8), 3.0, "strings", ("close", "tree", "hall")),
    "choir": Recording((0.0, 11.4), 9.0, "voices", ("tree", "hall")),
    "bassoons": Recording((1.2, 6.8), 1.4, "woodwinds", ("spot", "tree")),
    "trombones": Recording((3.4, 8.8), 2.4, "brass", ALL),
    "timpani": Recording((-0.8, 9.6), 1.6, "percussion", ("close", "tree", "hall")),
    "low_drum": Recording((-3.0, 10.0), 1.4, "percussion", ("spot", "hall")),
}

HEAD = """# {name}: invented music on sampled instruments, written by tests/sampled/make_sampled.py
[cue]
name = "{name}"
sample_rate = 48000

[loudness]
target_lufs = -18.0
ceiling_dbtp = -1.0
"""

REFERENCE_DB = {
    "close": -8.0,
    "spot": -6.0,
    "tree": 0.0,
    "outriggers": -4.0,
    "hall": -5.0,
}
"""Blend of the reference mix, dB: the tree leads, the rest supports it."""


def _facts(layer: Layer) -> str:
    lines = [
        f'section = "{layer.section}"',
        f'role = "{layer.role}"',
        f"priority = {layer.priority}",
    ]
    if layer.group:
        lines.append(f'group = "{layer.group}"')
    return "\n".join(lines) + "\n"


def dry_cue(music: Music) -> str:
    """Cue file of dry stems `NAME.wav` beside it."""
    tracks = [
        f'\n[[track]]\nname = "{layer.name}"\nfile = "{layer.name}.wav"\n{_facts(layer)}'
        for layer in music.layers
    ]
    return HEAD.format(name=music.name) + "".join(tracks)


def recorded_cue(music: Music) -> str:
    """Cue file of recordings `NAME_POSITION.wav` beside it."""
    tracks = []
    for layer in music.layers:
        positions = RECORDED[layer.name].positions
        files = ", ".join(f'{position} = "{layer.name}_{position}.wav"' for position in positions)
        blend = ", ".join(f"{position} = {REFERENCE_DB[position]}" for position in positions)
        tracks.append(
            f'\n[[track]]\nname = "{layer.name}"\npositions = {{ {files} }}\n'
            f"blend = {{ {blend} }}\n{_facts(layer)}"
        )
    return HEAD.format(name=music.name + ", recorded") + "".join(tracks)
