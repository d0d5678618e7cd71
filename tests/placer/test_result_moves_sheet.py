import csv
import io
import json
import re
from html import unescape

import pytest
from msgspec.structs import replace

from placer.cue.records import LOCKS
from placer.errors import FolderError
from placer.result.export.actions import actions_of
from placer.result.export.sheet import printable
from placer.result.facts import changes, mix_of, pairs
from placer.result.model import json_text
from placer.result.moves_sheet import (
    groups_of,
    inside_of,
    measured_of,
    moves_csv,
    moves_markdown,
)
from placer.result.path_words import step_effect
from placer.result.words import depth_words, front_average, front_words, mix_words, move_words
from tests.placer.result_run import as_result, changed, placed_track, run_result


def printed(result, rank):
    """The page for printing of an export without responses."""
    return printable(result, rank, actions_of(result, mix_of(result, rank), []))


def lines_of(settings):
    """Settings as lines."""
    return [one.line for one in settings]


def rows(result, rank):
    return list(csv.DictReader(io.StringIO(moves_csv(result, rank))))


def test_every_track_has_one_row_with_the_numbers_of_the_mix():
    """A row a track; gain, change and pan are those of the mix and of its reference."""
    result = run_result()
    found = {row["track"]: row for row in rows(result, 1)}
    assert set(found) == {track.name for track in result.tracks}
    for _, before, after in pairs(result, mix_of(result, 1)):
        row = found[after.name]
        for when, state in (("from", before), ("to", after)):
            for name, gain in state.blend_db.items():
                assert float(row[f"{name}_{when}_db"]) == gain
            if after.blend_db:
                assert int(row[f"pan_{when}_percent_right"]) == round(100 * state.pan)
                assert float(row[f"c80_{when}_db"]) == pytest.approx(state.c80_db, abs=0.051)
            if after.seat:
                assert float(row[f"seat_right_{when}_m"]) == round(state.seat[0], 2)
                assert float(row[f"seat_back_{when}_m"]) == round(state.seat[1], 2)
            for head, key in (("", "side_db"), ("late_", "room_side_db")):
                side = float(row[f"{head}right_against_left_{when}_db"])
                assert side == pytest.approx(getattr(state, key), abs=0.051)
            assert int(row[f"audible_{when}_percent"]) == round(100 * state.audibility)
        assert row["make_up_to_db"] != "-0.0"
    delayed = found["Low strings run"]
    assert float(delayed["close_to_tree_alignment_from_ms"]) == 0.0
    assert float(delayed["close_to_tree_alignment_to_ms"]) == 12.3
    assert int(delayed["close_to_tree_alignment_to_samples"]) == round(12.34e-3 * 48000)


def test_sheet_csv_and_page_for_printing_have_the_order_and_numbers_of_the_path():
    """One order, the path's: tracks that move together share a number, others have none."""
    result = run_result()
    found = [(row["number"], row["track"]) for row in rows(result, 1)]
    assert found == [
        ("1", "Low strings run"), ("2", "Soft choir"), ("3a", "Low strings bed"),
        ("3b", "Struck metal"), ("", "Horns"), ("", 'Deep swell <fixed> & "done"'),
    ]  # fmt: skip
    assert [row["to_do"] for row in rows(result, 1)][-2:] == ["leave as it is"] * 2
    text = moves_markdown(result, 1)
    assert "needs no other track; its figures assume that those before it are made. Moves" in text
    assert "others may hide in part: what is heard in the end is the audible share." in text
    marks = ("1. **Low strings run**", "2. **Soft choir**", "- **3a Low strings bed**")
    places = [text.index(mark) for mark in (*marks, "- **3b Struck metal**", "## What to set")]
    assert places == sorted(places)
    cells = [line.split("|")[1:3] for line in text.splitlines() if re.match(r"\| \d", line)]
    moved = found[:4]
    assert [tuple(cell.strip() for cell in pair) for pair in cells] == [*moved, *moved]
    assert '\nLeft as they are: Horns, Deep swell \\<fixed\\> & "done".\n' in text
    assert text.endswith(
        "Left out as too small: less than 0.25 m of a seat, 0.5 dB of a position's gain, "
        "1.5 % of pan or width, 0.05 ms of delay.\n"
    )
    paper = unescape(printed(result, 1))
    marks = (
        "Move 1. Low strings run", "Move 2. Soft choir", "Move 3. Low strings bed, Struck metal",
        "<b>3a Low strings bed</b>: Set this", "<b>3b Struck metal</b>: Set this",
        'Left as they are: Horns, Deep swell <fixed> & "done".',
    )  # fmt: skip
    places = [paper.index(mark) for mark in marks]
    assert places == sorted(places)


