"""What a run found and how it was found, as short tables and sentences for the page.

*Conventions*: HTML strings; every text of a cue is escaped here.

`summary`, `audible_table`, `cost_table`, `learned_rows`, `run_notes`: one part of the page each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Any

from placer.result.facts import mix_label, percent
from placer.result.leaning import missed_words
from placer.result.model import Mix, Result
from placer.result.votes import Learned


def summary(result: Result) -> str:
    """One sentence on the outcome."""
    if not result.mixes:
        return (
            "No mix beats the reference within the limits yet; search longer. "
            "Only the reference is here."
        )
    count = "1 mix" if len(result.mixes) == 1 else f"{len(result.mixes)} mixes"
    return (
        f"{len(result.tracks)} tracks, {count} beside the reference. How much of each layer "
        "that carries the music is audible, and in bold where most of it is:"
    )


def audible_table(result: Result) -> str:
    """Layers that carry the music down, versions across, audible share in per cent; as HTML."""
    if not result.mixes:
        return ""
    versions = result.all_mixes
    head = "".join(f'<th scope="col">{escape(mix_label(mix))}</th>' for mix in versions)
    body = ""
    for index, track in enumerate(result.tracks):
        if track.foreground:
            shown = [percent(mix.tracks[index].audibility) for mix in versions]
            cells = "".join(
                f"<td><strong>{value} %</strong></td>" if value == max(shown) > min(shown)
                else f"<td>{value} %</td>"
                for value in shown
            )  # fmt: skip
            body += f'<tr><th scope="row">{escape(track.name)}</th>{cells}</tr>'
    return f'<thead><tr><th scope="col">Layer</th>{head}</tr></thead><tbody>{body}</tbody>'


def _layer_low(mix: Mix) -> str:
    """The low third of a layer that moved most, and whose; empty in runs that did not look."""
    moved = [(track.layer_low_db, track.name) for track in mix.tracks]
    change, name = max(moved, key=lambda one: abs(one[0]), default=(0.0, ""))
    return f"{change:+.1f} ({escape(name)})" if change else ""


TERM_WORDS = {"audibility": "audibility: what stays hidden"}
"""Terms whose name alone would say the contrary of what the cost counts."""


def _kept_words(result: Result, mix: Mix) -> str:
    """Whether a mix keeps its limits on the analysed passage, and what its whole file misses."""
    if not mix.feasible:
        return "no"
    missed = missed_words(result, mix)
    return f"yes, on the passage; {'; '.join(missed)}" if missed else "yes"


def cost_table(result: Result) -> str:
    """Terms down, versions across; the whole cost and the figures of the mix below."""
    mixes = result.all_mixes
    head = "".join(f'<th scope="col">{escape(mix_label(mix))}</th>' for mix in mixes)
    rows = [
        (TERM_WORDS.get(name, name), [f"{mix.terms.get(name, 0.0):.4f}" for mix in mixes])
        for name in result.reference.terms
    ]
    rows.append(("whole cost", [f"{mix.cost:.4f}" for mix in mixes]))
    rows += [
        ("late energy against the reference, dB", _figure(mixes, "late_db")),
        ("the same, 355 to 1410 Hz, dB", _figure(mixes, "late_mid_db")),
        ("the same, 1410 to 5680 Hz, dB", _figure(mixes, "late_high_db")),
        ("left against right, whole file, dB", _figure(mixes, "left_right_db")),
        ("the same below 250 Hz, dB", _figure(mixes, "left_right_low_db")),
        ("largest change of a layer's own lows, dB", [_layer_low(mix) for mix in mixes]),
        ("change in mono, dB", _figure(mixes, "mono_loss_db")),
        ("loudness, LUFS", [f"{mix.lufs:.2f}" for mix in mixes]),
        ("true peak, dBTP", [f"{mix.true_peak_dbtp:.1f}" for mix in mixes]),
        ("keeps every limit", [_kept_words(result, mix) for mix in mixes]),
    ]
    body = ""
    for name, cells in rows:
        columns = "".join(f"<td>{cell}</td>" for cell in cells)
        body += f'<tr><th scope="row">{escape(name)}</th>{columns}</tr>'
    return f'<thead><tr><th scope="col">Term</th>{head}</tr></thead><tbody>{body}</tbody>'


def _figure(mixes: Sequence[Mix], name: str) -> list[str]:
    """One figure of each mix, where it has been measured."""
    found = [getattr(mix.figures, name) for mix in mixes]
    return ["" if value is None else f"{value:+.2f}" for value in found]


def learned_terms(learned: Learned) -> list[dict[str, Any]]:
    """Rows of the table of learned weights, as text."""
    return [
        {
            "name": name,
            "default": f"{before:.3g}",
            "weight": f"{weight:.3g}",
            "sd": f"{100.0 * (math.exp(sd) - 1.0):.0f} %",
        }
        for name, before, weight, sd in zip(
            learned.names, learned.before, learned.weights, learned.factor_sd, strict=True
        )
    ]


def learned_rows(learned: Learned) -> str:
    """The same as HTML."""
    return "".join(
        f'<tr><th scope="row">{escape(row["name"])}</th><td>{row["default"]}</td>'
        f"<td>{row['weight']}</td><td>\u00b1 {row['sd']}</td></tr>"
        for row in learned_terms(learned)
    )


def run_notes(result: Result, excerpt: Sequence[float]) -> str:
    """How the run was made, what it notes and what it warns of."""
    search = result.search
    lines = [
        f"Analysed: {excerpt[0]:.1f} s to {excerpt[1]:.1f} s of {result.seconds:.1f} s.",
        f"Search: {search.trials} trial{'s' * (search.trials != 1)}, {search.evaluations} "
        f"placements looked at; seed {result.seed}.",
    ]
    told = "".join(f"<li>{escape(line)}</li>" for line in [*lines, *result.notes])
    warned = "".join(f'<li class="problem">{escape(line)}</li>' for line in result.warnings)
    return f"<ul>{warned}{told}</ul>"
