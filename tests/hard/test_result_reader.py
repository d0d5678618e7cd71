"""Whatever stands in result.json: it is used whole, or refused in one line."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from placer.errors import FolderError, PlacerError
from placer.result.folder import open_run
from tests.hard.consumers import use_result
from tests.hard.damage import damaged, torn
from tests.placer.result_run import problem, result_facts

FACTS: dict[str, Any] = json.loads(json.dumps(result_facts(2)))


def use(folder: Path, body: bytes) -> str:
    """Write a result, use it, and give the refusal or ""."""
    (folder / "result.json").write_bytes(body)
    try:
        use_result(folder)
    except PlacerError as error:
        return str(error)
    return ""


def changed(path: str, value: Any) -> dict[str, Any]:
    """The facts with one value changed; "mixes.0.rank" names it; ... takes it out."""
    facts: Any = json.loads(json.dumps(FACTS))
    *way, last = [int(key) if key.isdigit() else key for key in path.split(".")]
    holder = facts
    for key in way:
        holder = holder[key]
    if value is ...:
        del holder[last]
    else:
        holder[last] = value
    return dict(facts)


def test_an_unharmed_result_is_used() -> None:
    """The check refuses nothing that a run writes."""
    assert problem(FACTS) == ""


@pytest.mark.parametrize(
    ("path", "value", "expected"),
    [
        ("cue", ..., "cue: is missing"),
        ("cue.path", 3, "cue.path = 3: expected text, got a whole number"),
        ("sample_rate", 0, "sample_rate = 0: expected a whole number >= 1"),
        ("seed", -1, "seed = -1: expected a whole number >= 0"),
        ("excerpt", [1, 2, 3], "excerpt = .*expected a list of length 2"),
        ("tracks", [], r"tracks = \[\]: expected a list of length >= 1"),
        ("tracks.1.name", "Low strings run", "two have one name"),
        ("tracks.0.name", "../../x", "would leave its folder"),
        ("tracks.0.kind", "wet", "allowed: dry, recorded, direct"),
        ("tracks.0.area", [1, 2], r"tracks\[0\].area = \[1, 2\]: expected a list of length 4"),
        ("mixes.0.file", "../other.wav", "is not the name of this mix"),
        ("mixes.0.file", "mix-02.wav", "is not the name of this mix"),
        ("mixes.1.rank", 1, r"mixes\[1\].rank = 1: expected 2"),
        ("mixes.0.cost", 1e300, r"mixes\[0\].cost = 1e\+300: expected a number <= 1000000000000.0"),
        ("mixes.0.tracks.2.pan", 4, r"tracks\[2\].pan = 4: expected a number <= 1.0"),
        ("mixes.0.tracks.0.seat", None, "is given in one mix only"),
        ("mixes.0.tracks.0.seat", [1], r"seat = \[1\]: expected a list of length 2"),
        ("mixes.0.tracks.0.blend_db", {"roof": 1}, "positions that the track does not have"),
        ("mixes.0.tracks", [], "are not those of the run"),
        ("mixes.0.maskers", [[0.0]], "is no square"),
        ("mixes.0.figures.thirds_db", [1.0], "unlike the reference"),
        ("mixes.0.terms", {}, "terms: are not those of the reference"),
        ("mixes.0.words", "\ud800", "cannot be read .*surrogate"),
        ("search.history", [[1]], r"history\[0\] = \[1\]: expected a list of length 2"),
        ("mixes.0.tracks.0.layer_low_db", [1.0], r"layer_low_db = \[1.0\]: expected a number"),
        ("mixes.0.path.0.audibility", {"Low strings run": 0.1}, "the audibility of every track"),
        ("weights", {"mono": -1}, r"weights\[...\] = .*expected a number >= 0"),
    ],
)
def test_each_damage_is_named(path: str, value: Any, expected: str, tmp_path: Path) -> None:
    """The line begins with the file and names key and value."""
    (tmp_path / "result.json").write_text(json.dumps(changed(path, value)))
    with pytest.raises(FolderError, match=expected) as caught:
        open_run(tmp_path).read_result()
    assert str(caught.value).startswith(str(tmp_path / "result.json"))
    assert "move it away" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[1]", b"3", b"\xff\xfe", b'{"a": NaN}', b"[" * 100_000, b"9" * 5000],
    ids=["empty", "cut", "list", "number", "binary", "NaN", "deep", "digits"],
)  # fmt: skip
def test_what_is_no_result_is_refused(body: bytes, tmp_path: Path) -> None:
    """No JSON, JSON of something else, nesting and numbers that break readers."""
    (tmp_path / "result.json").write_bytes(body)
    with pytest.raises(FolderError, match=r"result.json: (cannot be read|schema = None)") as caught:
        open_run(tmp_path).read_result()
    assert "\n" not in str(caught.value)


@given(seed=st.integers(0, 2**32 - 1), text=st.booleans())
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_result_is_used_whole_or_refused_in_one_line(
    tmp_path: Path, seed: int, text: bool
) -> None:
    """Damaged values and damaged text: page, report, sheets and exports never meet what breaks."""
    rng = random.Random(seed)
    if text:
        body = torn(json.dumps(FACTS).encode(), rng)
    else:
        body = json.dumps(damaged(FACTS, rng)).encode("utf-8", "surrogatepass")
    assert "\n" not in use(tmp_path, body)
