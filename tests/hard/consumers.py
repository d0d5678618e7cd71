"""Everything that reads a result.json, asked in turn.

`use_result`: reads a run folder as `listen`, `render` and `export` do, short of the sound itself.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from placer.cue.controllers import usual_controllers
from placer.result.answers import Answers
from placer.result.export.actions import actions_of
from placer.result.export.controllers import controller_files
from placer.result.export.preset import seating_preset
from placer.result.export.readme import readme
from placer.result.export.sheet import printable
from placer.result.export.start import Start
from placer.result.facts import mix_of
from placer.result.folder import open_run
from placer.result.matching import loudness_words
from placer.result.moves_sheet import moves_csv, moves_markdown, position_names
from placer.result.outcome import with_words
from placer.result.report import write_report


def use_result(folder: Path) -> dict[str, Any]:
    """Read a run folder and make everything that is made from its result.

    Raises
    ------
    PlacerError
        The result or its votes are damaged.
    """
    result = open_run(folder).read_result()
    Answers(folder).page("nonce")
    write_report(folder)
    for rank in range(len(result["mixes"]) + 1):
        mix = mix_of(result, rank)
        moves_csv(result, rank)
        moves_markdown(result, rank)
        actions = actions_of(result, mix, ())
        printable(result, rank, actions)
        seating_preset(result, mix)
        numbers = usual_controllers(position_names(result))
        controller_files(result, mix, numbers)
        readme(result, mix, actions, stems_db=0.0, start=Start(), controllers=numbers)
    loudness_words(result)
    with_words(result)
    return result
