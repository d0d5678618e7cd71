"""The page on which a run is listened to and read: one HTML file that needs nothing else.

*Conventions*: templates lie beside this file; every text of a cue is escaped on its way in. The
page is made for one of two lives: opened as a file, or served by `placer listen`.

`page`: the HTML. `mix_data`: what the page's program must know about the mixes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from html import escape
from importlib import resources
from typing import Any

from placer.result.facts import (
    LEFT_OUT,
    changes,
    mix_label,
    mix_of,
    still_words,
    version_of,
    versions,
)
from placer.result.figures import figures, legend
from placer.result.first_screen import bars, lead_words, path_data, reference_note
from placer.result.leaning import lean_lines
from placer.result.loudspeakers import speaker_taps
from placer.result.matching import loudness_words, matching_gains
from placer.result.model import Mix, PlacedTrack, Result
from placer.result.moves_sheet import NO_TREE, groups_of, reference_words
from placer.result.path_words import (
    hidden_lines,
    microphones_words,
    step_effect,
    step_words,
    together_words,
    track_numbers,
    working_order,
)
from placer.result.tables import audible_table, cost_table, learned_rows, run_notes, summary
from placer.result.votes import Learned, learned_words
from placer.result.words import mix_words

SCRIPTS = ("wav.js", "loudness.js", "player.js", "moves.js", "sources.js", "page.js")
STYLES = ("page.css", "figures.css")
MOST_OPEN = 6
"""Moves of a mix whose settings are shown without a press."""
NO_STEMS = "One layer of a whole mix needs whole placed stems: search or render with --stems."
NO_PARTS = "single moves need the passages of the changed tracks; write them by: placer render RUN"


def asset(name: str) -> str:
    """A template that is installed beside this file."""
    return (resources.files("placer.result") / name).read_text(encoding="utf-8")


def mix_data(result: Result) -> list[dict[str, Any]]:
    """Rank, name, file and matching gain of everything that one can listen to."""
    gains = matching_gains(result)
    return [
        {
            "rank": mix.rank,
            "label": mix_label(mix),
            "file": mix.file,
            "gain_db": round(gains[mix.rank], 4),
        }
        for mix in versions(result)
    ]


def page(
    result: Result,
    learned: Learned,
    *,
    mixes: Sequence[Mapping[str, Any]],
    served: bool,
    stems: bool,
    changed: Mapping[int, Sequence[int]] | None,
    answers: Mapping[str, Any] | None = None,
    search_on: str = "placer search CUE.toml --from RUN",
    nonce: str = "",
) -> str:
    """Build the page.

    Parameters
    ----------
    result : Result
    learned : Learned
        Weights that the votes so far teach.
    mixes : sequence of dict
        From `mix_data`; the server adds a token to each.
    served : bool
        Whether `placer listen` serves it.
    stems : bool
        Whether whole placed stems exist, so that one track of a whole mix can be heard by itself.
    changed : mapping or None
        {rank: tracks} whose passages are kept, so that single moves can be heard; None where they
        are missing.
    answers : mapping, optional
        "mix", "kept" and "refused" of the run's answers.toml.
    search_on : str
        The command that goes on from the answers.
    nonce : str
        For the content security policy of the server.

    Returns
    -------
    str
        HTML.
    """
    ranks = [mix.rank for mix in result.mixes] or [0]
    heard = [mix.rank for mix in versions(result)]
    second = heard[1] if len(heard) > 1 else 0
    excerpt = result.span
    filled = {
        "css": "\n".join(asset(name) for name in STYLES),
        "js": "\n".join(asset(name) for name in SCRIPTS),
        "nonce": f' nonce="{nonce}"' if nonce else "",
        "data": _data(result, mixes, served=served, stems=stems, changed=changed, answers=answers),
        "leads": _each(result, ranks, lambda mix: _lead(result, mix)),
        "bars": _each(result, ranks, lambda mix: bars(result, mix)),
        "reference": escape(reference_note(result)),
        "search_on": escape(search_on),
        "moves_disabled": "" if result.mixes else " disabled",
        "name": escape(result.cue.name),
        "summary": escape(summary(result)),
        "audible": audible_table(result),
        "seconds": f"{result.seconds:.3f}",
        "from": f"{excerpt[0]:.1f}",
        "to": f"{excerpt[1]:.1f}",
        "plain_players": _plain_players(mixes) if not served else "<p>This needs JavaScript.</p>",
        "loudness": escape(loudness_words(result)),
        "play_disabled": " disabled" if served else "",
        "exact_disabled": "" if served else " disabled",
        "focus_disabled": " disabled",
        "download_hidden": " hidden" if served else "",
        "folder_hidden": " hidden" if served else "",
        "mix_options": _options(result, heard, 0),
        "mix_options_second": _options(result, heard, second),
        "shown_options": _options(result, ranks, ranks[0]),
        "mixes": "".join(_mix(result, rank, changed) for rank in ranks),
        "cost_table": cost_table(result),
        "learned_words": escape(learned_words(learned)),
        "learned_rows": learned_rows(learned),
        "run_notes": run_notes(result, excerpt),
    }
    return _fill(asset("page.html"), filled)


def _fill(template: str, filled: Mapping[str, str]) -> str:
    """Put texts in place of {{names}}; what was put in is not searched again."""
    parts = template.split("{{")
    done = [parts[0]]
    for part in parts[1:]:
        name, _, rest = part.partition("}}")
        done += [filled[name], rest]
    return "".join(done)


def _lead(result: Result, mix: Mix) -> str:
    return f'<p class="lead">{escape(lead_words(result, mix))}</p>'


def _each(result: Result, ranks: Sequence[int], told: Callable[[Mix], str]) -> str:
    """HTML of each mix, of which the page shows one."""
    return "".join(f'<div data-rank="{rank}">{told(mix_of(result, rank))}</div>' for rank in ranks)


def _data(
    result: Result,
    mixes: Sequence[Mapping[str, Any]],
    *,
    served: bool,
    stems: bool,
    changed: Mapping[int, Sequence[int]] | None,
    answers: Mapping[str, Any] | None,
) -> str:
    """What the page's program knows, as JSON that cannot end its element."""
    taps = zip(("near", "far"), speaker_taps(result.sample_rate), strict=True)
    known = {
        "mode": "served" if served else "file",
        "cue": {"name": result.cue.name, "hash": result.cue.hash},
        "seconds": result.seconds,
        "sample_rate": result.sample_rate,
        "excerpt": result.span,
        "tracks": result.names,
        "stems": stems,
        "no_stems": NO_STEMS,
        "parts": changed is not None,
        "no_parts": NO_PARTS,
        "paths": {
            mix.rank: path_data(result, mix, (changed or {}).get(mix.rank)) for mix in result.mixes
        },
        "answers": answers,
        "ceiling_dbtp": result.loudness.ceiling_dbtp,
        "speakers": {ear: [round(float(tap), 6) for tap in one] for ear, one in taps},
        "mixes": list(mixes),
    }
    return json.dumps(known).replace("<", "\\u003c")


