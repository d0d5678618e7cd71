"""Which pictures a run is told in, and in what order.

*Conventions*: each picture is an SVG string without colours of its own; figures.css gives them. Its
caption, which is also its name for screen readers, says what to see in it.

`figures`: the pictures of one mix. `legend`: number and name of every track that moves.
"""

from __future__ import annotations

from placer.result.charts import (
    depth_and_side,
    depth_title,
    hiding,
    hiding_title,
    spectrum,
    spectrum_title,
)
from placer.result.model import Mix, Result
from placer.result.path_words import track_numbers
from placer.result.plan import plan_title, plan_view

__all__ = ["depth_and_side", "figures", "hiding", "legend", "plan_view", "spectrum"]


def figures(result: Result, mix: Mix) -> dict[str, str]:
    """Draw a mix.

    Parameters
    ----------
    result : Result
    mix : Mix

    Returns
    -------
    dict
        {caption: SVG}, in reading order; no plan where no track has a seat.
    """
    found = {depth_title(result, mix): depth_and_side(result, mix)}
    if any(track.seat for track in mix.tracks):
        found[plan_title(result, mix)] = plan_view(result, mix)
    if any(track.foreground for track in result.tracks):
        found[hiding_title(result, mix)] = hiding(result, mix, key=f"hiding-{mix.rank}")
    found[spectrum_title(result, mix)] = spectrum(result, mix)
    return found


def legend(result: Result, mix: Mix) -> list[tuple[str, str]]:
    """(number in the path of a mix, name) of each track that moves, in the order of the path."""
    return [(number, name) for name, number in track_numbers(result, mix).items() if number]
