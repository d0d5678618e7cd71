import csv
import io
import re

import pytest

from placer.cue.records import LOCKS
from placer.errors import FolderError
from placer.result.export.sheet import printable
from placer.result.facts import change_size, changes, mix_of, pairs
from placer.result.moves_sheet import mix_words, move_words, moves_csv, moves_markdown, track_lines
from tests.placer.result_run import result_facts, result_track


def rows(result, rank):
    return list(csv.DictReader(io.StringIO(moves_csv(result, rank))))


def test_every_track_has_one_row_with_the_numbers_of_the_mix():
    """A row a track; gain, change and pan are those of the mix and of its reference."""
    result = result_facts()
    found = {row["track"]: row for row in rows(result, 1)}
    assert set(found) == {track["name"] for track in result["tracks"]}
    for _, before, after in pairs(result, mix_of(result, 1)):
        row = found[after["name"]]
        for name, gain in after["blend_db"].items():
            assert float(row[f"{name}_db"]) == gain
            assert float(row[f"{name}_change_db"]) == gain - before["blend_db"][name]
        if after["blend_db"]:
            assert int(row["pan_percent"]) == round(100 * after["pan"])
        assert float(row["drr_db"]) == pytest.approx(after["drr_db"], abs=0.051)
        assert row["make_up_db"] != "-0.0"
    delayed = found["Low strings run"]
    assert float(delayed["close_delay_ms"]) == 12.34
    assert int(delayed["close_delay_samples"]) == round(12.34e-3 * 48000)


def test_biggest_change_comes_first_and_unchanged_tracks_last():
    """The order is the one a person works in."""
    result = result_facts()
    order = [row["track"] for row in rows(result, 1)]
    sizes = {a["name"]: change_size(b, a) for _, b, a in pairs(result, mix_of(result, 1))}
    assert [sizes[name] for name in order] == sorted(sizes.values(), reverse=True)
    assert [row["to_do"] for row in rows(result, 1)][-2:] == ["leave as it is"] * 2
    text = moves_markdown(result, 1)
    assert text.index("Left as they are") > text.index("Struck metal")
    assert 'Horns, Deep swell \\<fixed\\> & "done".\n' in text
    assert text.endswith(
        "Left out as too small: less than 0.25 m of a seat, 0.25 dB of a position's gain, "
        "1.5 % of pan or width, 0.05 ms of delay.\n"
    )


def test_a_track_that_stays_may_still_need_its_make_up():
    """Other arrays change how loud it is: then the gain stands where it is said to stay."""
    result = result_facts()
    result["mixes"][0]["tracks"] = [dict(track) for track in result["reference"]["tracks"]]
    for track, gain in zip(result["mixes"][0]["tracks"], (0.62, -0.2, -1.46, 0, 0, 0), strict=True):
        track["make_up_db"] = gain
    names = [track["name"] for track in result["tracks"]]
    for text in (moves_markdown(result, 1).replace("\\", ""), printable(result, 1)):
        assert f"{names[0]} (make-up +0.6 dB), {names[1]}, {names[2]} (make-up -1.5 dB)," in text


@pytest.mark.parametrize("step", [0.26, 0.74, 1.26])
def test_headline_and_detail_name_one_distance(step):
    """Metres and milliseconds are rounded once, so that the two lines agree."""
    before = result_track(0, 0)
    x, y = before["seat"]
    after = before | {"seat": [x - step, y], "aligned": True, "close_delay_ms": 10 * step}
    words, lines = move_words(before, after), track_lines(result_facts(), before, after)
    assert f"move {step:.1f} m to the left" in words
    assert f"({step:.1f} m to the left" in lines[0]
    assert f"delay close by {10 * step:.2f} ms" in words
    assert any(f"close position: {10 * step:.2f} ms" in line for line in lines)


def test_a_switched_off_position_is_called_off():
    """No number stands for a position that is not heard."""
    row = next(row for row in rows(result_facts(), 2) if row["track"] == "Soft choir")
    assert (row["hall_db"], row["hall_change_db"]) == ("off", "switch off")
    back = move_words(result_track(3, 2), result_track(3, 0))
    assert "hall on at -6.0 dB" in back


def test_gains_show_what_a_fader_shows():
    """Half decibels, whatever the search found."""
    result = result_facts()
    result["mixes"][0]["tracks"][0]["blend_db"]["close"] = 2.31
    row = next(row for row in rows(result, 1) if row["track"] == "Low strings run")
    assert (row["close_db"], row["close_change_db"]) == ("2.5", "2.5")


def test_lines_name_the_way_a_seat_goes_and_what_stays():
    """Left and right, forward and back in words; a gain that stays is called so."""
    result = result_facts()
    lines = track_lines(result, result_track(0, 0), result_track(0, 1))
    assert lines[0] == "seat: x +1.5 m, y +3.0 m (1.5 m to the left, 0.5 m forward)"
    assert "tree: -3.0 dB (as before)" in lines
    assert "close: -1.5 dB (-1.5 dB against the reference)" in lines
    assert "delay of the close position: 12.34 ms = 592 samples" in lines
    assert "delay of the close position: none (was 12.34 ms)" in track_lines(
        result, result_track(0, 1), result_track(0, 0)
    )


def test_words_say_side_depth_and_blend():
    """A move to the left, nearer, with more close and less hall sound, reads like that."""
    before = result_track(0, 0)
    after = before | {
        "seat": [0.0, 2.0], "pan": -0.4, "lateral_deg": -14.0, "drr_db": 7.0,
        "blend_db": {"close": 3.0, "tree": -3.0, "outriggers": -6.0, "hall": -13.0},
    }  # fmt: skip
    words = move_words(before, after)
    assert words == (
        "move 3.0 m to the left, 57 % closer; pan to L 40 %; more close (+3.0 dB), "
        "less hall (-4.0 dB) (heard 18 degrees further left, nearer)"
    )
    assert "further right, farther" in move_words(after, before)
    assert move_words(before, before) == "leave as it is"