def test_every_number_of_the_csv_names_its_unit():
    """A head says m, dB, ms, samples, degrees or per cent; all other columns are words."""
    head = next(csv.reader(io.StringIO(moves_csv(run_result(), 1))))
    words = {
        "number", "track", "section", "kind", "to_do", "set_this", "already_in_the_response",
        "measured", "what_it_brings", "hidden_by",
    }  # fmt: skip
    assert words < set(head)
    units = ("_m", "_percent", "_db", "_ms", "_samples", "_deg_right", "_percent_right")
    assert [name for name in head if name not in words and not name.endswith(units)] == []


def test_a_recorded_track_has_one_figure_of_depth():
    """Its direct and its early sound are one figure: C80 alone; a file heard as it is has none."""
    result = run_result()
    found = {row["track"]: row for row in rows(result, 1)}
    choir, run = found["Soft choir"], found["Low strings run"]
    assert (choir["drr_from_db"], choir["drr_to_db"]) == ("", "")
    assert (choir["c80_from_db"], choir["c80_to_db"]) == ("1.0", "3.0")
    assert (run["drr_from_db"], run["drr_to_db"]) == ("2.0", "-0.5")
    assert (run["c80_from_db"], run["c80_to_db"]) == ("4.0", "2.0")
    direct = found['Deep swell <fixed> & "done"']
    assert (direct["drr_to_db"], direct["c80_to_db"], direct["pan_to_percent_right"]) == ("",) * 3
    lines = lines_of(measured_of(result, placed_track(3, 0), placed_track(3, 1)))
    assert "early to late (C80), dB: +1.0 to +3.0" in lines
    assert not any("direct to reverberant" in line for line in lines)


def test_the_table_holds_what_a_hand_sets_and_no_more():
    """A row a setting: what changes, from what to what with its unit, and the make-up with it.

    Of a dry track a response alone; what comes with it is marked.
    """
    lines = moves_markdown(run_result(), 3).splitlines()
    start = lines.index("|  | track | setting | from | to |")
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines[start + 2 :]]
    first = next(i for i, row in enumerate(rows) if row[:2] == ["2", "Soft choir"])
    assert rows[first : first + 5] == [
        ["2", "Soft choir", "gain of close", "0 dB", "+4.5 dB"],
        ["", "", "gain of hall", "-6 dB", "-10.5 dB"],
        ["", "", "pan", "centre", "R 90 %"],
        ["", "", "width", "100 %", "80 %"],
        ["", "", "make-up of the whole track", "0.0 dB", "-2.1 dB"],
    ]
    first = next(i for i, row in enumerate(rows) if row[:2] == ["3", "Low strings run"])
    inside = "in the response: "
    assert rows[first : first + 8] == [
        ["3", "Low strings run", "impulse response", "reference/Low strings run ...",
         "moves/03 Low strings run ..."],
        ["", "", f"{inside}seat", "3 m right, 3.5 m back", "1.5 m left, 2 m back"],
        ["", "", f"{inside}side of the close microphone", "R 27 %", "L 14 %"],
        ["", "", f"{inside}gain of close", "0 dB", "-4.5 dB"],
        ["", "", f"{inside}gain of hall", "-9 dB", "-4.5 dB"],
        ["", "", f"{inside}pan", "R 20 %", "L 70 %"],
        ["", "", f"{inside}make-up of the whole track", "0.0 dB", "+2.1 dB"],
        ["4", "Low strings bed", "impulse response", "reference/Low strings bed ...",
         "moves/04 Low strings bed ..."],
    ]  # fmt: skip


