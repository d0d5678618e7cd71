"""Which pictures a run is told in, and in what order.

*Conventions*: each picture is an SVG string without colours of its own; figures.css gives them.

`figures`: the pictures of one mix. `legend`: the names behind the numbers.
"""

from __future__ import annotations

from placer.result.charts import depth_and_side, hiding, spectrum
from placer.result.facts import Facts, mix_name
from placer.result.path import track_numbers
from placer.result.plan import plan_view

__all__ = ["depth_and_side", "figures", "hiding", "legend", "plan_view", "spectrum"]

MARKS = "rings are the reference, numbered dots the mix"


def figures(result: Facts, mix: Facts) -> dict[str, str]:
    """Draw a mix.

    Parameters
    ----------
    result, mix : dict
        Contents of result.json and one of its mixes.

    Returns
    -------
    dict
        {caption: SVG}, in reading order; no plan where no track has a seat.
    """
    found = {
        f"Depth against side: {MARKS}": depth_and_side(result, mix),
        "Who hides whom in the reference: the fullest is the most of all mixes": hiding(
            result, result["reference"], key=f"hiding-{mix['rank']}-before"
        ),
        f"Who hides whom in {mix_name(mix)}": hiding(result, mix, key=f"hiding-{mix['rank']}"),
        "Spectrum in thirds of an octave: dashed the reference, solid the mix": spectrum(
            result, mix
        ),
    }
    if mix["rank"] == 0:
        del found["Who hides whom in Reference"]
    if any(track["seat"] for track in mix["tracks"]):
        plan = plan_view(result, mix)
        found = {f"Plan of the room: {MARKS}, squares are microphones": plan} | found
    return found


def legend(result: Facts, mix: Facts) -> list[tuple[str, str]]:
    """(number in the pictures of a mix, name of the track), in the order of its path."""
    return [(number, name) for name, number in track_numbers(result, mix).items()]