def test_words_of_a_mix_name_its_changes_and_what_sets_it_apart():
    """Against the reference and against the other mixes."""
    result = result_facts()
    words = mix_words(result, result["mixes"][2])
    assert words.startswith("4 of 6 tracks change.")
    assert re.search(r"Nearest to Mix \d, but with .+ (left|right|nearer|farther)", words)
    same = result["mixes"][0] | {"tracks": result["reference"]["tracks"]}
    assert mix_words(result, same) == "No track differs from the reference."
    twins = result | {"mixes": [result["mixes"][0], result["mixes"][0] | {"rank": 2}]}
    assert "Much like Mix 2." in mix_words(twins, twins["mixes"][0])


def test_a_mix_between_two_others_is_told_from_the_nearer_one():
    """Lying in the middle does not make it like both."""
    result = result_facts()
    first = result["mixes"][0]

    def moved(rank, degrees):
        track = first["tracks"][0]
        there = track | {"lateral_deg": track["lateral_deg"] + degrees}
        return first | {"rank": rank, "tracks": [there, *first["tracks"][1:]]}

    three = result | {"mixes": [moved(1, 0.0), moved(2, 20.0), moved(3, -12.0)]}
    name = first["tracks"][0]["name"]
    told = f"Nearest to Mix 3, but with {name} further right."
    assert mix_words(three, three["mixes"][0]).endswith(told)


@pytest.mark.parametrize(
    ("degrees", "drr_db", "told"),
    [
        (-3.9, 1.0, "a little further left"),
        (3.0, -1.9, "a little farther away"),
        (5.0, 2.5, "further right and nearer"),
    ],
)
def test_small_differences_add_up_and_are_called_small(degrees, drr_db, told):
    """What neither side nor depth alone would make worth words is said to be little."""
    result = result_facts()
    first = result["mixes"][0]
    track = first["tracks"][0]
    there = track | {
        "lateral_deg": track["lateral_deg"] + degrees,
        "drr_db": track["drr_db"] + drr_db,
    }
    two = first | {"rank": 2, "tracks": [there, *first["tracks"][1:]]}
    both = result | {"mixes": [first, two]}
    assert mix_words(both, two).endswith(f"but with {track['name']} {told}.")


def test_a_missed_target_and_a_broken_limit_are_said():
    """Nothing unmet stays silent."""
    result = result_facts()
    result["mixes"][0] |= {"missed_lu": -1.7, "violations": {"late of the whole": 0.6}}
    text = moves_markdown(result, 1)
    assert "missed by 1.7 LU" in text
    assert "late of the whole by 0.6 dB" in text


def test_names_cannot_become_formulas_or_markup():
    """A track called =1+1 stays text in a spreadsheet; a name cannot open a heading or a tag."""
    result = result_facts()
    name = "=cmd|'x'!A1"
    for mix in (result["reference"], *result["mixes"]):
        mix["tracks"][0]["name"] = name
    result["tracks"][0]["name"] = name
    assert any(row["track"] == "'" + name for row in rows(result, 1))
    assert "<fixed>" not in moves_markdown(result, 1)


def test_an_unknown_rank_is_refused():
    """The message says which ranks there are."""
    with pytest.raises(FolderError, match=r"rank = 9: .*ranks: 1, 2, 3"):
        moves_csv(result_facts(), 9)


def test_the_pan_that_is_set_stands_beside_the_side_that_is_heard():
    """One line tells both, so that no one looks for a layer where it is not heard."""
    before = result_track(0, 0)
    after = before | {"pan": 0.35, "lateral_deg": -0.2}
    before = before | {"pan": 0.0, "lateral_deg": -11.6}
    assert (
        "pan: R 35 % (was centre); heard in the middle (was 12 degrees to the left)"
        in track_lines(result_facts(), before, after)
    )


def test_what_the_cue_holds_is_never_a_move():
    """A lock is no move, even where other arrays change the delay that aligns the track."""
    result = result_facts()
    before, after = result["reference"]["tracks"][0], result["mixes"][0]["tracks"][0]
    moved = changes(before, after)
    assert {"seat", "pan", "blend", "delay"} <= set(moved)
    for held in moved:
        free = [one for one in LOCKS if one != held]
        assert set(changes(before, {**after, "free": free})) == set(moved) - {held}
    for entry, delay in ((before, 11.0), (after, 12.34)):
        entry.update(free=[], aligned=True, close_delay_ms=delay, make_up_db=0.0)
    for key in ("seat", "pan", "width", "blend_db"):
        after[key] = before[key]
    assert changes(before, after) == {}
    row = next(row for row in rows(result, 1) if row["track"] == "Low strings run")
    assert row["to_do"] == "leave as it is"
    text = moves_markdown(result, 1)
    assert "Low strings run" not in text[: text.index("Left as they are")].split("## ", 1)[1]
    assert "Low strings run (held by the cue, aligned by 12.34 ms with these arrays)" in text


def test_a_small_shift_is_no_work():
    """Less than a fader step, a quarter of a metre or a per cent is left out."""
    before = result_track(0, 0)
    after = before | {"pan": before["pan"] + 0.01, "seat": [3.1, 3.6]}
    after["blend_db"] = before["blend_db"] | {"close": 0.2}
    assert changes(before, after) == {}
