"""What one stereo sound is read from: one file, or two mono files for left and right.

Many sessions export "split mono": the two sides of one microphone position, or of one dry stem, as
a file each. Everything that reads a stem takes either; `placer.audio.files` makes channels of it.

`MonoPair`: two mono files. `StemFile`: a file or a pair.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class MonoPair:
    """Two mono files that are left and right of one stereo sound."""

    left: Path
    right: Path

    @property
    def name(self) -> str:
        """Both file names, for messages."""
        return f"{self.left.name} and {self.right.name}"

    def __str__(self) -> str:
        """Both paths, for messages and reports."""
        return f"{self.left} and {self.right}"


StemFile = Path | MonoPair
"""What one stereo or mono sound is read from."""


def files_of(source: StemFile) -> tuple[Path, ...]:
    """List the files of a source: one, or left and right.

    Examples
    --------
    >>> [path.name for path in files_of(MonoPair(Path("a_L.wav"), Path("a_R.wav")))]
    ['a_L.wav', 'a_R.wav']
    """
    return (source.left, source.right) if isinstance(source, MonoPair) else (source,)
