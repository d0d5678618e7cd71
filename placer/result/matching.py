"""By how much each mix is turned down so that all are heard at one loudness.

*Conventions*: gains in dB, never above 0: the louder mixes come down to the quietest one, so the
true-peak ceiling still holds. Differences below `EQUAL_LU` are left alone.

`matching_gains`: {rank: gain}. `spread_lu`: what is left. `loudness_words`: said on the page.

Sources
-------
EBU Tech 3341 (2016): a meter's tolerance is 0.1 LU; half of that is no difference.
"""

from __future__ import annotations

from placer.result.facts import versions
from placer.result.model import OWN_RANK, Result

EQUAL_LU = 0.05


def matching_gains(result: Result) -> dict[int, float]:
    """Gain in dB of each mix, the reference (rank 0) among them."""
    levels = {mix.rank: mix.lufs for mix in versions(result)}
    quietest = min(levels.values())
    return {
        rank: quietest - level if level - quietest > EQUAL_LU else 0.0
        for rank, level in levels.items()
    }


def spread_lu(result: Result) -> float:
    """Largest difference of loudness that is left after matching, LU."""
    gains = matching_gains(result)
    heard = [mix.lufs + gains[mix.rank] for mix in versions(result)]
    return float(max(heard) - min(heard))


def loudness_words(result: Result) -> str:
    """How loud everything is, in words."""
    gains = matching_gains(result)
    level = min(mix.lufs for mix in versions(result))
    words = (
        f"All versions are heard at {level:.1f} LUFS (integrated, ITU-R BS.1770), equal within "
        f"{max(0.01, spread_lu(result)):.2f} LU."
    )
    lowered = [f"{_called(rank)} by {-gain:.1f} dB" for rank, gain in gains.items() if gain < 0.0]
    if lowered:
        words += f" For that this page turns down {', '.join(lowered)}; the files are as they were."
    return words


def _called(rank: int) -> str:
    """A version within a sentence."""
    return {0: "the reference", OWN_RANK: "your mix"}.get(rank, f"mix {rank}")
