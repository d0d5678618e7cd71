"""Answers to the moves of a run: what is kept is held, what is refused does not come again."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import asdict, replace

from placer.cue.read import read_cue
from placer.cue.records import OFF_DB, Placement
from placer.errors import CueError
from placer.pipeline import SearchOrder, default_folder, search
from placer.progress import Quiet
from placer.result.answered import read_answers, set_aside, write_answers
from placer.result.folder import open_run
from placer.run.kept_moves import Answers, answered_hash, is_refused
from tests.placer.small_cue import SmallRun


def moved_names(run: SmallRun) -> list[str]:
    """Tracks that mix 1 of a run moves, in the order of its path."""
    mix = open_run(run.folder).read_result().mixes[0]
    return mix.moved


def write(folder: Path, text: str) -> None:
    """Put answers into a run folder."""
    (folder / "answers.toml").write_text(text, encoding="utf-8")


def test_kept_moves_are_held_and_refused_ones_do_not_come_again(
    copied: SmallRun, quick: None
) -> None:
    """Every mix of the next search holds what is kept; none is as good as what was refused."""
    name = moved_names(copied)[0]
    before = open_run(copied.folder).read_result()
    cue = read_cue(copied.cue)
    track = next(one for one in cue.tracks if one.name == name)
    placed = {row.name: row for row in before.mixes[0].tracks}
    write_answers(copied.folder, before, {"mix": 1, "kept": [name], "refused": []})  # by the page
    end = search(SearchOrder(cue=copied.cue, trials=1, earlier=copied.folder), Quiet())
    key = answered_hash(before.cue.hash, read_answers(copied.folder, cue))
    assert end.folder == default_folder(copied.cue, copied.folder, key)
    assert end.folder != copied.folder
    after = open_run(end.folder).read_result()
    assert after.mixes
    for mix in after.mixes:
        row = next(one for one in mix.tracks if one.name == name)
        for key in ("seat", "blend_db", "pan", "width", "aligned"):
            assert getattr(row, key) == getattr(placed[name], key)
        assert mix.steps[0].tracks == (name,)
    write(copied.folder, f'mix = 1\nrefused = ["{name}"]\n')
    end = search(SearchOrder(cue=copied.cue, trials=1, earlier=copied.folder), Quiet())
    answers = read_answers(copied.folder, cue)
    from placer.run.plain import placements_from

    for mix in open_run(end.folder).read_result().mixes:
        found = placements_from(cue.tracks, [asdict(row) for row in mix.tracks])[
            cue.tracks.index(track)
        ]
        assert found == track.start or not is_refused(answers, track, found)


def test_answers_add_up_from_run_to_run(copied: SmallRun, quick: None) -> None:
    """What was refused two searches ago is still refused; a later word on a track counts."""
    cue = read_cue(copied.cue)
    name = moved_names(copied)[0]
    write(copied.folder, f'mix = 1\nrefused = ["{name}"]\n')
    first = read_answers(copied.folder, cue)
    end = search(SearchOrder(cue=copied.cue, trials=1, earlier=copied.folder), Quiet())
    result = open_run(end.folder).read_result()
    assert [one.name for one in result.refused] == [name]
    assert f"refused, not proposed again: {name}" in result.notes
    last = result.mixes[-1]
    other = next(one for one in last.moved if one != name)
    write(end.folder, f'mix = {last.rank}\nkept = ["{other}"]\n')
    both = read_answers(end.folder, cue)
    assert both.refused == first.refused
    assert list(both.kept) == [other]
    if name in last.moved:  # moved again, elsewhere: that may be kept
        write(end.folder, f'mix = {last.rank}\nkept = ["{name}"]\n')
        assert read_answers(end.folder, cue).refused == {}


def test_the_later_word_on_a_track_counts(small_cue: Path) -> None:
    """Refused after kept: no longer held; refused twice: both are left out."""
    track = read_cue(small_cue).tracks[0]
    there, elsewhere = track.start, Placement(None, track.start.blend_db, pan=0.5)
    kept, refused = Answers(kept={"a": there, "b": there}), Answers(refused={"a": (there,)})
    assert refused.after(kept) == Answers(kept={"b": there}, refused={"a": (there,)})
    again = Answers(refused={"a": (elsewhere,)}).after(refused)
    assert again.refused == {"a": (there, elsewhere)}
    assert kept.after(refused) == kept


def test_answers_to_mixes_that_are_no_more_are_set_aside(copied: SmallRun) -> None:
    """They would hold placements that nobody has heard."""
    result = open_run(copied.folder).read_result()
    write(copied.folder, f'mix = 1\nkept = ["{moved_names(copied)[0]}"]\n')
    assert set_aside(copied.folder, result, result) == []
    fewer = replace(result, mixes=result.mixes[1:])
    (line,) = set_aside(copied.folder, result, fewer)
    assert "answers-earlier.toml" in line
    assert not (copied.folder / "answers.toml").exists()
    assert (copied.folder / "answers-earlier.toml").read_text().startswith("mix = 1")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('kept = ["nobody"]', r"answers\.toml: kept = \['nobody'\]: 'nobody' is no track"),
        ("mix = 99\nkept = []", r"mix = 99: is out of range"),
        ("", r"kept: and refused name no track; name a move"),
        ('kept = ["{name}"]\nrefused = ["{name}"]', r"keep one of them"),
        ('keep = ["{name}"]', r"keep: is no key of this table; did you mean kept"),
    ],
)
def test_answers_that_cannot_be_meant(copied: SmallRun, text: str, message: str) -> None:
    """One line names the file, the key, what is wrong and what to do."""
    write(copied.folder, text.replace("{name}", moved_names(copied)[0]))
    with pytest.raises(CueError, match=message):
        read_answers(copied.folder, read_cue(copied.cue))


def test_answers_of_another_cue_are_refused(copied: SmallRun) -> None:
    """A run of other tracks says nothing of these."""
    cue = read_cue(copied.cue)
    write(copied.folder, f'kept = ["{moved_names(copied)[0]}"]')
    other = type(cue)(**{**{f: getattr(cue, f) for f in cue.__slots__}, "tracks": cue.tracks[1:]})
    with pytest.raises(CueError, match="holds answers of another cue"):
        read_answers(copied.folder, other)


def test_answers_make_a_study_of_their_own(small_cue: Path) -> None:
    """The same answers make the same search, other answers another, none the cue's own."""
    track = read_cue(small_cue).tracks[0]
    answers = Answers(kept={track.name: track.start})
    assert answered_hash("abc", Answers()) == "abc"
    assert answered_hash("abc", answers) == answered_hash("abc", answers) != "abc"
    assert answered_hash("abc", answers) != answered_hash(
        "abc", Answers(refused={track.name: (track.start,)})
    )


