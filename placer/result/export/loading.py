"""Which response a dry stem is heard through, and at which fader.

*Conventions*: faders in dB, after the convolution, such that the track is as loud as its placed
stem in the same export.

`HOW`: how to load a response. `ALREADY`: what is not to be done again. `loads`: one record a dry
track. `load_lines`: that in words.

Sources
-------
A send that is heard wholly wet needs no dry path beside it: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from placer.result.export.response_files import CEILING_DBTP, POSITIONS, Exported
from placer.result.facts import signed

HOW = (
    "A dry stem is heard through the response of its place. Put a convolution reverb on the track "
    "and load its response there: wholly wet, the dry sound off, no further delay, no level "
    "matching, pan in the middle. Then set the fader behind it; far below 0 is usual, because a "
    f"response has its true peak at {CEILING_DBTP:g} dBTP. Either load the one response of the "
    "whole place, or one response for each microphone position (in responses/positions) beside one "
    "another and balance the positions yourself: side, width and delay are in them, their gain is "
    "the fader. A stereo stem has two files for each response: feed its left channel to the one "
    "and its right channel to the other and add."
)
ALREADY = (
    "The moves of dry tracks are in these responses and faders already: the sheet says what has "
    "changed, and nothing of it is to be set a second time."
)


@dataclass(frozen=True, slots=True)
class Load:
    """What one dry track loads.

    Attributes
    ----------
    name : of the track
    files : of the whole place, below the export's folder
    fader_db : behind it
    positions : (position, files, fader in dB or None for off) of each position
    """

    name: str
    files: tuple[str, ...]
    fader_db: float
    positions: tuple[tuple[str, tuple[str, ...], float | None], ...]


def loads(responses: Sequence[Exported], stems_db: float) -> tuple[Load, ...]:
    """Say what each dry track loads.

    Parameters
    ----------
    responses : sequence of Exported
    stems_db : float
        Gain that all placed stems of the export share, 0 or less.
    """
    return tuple(
        Load(
            name=one.name,
            files=tuple(f"responses/{file}" for file in one.files),
            fader_db=one.gain_db + stems_db,
            positions=tuple(
                (
                    position,
                    tuple(f"responses/{POSITIONS}/{file}" for file in files),
                    None if (gain := one.faders_db[position]) is None else gain + stems_db,
                )
                for position, files in one.positions.items()
            ),
        )
        for one in responses
    )


def load_lines(load: Load) -> tuple[str, str]:
    """One track in two lines: the whole place, then position by position."""
    whole = f"{' and '.join(load.files)}: {signed(load.fader_db, 2)} dB"
    faders = ", ".join(
        f"{position} {'off' if gain is None else f'{signed(gain, 2)} dB'}"
        for position, _, gain in load.positions
    )
    return whole, f"or by position: {faders}"
