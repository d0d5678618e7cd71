"""The version that workers of one study agree on."""

from __future__ import annotations

import re
from pathlib import Path

from placer.version import sources_digest, version


def tree(folder: Path, *, text: str = "a = 1\n", name: str = "one.py") -> Path:
    (folder / "part" / "below").mkdir(parents=True)
    (folder / "part" / "below" / name).write_text(text)
    (folder / "part" / "notes.txt").write_text(str(folder))
    return folder / "part"


def test_a_version_is_a_number_and_a_digest() -> None:
    """It stands in a message as one word, and is the same each time."""
    assert re.fullmatch(r"[0-9][0-9.]*\+[0-9a-f]{12}", version())
    assert version() == version()


def test_where_the_sources_lie_does_not_matter_what_they_say_does(tmp_path: Path) -> None:
    """Two machines agree wherever placer is installed; one changed or renamed source tells."""
    first = sources_digest([tree(tmp_path / "a")])
    assert sources_digest([tree(tmp_path / "b")]) == first
    assert sources_digest([tree(tmp_path / "c", text="a = 2\n")]) != first
    assert sources_digest([tree(tmp_path / "d", name="two.py")]) != first