def test_the_sheet_tells_the_sides_of_every_track_that_moves_and_their_limits():
    """Left against right of a layer, and of its late sound, before and after, as measured."""
    result = run_result()
    result = changed(
        result, {"mixes.0.tracks.0.side_db": -9.97, "mixes.0.tracks.0.room_side_db": 4.2}
    )
    mix = mix_of(result, 1)
    text = moves_markdown(result, 1)
    assert "may be louder: 15 dB, in the late sound 9 dB, or as much as in the reference" in text
    row = next(line for line in text.split("## How it is heard")[1].splitlines() if "run" in line)
    before = placed_track(0, 0)
    assert f"{before.side_db:.1f} to L 10.0 |" in row
    assert f"{before.room_side_db:.1f} to R 4.2 |" in row
    told = lines_of(measured_of(result, before, mix.tracks[0]))
    assert "louder side, dB (limit 15): R 2.4 to L 10.0" in told
    assert "louder side of its late sound, dB (limit 9): R 1.2 to R 4.2" in told


def test_the_sheet_says_what_the_first_value_is():
    """Only for the kinds of track that the run has."""
    result = run_result()
    text = moves_markdown(result, 1)
    assert "the blend that the cue file gives; for dry stems" in text
    result = replace(result, tracks=[replace(one, kind="recorded") for one in result.tracks])
    assert "dry stems" not in moves_markdown(result, 1)


def test_the_sheet_says_where_the_master_stands_before_and_after_the_moves():
    """So that who stops between knows that there is next to nothing to set."""
    result = run_result()
    between = "(-5.1 dB in the reference, about between these after some of the moves)"
    for gain, told in ((-5.4, f"-5.4 dB {between}"), (-5.1, "-5.1 dB, as in the reference")):
        first = replace(result.mixes[0], gain_db=gain)
        reference = replace(result.reference, gain_db=-5.1)
        text = moves_markdown(replace(result, mixes=[first], reference=reference), first.rank)
        assert f"gain on the master {told}\n" in text


def test_a_track_that_stays_may_still_need_its_make_up():
    """Other arrays change how loud it is: then the gain stands where it is said to stay."""
    result = run_result()
    gains = (0.62, -0.2, -1.46, 0.0, 0.0, 0.0)
    tracks = [
        replace(track, make_up_db=gain)
        for track, gain in zip(result.reference.tracks, gains, strict=True)
    ]
    result = changed(result, {"mixes.0.tracks": tracks})
    names = [track.name for track in result.tracks]
    for text in (moves_markdown(result, 1).replace("\\", ""), printed(result, 1)):
        told = f"{names[0]} (make-up +0.6 dB), {names[1]}, {names[2]} (make-up -1.5 dB)"
        for part in told.split(", "):
            assert part in text


@pytest.mark.parametrize("step", [0.26, 0.74, 1.26])
def test_headline_and_detail_name_one_distance(step):
    """Metres and milliseconds are rounded once, so that the two lines agree."""
    before = placed_track(0, 0)
    x, y = before.seat
    after = replace(before, seat=(x - step, y), aligned=True, close_delay_ms=10 * step)
    words, lines = move_words(before, after), lines_of(inside_of(before, after, 48000))
    assert f"move {step:.1f} m to the left" in words
    assert lines[0] == f"seat: 3 m right, 3.5 m back to {x - step:g} m right, 3.5 m back"
    assert f"alignment of close to tree {10 * step:.1f} ms" in words
    samples = round(10e-3 * step * 48000)
    assert lines[-1].endswith(f"delay of close: none to {10 * step:.1f} ms = {samples} samples")


def test_a_switched_off_position_is_called_off():
    """No number stands for a position that is not heard."""
    row = next(row for row in rows(run_result(), 2) if row["track"] == "Soft choir")
    assert (row["hall_from_db"], row["hall_to_db"]) == ("-6.0", "off")
    back = move_words(placed_track(3, 2), placed_track(3, 0))
    assert "hall on at -6 dB" in back


def test_gains_are_those_that_the_search_found():
    """A decibel from what the cue gives: nothing is rounded a second time."""
    result = run_result()
    result = changed(result, {
        "reference.tracks.0.blend_db.close": -2.25, "mixes.0.tracks.0.blend_db.close": 0.75
    })  # fmt: skip
    row = next(row for row in rows(result, 1) if row["track"] == "Low strings run")
    assert (row["close_from_db"], row["close_to_db"]) == ("-2.25", "0.75")
    assert "response: gain of close | -2.25 dB | +0.75 dB |" in moves_markdown(result, 1)
    assert "more close (+3 dB)" in row["to_do"]