def _options(result: Result, ranks: Sequence[int], chosen: int) -> str:
    """One option a mix."""
    return "".join(
        f'<option value="{rank}"{" selected" if rank == chosen else ""}>'
        f"{escape(mix_label(version_of(result, rank)))}</option>"
        for rank in ranks
    )


def _plain_players(mixes: Sequence[Mapping[str, Any]]) -> str:
    """Players for a browser without JavaScript."""
    return "".join(
        f"<p>{escape(mix['label'])}<br><audio controls preload=none "
        f'src="{escape(mix["file"])}"></audio></p>'
        for mix in mixes
    )


def _mix(result: Result, rank: int, changed: Mapping[int, Sequence[int]] | None) -> str:
    """Words, moves and pictures of one mix."""
    mix = mix_of(result, rank)
    pictures = "".join(
        f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"
        for caption, svg in figures(result, mix).items()
    )
    words = escape(mix.words or mix_words(result, mix))
    head = escape(mix_label(mix))
    return (
        f'<div data-rank="{rank}"><h3>{head}</h3>{_limits(result, mix)}'
        f"{_moves(result, rank, changed)}"
        f"{_still_hidden(result, mix)}<h4>The whole mix</h4><p>{words}</p>"
        f'<div class="pictures">{pictures}</div>{_legend(result, mix)}</div>'
    )


def _still_hidden(result: Result, mix: Mix) -> str:
    """The layers that are still hidden the most, and by whom."""
    lines = "".join(
        f"<li><strong>{escape(name)}</strong>: {escape(words)}</li>"
        for name, words in hidden_lines(result, mix)
    )
    return f"<h4>Still hidden</h4><ul>{lines}</ul>" if lines else ""


