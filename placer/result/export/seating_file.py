"""The found placements as a seating file, so that other cues start where this search ended.

*Conventions*: TOML of the kind in configs/seating.toml, `[track."NAME"]` tables only: seat in m,
blend in dB (-60 is off), pan, width, aligned. A cue names it by `[seating] file = "..."`; a track
of the same name then starts from it. Gains that only keep a track's loudness stay out: another cue
works them out anew.

`seating_preset`: the text.

Sources
-------
TOML 1.0.0 (strings, bare and quoted keys).
"""

from __future__ import annotations

from placer.cue.records import OFF_DB
from placer.result.facts import mix_label, pairs
from placer.result.model import Mix, Result

ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}


def seating_preset(result: Result, mix: Mix) -> str:
    """Write the seating file of a mix.

    Parameters
    ----------
    result : Result
    mix : Mix

    Returns
    -------
    str
        TOML.
    """
    cue = " ".join(result.cue.name.split())
    lines = [
        f"# Where the tracks of {cue} are heard from in {mix_label(mix)}.",
        '# Name it in a cue file: [seating] file = "seating.toml"',
    ]
    if mix.shared:
        lines.append("# The microphone arrays were set along with it, in m; for [microphones]:")
        lines += [f"#   {name} = {value:g}" for name, value in mix.shared.items()]
    for track, _, after in pairs(result, mix):
        if track.kind == "direct":
            continue
        lines += ["", f"[track.{quoted(track.name)}]"]
        if after.seat:
            lines.append(f"seat = [{after.seat[0]:.3f}, {after.seat[1]:.3f}]")
        blend = ", ".join(
            f"{quoted(name)} = {OFF_DB if gain is None else gain:.1f}"
            for name, gain in after.blend_db.items()
        )
        lines.append(f"blend = {{ {blend} }}")
        lines.append(f"pan = {after.pan:.3f}")
        lines.append(f"width = {after.width:.3f}")
        lines.append(f"aligned = {'true' if after.aligned else 'false'}")
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """A TOML basic string."""
    return '"' + "".join(ESCAPES.get(sign, sign) for sign in text) + '"'