def test_only_what_changes_is_told_and_each_under_what_it_is():
    """Set by hand, in the response of a dry track, or measured; what stays stands nowhere."""
    result = run_result()
    before, after = placed_track(0, 0), placed_track(0, 1)
    told = {name: lines_of(lines) for name, lines in groups_of(result, before, after, "2b")}
    assert told == {
        "Set this": [
            "impulse response: reference/Low strings run ... to moves/02b Low strings run ...",
        ],
        "Already in the response": [
            "seat: 3 m right, 3.5 m back to 1.5 m right, 3 m back",
            "side of the close microphone: R 27 % to R 14 %", "gain of close: 0 dB to -1.5 dB",
            "gain of hall: -9 dB to -7.5 dB", "pan: R 20 % to L 10 %",
            "alignment of close to tree, delay of close: none to 12.3 ms = 592 samples",
            "make-up of the whole track: 0.0 dB to +0.7 dB",
        ],
        "Measured": [
            "heard at, degrees: R 4 to L 5", "louder side, dB (limit 15): R 2.4 to R 0.4",
            "louder side of its late sound, dB (limit 9): R 1.2 to R 0.2",
            "heard: farther",
            "direct to reverberant, dB: +2.0 to -0.5", "early to late (C80), dB: +4.0 to +2.0",
            "audible: 30 % to 38 %",
        ],
    }  # fmt: skip
    row = next(row for row in rows(result, 1) if row["track"] == "Low strings run")
    for name, column in (
        ("Set this", "set_this"),
        ("Already in the response", "already_in_the_response"),
        ("Measured", "measured"),
    ):
        assert row[column] == "; ".join(told[name]).replace("02b", "01")
    still = next(row for row in rows(result, 1) if row["track"] == "Horns")
    assert (still["set_this"], still["measured"], still["improvement_so_far_percent"]) == ("",) * 3
    recorded = dict(groups_of(result, placed_track(3, 0), placed_track(3, 1), "2"))
    assert list(recorded) == ["Set this", "Measured"]
    assert "pan: centre to R 30 %" in lines_of(recorded["Set this"])


def test_each_step_shows_its_own_gain_next_to_the_gain_so_far():
    """In the sheet and in the CSV; tracks of one step share both."""
    result = run_result()
    said = r"bring (\d+) % of this mix's improvement(?:; with all moves up to here (\d+) %)?"
    told = re.findall(said.replace("bring", "brings?"), moves_markdown(result, 1))
    assert told == [("33", ""), ("34", "67"), ("33", "100")]
    found = [
        (row["part_of_the_improvement_percent"], row["improvement_so_far_percent"])
        for row in rows(result, 1)
    ]
    assert found == [("33", "33"), *told[1:], told[-1], ("", ""), ("", "")]
    effects = [step_effect(result, result.mixes[0], number) for number in (1, 2, 3)]
    assert [row["what_it_brings"] for row in rows(result, 1)] == [*effects, effects[-1], "", ""]


def test_words_say_side_depth_and_blend():
    """A move to the left, nearer, with more close and less hall sound, reads like that."""
    before = placed_track(0, 0)
    after = replace(
        before, seat=(0.0, 2.0), pan=-0.4, lateral_deg=-14.0, drr_db=7.0, c80_db=6.0,
        blend_db={"close": 3.0, "tree": -3.0, "outriggers": -6.0, "hall": -13.0},
    )  # fmt: skip
    words = move_words(before, after)
    assert words == (
        "move 3.0 m to the left, 57 % closer; pan to L 40 %; more close (+3 dB), "
        "less hall (-4 dB) (heard 14 degrees left instead of 4 right, nearer)"
    )
    assert "4 degrees right instead of 14 left, farther" in move_words(after, before)
    assert move_words(before, before) == "leave as it is"


@pytest.mark.parametrize(
    ("dry", "drr_db", "c80_db", "told"),
    [
        (True, 4.0, 1.5, "nearer"),
        (True, -4.0, -0.3, "farther"),
        (True, 1.9, 0.9, ""),
        (True, -2.5, 1.5, "direct to reverberant -2.5 dB, C80 +1.5 dB"),
        (True, 0.5, -1.2, "direct to reverberant +0.5 dB, C80 -1.2 dB"),
        (False, 1.2, 1.2, "nearer"),
        (False, -3.0, 1.2, "nearer"),
    ],
)
def test_nearer_and_farther_are_said_only_where_both_figures_agree(dry, drr_db, c80_db, told):
    """Otherwise what changed; a recorded track has C80 alone to tell depth by."""
    before = placed_track(0 if dry else 3, 0)
    after = replace(before, drr_db=before.drr_db + drr_db, c80_db=before.c80_db + c80_db)
    assert depth_words(before, after) == told