def _limits(result: Result, mix: Mix) -> str:
    """Limits that a mix does not keep, and where its render leans."""
    beyond = [f"{name} by {value:.1f} dB" for name, value in mix.violations.items() if value > 0.05]
    if abs(mix.missed_lu) >= 0.05:
        beyond.append(f"the loudness target by {abs(mix.missed_lu):.1f} LU (the ceiling holds)")
    told = [f"Missed: {', '.join(beyond)}."] if beyond else []
    told += [f"It leans: {line}." for line in lean_lines(result, mix)]
    return "".join(f'<p class="problem">{escape(line)}</p>' for line in told)


def _legend(result: Result, mix: Mix) -> str:
    """The names behind the numbers in the pictures of one mix."""
    names = ", ".join(f"{number} {name}" for number, name in legend(result, mix))
    if not names:
        return ""
    return (
        '<details class="legend" open><summary>Numbers in the pictures</summary>'
        f"<p>{escape(names)}</p></details>"
    )


def _alone(number: int) -> str:
    """What belongs with a move of one track."""
    if number == 1:
        return "Needs no other track to move with it."
    link = "and" if number == 3 else "to"
    before = "move 1 is" if number == 2 else f"moves 1 {link} {number - 1} are"
    return f"Needs no other track to move with it; its figures assume that {before} made."


def _coded(words: str) -> str:
    """Words as HTML, what stands between backticks as code."""
    return re.sub(r"`(.*?)`", r"<code>\1</code>", escape(words))


def _buttons(names: Sequence[str], number: int, heard: int) -> str:
    """Buttons of a move: hear the path up to it, keep it, refuse it."""
    data = escape(json.dumps(list(names)))
    of = f'<span class="unseen"> move {number}, {escape(", ".join(names))}</span>'
    answers = "".join(
        f'<button type="button" data-verdict="{verdict}" data-names="{data}" aria-pressed="false">'
        f"{word}{of}</button>"
        for verdict, word in (("keep", "Keep"), ("refuse", "Refuse"))
    )
    return (
        f'<div class="row"><button type="button" data-hear="{heard}">Hear up to here{of}</button>'
        f"{answers}</div>"
    )


def _groups(result: Result, head: str, before: PlacedTrack, after: PlacedTrack, number: str) -> str:
    """What is set on one track, what its response holds and what is measured: a list each."""
    return "".join(
        f'<p class="small">{escape(head + name)}</p><ul>'
        f"{''.join(f'<li>{escape(one.line)}</li>' for one in lines)}</ul>"
        for name, lines in groups_of(result, before, after, number)
    )


def _moves(result: Result, rank: int, changed: Mapping[int, Sequence[int]] | None) -> str:
    """What to move, a card a step with its buttons; tracks that stay in one sentence."""
    if rank == 0:
        return ""
    mix, items = mix_of(result, rank), []
    before = len(path_data(result, mix, (changed or {}).get(rank))["items"]) - len(mix.steps)
    opened = " open" * (len(mix.steps) <= MOST_OPEN)
    numbers = track_numbers(result, mix)
    known = {track.name: (before, after) for track, before, after in working_order(result, mix)}
    for number, step in enumerate(mix.steps, 1):
        told = [f"{name}: {words}" for name, words in step_words(result, mix, number)]
        why = together_words(result, mix, number)
        told += [step_effect(result, mix, number), why or _alone(number)]
        lines = "".join(
            _groups(
                result,
                f"{numbers[name]} {name}: " * (len(step.tracks) > 1),
                *known[name],
                numbers[name],
            )
            for name in step.tracks
        )
        head, *others = map(escape, told)
        items.append(
            f"<li><p><strong>{head}</strong></p>{''.join(f'<p>{line}</p>' for line in others)}"
            f"{_buttons(step.tracks, number, number + before)}"
            f"<details{opened}><summary>What to set; all else stays</summary>{lines}</details></li>"
        )
    still = [still_words(*pair) for pair in known.values() if not changes(*pair)]
    end = f"<p>Left as they are: {escape(', '.join(still))}.</p>" if still else ""
    dry = any(track.kind == "dry" for track in result.tracks)
    return (
        f"<p><strong>How to make a move.</strong> {_coded(reference_words(result))} "
        f"{_coded(NO_TREE.format(rank=rank)) if dry else ''} "
        f"The same as a sheet: <code>moves-{rank:02d}.md</code> in the run folder.</p>"
        f"{f'<p>{escape(words)}</p>' if (words := microphones_words(result, mix)) else ''}"
        f'<ul class="moves">{"".join(items)}</ul>{end}<p>{escape(LEFT_OUT)}</p>'
    )