def test_how_near_to_a_refused_move_is_too_near(small_cue: Path) -> None:
    """3 dB of every position that counts, 0.15 of pan, 1 m of seat; never the reference."""
    track = next(one for one in read_cue(small_cue).tracks if one.start.seat is not None)
    seat = track.start.seat or (0.0, 0.0)
    assert len(track.positions) >= 2

    def moved(close: float, pan: float, step: float, others: float = 0.0) -> Placement:
        blend = (close, *[others] * (len(track.positions) - 1))
        return Placement((seat[0] + step, seat[1]), blend, pan=track.start.pan + pan)

    answers = Answers(refused={track.name: (moved(-9.0, 0.0, 0.0), moved(6.0, 0.5, 2.0))})
    assert is_refused(answers, track, moved(6.0, 0.5, 2.0))
    assert is_refused(answers, track, moved(8.9, 0.4, 1.1))
    assert is_refused(answers, track, moved(0.0, 0.5, 2.0, others=-6.0))  # one fader for all
    assert not is_refused(answers, track, moved(9.1, 0.5, 2.0))
    assert not is_refused(answers, track, moved(6.0, 0.34, 2.0))
    assert not is_refused(answers, track, moved(6.0, 0.5, 3.1))
    assert is_refused(answers, track, moved(-9.0, 0.0, 0.0))
    assert is_refused(answers, track, moved(-11.9, 0.0, 0.0))
    near_start = Answers(refused={track.name: (track.start,)})
    assert not is_refused(near_start, track, track.start)
    quiet = Answers(refused={track.name: (moved(-16.0, 0.5, 0.0),)})
    assert is_refused(quiet, track, moved(OFF_DB, 0.5, 0.0))  # neither is heard