def test_words_of_a_mix_say_who_moves_and_who_is_heard():
    """How many move and which first, the layers that carry the music before and after, no cost."""
    result = run_result()
    words = mix_words(result, result.mixes[2])
    assert words.startswith(
        "4 of 6 tracks move, first Struck metal, Soft choir, Low strings run. "
        "Audible: Low strings run 30 to 34 %; Struck metal 62 to 66 %. "
        "The 2 layers that carry the music: on average 46 to 50 % audible."
    )
    assert "cost" not in words
    assert re.search(r"Nearest to Mix \d, but with .+ (left|right|nearer|farther)", words)
    same = replace(result.mixes[0], tracks=result.reference.tracks)
    assert mix_words(result, same) == "No track differs from the reference."
    twins = replace(result, mixes=(result.mixes[0], replace(result.mixes[0], rank=2)))
    assert mix_words(twins, twins.mixes[1]).endswith("Much like Mix 1.")
    assert "Mix" not in mix_words(twins, twins.mixes[0])


def test_of_many_layers_that_carry_the_music_four_are_named():
    """Those that change most, for better or worse; a point is no change, the rest are counted."""
    result = run_result()
    values = {}
    for index, before in enumerate(result.reference.tracks):
        values[f"tracks.{index}.foreground"] = True
        change = 0.01 * index if index != 1 else -0.2
        values[f"mixes.0.tracks.{index}.audibility"] = before.audibility + change
    result = changed(result, values)
    words = mix_words(result, result.mixes[0])
    assert "Audible: Low strings bed 38 to 18 %; Deep swell <fixed>" in words
    assert "Soft choir 54 to 57 % (and 1 more). The 6 layers that carry the music: on" in words


def test_a_mix_tells_its_part_of_the_best_and_the_moves_of_both():
    """Fewer moves or as many; the best itself is compared with none."""
    result = run_result()
    best = min(result.mixes, key=lambda mix: mix.cost)
    assert "best improvement" not in mix_words(result, best)
    half = (result.reference.cost + best.cost) / 2.0
    for steps, told in (
        (best.steps[:1], "with 1 move instead of 3"),
        (best.steps, "with as many moves, 3"),
    ):
        other = replace(best, rank=9, cost=half, path=steps)
        words = mix_words(replace(result, mixes=(best, other)), other)
        assert f"This mix brings 50 % of the best improvement found, Mix 1's, {told}." in words


def test_one_average_is_told_and_it_is_of_the_layers_that_carry_the_music():
    """Of all where none does; as before where no point is gained."""
    result = run_result()
    mix = result.mixes[0]
    front = [
        one.audibility
        for one, head in zip(mix.tracks, result.tracks, strict=True)
        if head.foreground
    ]
    assert front_average(result, mix) == pytest.approx(sum(front) / len(front))
    none = changed(result, {f"tracks.{index}.foreground": False for index in range(6)})
    every = [one.audibility for one in mix.tracks]
    assert front_average(none, none.mixes[0]) == pytest.approx(sum(every) / len(every))
    assert front_words(none, none.mixes[0]).startswith("All tracks: on average 50 to ")
    assert front_words(result, result.reference) == (
        "The 2 layers that carry the music: on average 46 % audible, as before."
    )


def test_a_mix_that_goes_on_from_another_says_so():
    """Nested and begun alike: how many moves more; else it is told from the nearest."""
    result = run_result()
    first, second = result.mixes[:2]
    longer, turned = (*first.steps, first.steps[0]), (*first.steps[::-1], first.steps[0])
    for nested, path, told in ((True, longer, True), (True, turned, False), (False, longer, False)):
        words = mix_words(result, replace(second, nested=nested, path=path))
        assert words.endswith("Goes on from Mix 1 with 1 move more.") == told
        assert ("Goes on" in words) == told


def test_a_mix_between_two_others_is_told_from_the_nearer_one():
    """Lying in the middle does not make it like both."""
    result = run_result()
    first = result.mixes[0]

    def moved(rank, degrees):
        track = first.tracks[0]
        there = replace(track, lateral_deg=track.lateral_deg + degrees)
        return replace(first, rank=rank, tracks=(there, *first.tracks[1:]))

    three = replace(result, mixes=(moved(1, 20.0), moved(2, -12.0), moved(3, 0.0)))
    name = first.tracks[0].name
    told = f"Nearest to Mix 2, but with {name} more to the right."
    assert mix_words(three, three.mixes[2]).endswith(told)


@pytest.mark.parametrize(
    ("degrees", "depth_db", "told"),
    [
        (-3.9, 0.9, "a little more to the left"),
        (5.0, 2.5, "more to the right and nearer"),
        (-5.0, -1.4, "more to the left and farther"),
    ],
)
def test_small_differences_add_up_and_are_called_small(degrees, depth_db, told):
    """What neither side nor depth alone would make worth words is said to be little."""
    result = run_result()
    first = result.mixes[0]
    track = first.tracks[0]
    there = replace(
        track,
        lateral_deg=track.lateral_deg + degrees,
        drr_db=track.drr_db + depth_db,
        c80_db=track.c80_db + depth_db,
    )
    two = replace(first, rank=2, tracks=(there, *first.tracks[1:]))
    both = replace(result, mixes=(first, two))
    assert mix_words(both, two).endswith(f"but with {track.name} {told}.")


def test_a_missed_target_and_a_broken_limit_are_said():
    """Nothing unmet stays silent."""
    result = run_result()
    missed = {"mixes.0.missed_lu": -1.7, "mixes.0.violations": {"late of the whole": 0.6}}
    result = changed(result, missed)
    text = moves_markdown(result, 1)
    assert "missed by 1.7 LU" in text
    assert "late of the whole by 0.6 dB" in text


def test_a_mix_that_leans_says_so_in_the_sheet():
    """Only that mix: which side, by how much, against which limit."""
    result = run_result()
    assert "it leans" not in moves_markdown(result, 1)
    result = changed(result, {"mixes.0.figures.left_right_db": -2.46})
    text = moves_markdown(result, 1)
    assert "- it leans: levels of the whole file are 2.5 dB louder on the right (limit 1.5" in text
    assert "it leans" not in moves_markdown(result, 2)


def test_names_cannot_become_formulas_or_markup():
    """A track called =1+1 stays text in a spreadsheet; a name cannot open a heading or a tag."""
    name = "=cmd|'x'!A1"
    text = json_text(run_result()).replace("Low strings run", name)
    result = as_result(json.loads(text))
    assert any(row["track"] == "'" + name for row in rows(result, 1))
    assert "<fixed>" not in moves_markdown(result, 1)


def test_an_unknown_rank_is_refused():
    """The message says which ranks there are."""
    with pytest.raises(FolderError, match=r"rank = 9: .*ranks: 1, 2, 3"):
        moves_csv(run_result(), 9)


def test_what_the_cue_holds_is_never_a_move():
    """A lock is no move, even where other arrays change the delay that aligns the track."""
    result = run_result()
    before, after = result.reference.tracks[0], result.mixes[0].tracks[0]
    moved = changes(before, after)
    assert {"seat", "pan", "blend", "delay"} <= set(moved)
    for held in moved:
        free = [one for one in LOCKS if one != held]
        assert set(changes(before, replace(after, free=free))) == set(moved) - {held}
    before = replace(before, free=(), aligned=True, close_delay_ms=11.0, make_up_db=0.0)
    after = replace(before, close_delay_ms=12.34)
    assert changes(before, after) == {}
    result = changed(result, {"reference.tracks.0": before, "mixes.0.tracks.0": after})
    row = next(row for row in rows(result, 1) if row["track"] == "Low strings run")
    assert row["to_do"] == "leave as it is"
    text = moves_markdown(result, 1)
    assert "Low strings run" not in text[: text.index("Left as they are")].split("## ", 1)[1]
    assert (
        "Low strings run (held by the cue, alignment of close to tree 12.3 ms with these arrays)"
        in text
    )


def test_a_small_shift_is_no_work():
    """Less than a fader step, a quarter of a metre or a per cent is left out."""
    before = placed_track(0, 0)
    blend = before.blend_db | {"close": 0.2}
    after = replace(before, pan=before.pan + 0.01, seat=(3.1, 3.6), blend_db=blend)
    assert changes(before, after) == {}
