import itertools
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from msgspec.structs import replace

from placer.result.charts import HIDERS, depth_and_side, hiding, spectrum, thirds_with_energy
from placer.result.facts import changes, mix_of
from placer.result.figures import figures, legend
from placer.result.labels import BOLD, Labels, text_width, touching
from placer.result.plan import plan_view
from placer.result.svg import WIDTH, Scale, tag, ticks
from tests.placer.pictured import TWELVE, twelve_tracks
from tests.placer.result_run import changed, run_result

SVG = "{http://www.w3.org/2000/svg}"
SIZES = {"tick": 11.0, "axis": 11.0, "place": 11.0}


def drawn(svg):
    return ElementTree.fromstring(svg)


def of_class(picture, name):
    return [element for element in picture.iter() if element.get("class") == name]


def text_boxes(picture):
    """(text, box) of all that is written, as wide as it may get."""
    found = []
    for one in picture.iter(SVG + "text"):
        if not one.text:
            continue
        size = SIZES.get(one.get("class"), 12.0)
        bold = BOLD if "moved" in (one.get("class") or "") else 1.0
        width, x, y = bold * text_width(one.text, size), float(one.get("x")), float(one.get("y"))
        left = x - {"middle": width / 2, "end": width}.get(one.get("text-anchor"), 0.0)
        found.append((one.text, (left, y - 0.8 * size, left + width, y + 0.2 * size)))
    return found


@pytest.mark.parametrize("rank", [0, 1, 2, 3])
def test_every_picture_is_xml_with_a_name_and_a_description(rank):
    """An outside parser reads it; its caption is its name, which a screen reader finds."""
    result = run_result()
    found = figures(result, mix_of(result, rank))
    assert len(found) == 4
    for caption, svg in found.items():
        picture = drawn(svg)
        ids = picture.get("aria-labelledby").split()
        texts = {e.get("id"): e.text for e in picture if e.tag in (SVG + "title", SVG + "desc")}
        assert list(texts) == ids
        assert all(texts.values())
        assert texts[ids[0]] == caption
        assert picture.get("role") == "img"


def test_captions_say_what_to_see():
    """Who goes where, who comes nearer, who is freed, what the lows do."""
    result = twelve_tracks(moved=3)
    names = [name for name, *_ in TWELVE]
    by = f"maskers.{names.index('horns')}.{names.index('choir')}"
    lows = list(result.reference.figures.thirds_db)
    lows[4] += 0.7
    lows[20] -= 1.4
    result = changed(result, {"mixes.0.maskers": result.reference.maskers})
    result = changed(result, {
        f"mixes.0.{by}": 0.1, f"reference.{by}": 0.5, "mixes.0.figures.thirds_db": lows
    })  # fmt: skip
    assert list(figures(result, result.mixes[0])) == [
        "Depth and side: heard nearer: woodwinds and drum",
        "Plan: no seat changes; heard more to the right: woodwinds",
        "Who hides what carries the music: horns less hidden by choir (50 to 10 %)",
        "Level in thirds of an octave: lows within 0.7 dB of the reference; the most is -1.4 dB "
        "at 2.5 kHz",
    ]


@pytest.mark.parametrize(("moved", "copies"), [(0, 1), (3, 1), (12, 1), (12, 5)])
def test_no_text_lies_on_another(moved, copies):
    """Of twelve tracks, of which few or all move, and of sixty: every name has its own place."""
    result = twelve_tracks(moved, copies)
    for caption, svg in figures(result, result.mixes[0]).items():
        boxes = text_boxes(drawn(svg))
        assert len(boxes) > 8
        for (one, a), (other, b) in itertools.combinations(boxes, 2):
            assert not touching(a, b), f"{one} lies on {other} in {caption}"
        assert all(a[0] >= 0.0 and a[2] <= WIDTH for _, a in boxes), caption


def test_twelve_tracks_are_all_named_and_more_are_counted():
    """Names where there is room; where there is none, the description says how many."""
    result = twelve_tracks(moved=12)
    for draw in (plan_view, depth_and_side):
        written = {one.text for one in drawn(draw(result, result.mixes[0])).iter(SVG + "text")}
        numbered = {f"{number} {name}" for number, name in legend(result, result.mixes[0])}
        assert numbered <= written
    sixty = twelve_tracks(moved=6, copies=5)
    assert re.search(r"\d+ names had no room", depth_and_side(sixty, sixty.mixes[0]))


def test_a_name_without_room_is_counted_and_not_written_over_another():
    """A frame for one name holds one."""
    labels = Labels((0.0, 0.0, 60.0, 16.0))
    assert labels.name("horns", (2.0, 8.0), 1.0, class_="name")
    assert labels.name("horns", (2.0, 8.0), 1.0, class_="name") == ""
    assert labels.left_out == 1


def test_the_plan_is_to_scale_and_shows_the_used_part_only():
    """A metre is equally long both ways, seats lie where the result says, the hall is cut."""
    result = run_result()
    mix = mix_of(result, 1)
    picture = drawn(plan_view(result, mix))
    spots = {}
    for group in picture.iter(SVG + "g"):
        name = group.find(SVG + "title")
        found = name is not None and re.search(r": x ([+-][\d.]+) m, y ([+-][\d.]+) m", name.text)
        if found:
            dot = [c for c in group if c.get("class") in ("after", "still")][-1]
            place = float(dot.get("cx")), float(dot.get("cy"))
            spots[float(found[1]), float(found[2])] = place
    (one, a), (two, b) = sorted(spots.items())[:: len(spots) - 1][:2]
    across = (b[0] - a[0]) / (two[0] - one[0])
    assert (a[1] - b[1]) / (two[1] - one[1]) == pytest.approx(across, rel=0.02)
    assert across > 330.0 / 22.0  # more than the whole width of the room would give
    assert len(of_class(picture, "after")) == 2
    assert len(of_class(picture, "still")) == 1
    assert len(of_class(picture, "microphone")) == 7
    words = [one.text for one in of_class(picture, "place")]
    assert {"tree", "outrigger", "hall, 9 m from the conductor"} <= set(words)


def test_the_plan_has_the_arrays_of_the_mix():
    """An array that the search has moved is drawn where the mix has it."""
    result = run_result()
    shared = {"hall_distance": 12.0, "tree_spacing": 3.0, "outrigger_spacing": 14.0}
    mix = replace(mix_of(result, 1), shared=shared)
    svg = plan_view(result, mix)
    at = {
        e.find(SVG + "title").text.removeprefix("microphone: "): float(e.get("x"))
        for e in of_class(drawn(svg), "microphone")
    }
    tree = at["tree, right"] - at["tree, left"]
    out = at["outrigger, right"] - at["outrigger, left"]
    assert out / tree == pytest.approx(14.0 / 3.0, rel=1e-3)
    assert "hall, 12 m from the conductor" in svg


def test_nearer_is_larger_and_a_stroke_points_to_the_side():
    """In the plan: size by depth, stroke by the side that is heard, hollow before, solid after."""
    result = twelve_tracks(moved=1)
    mix = result.mixes[0]
    picture = drawn(plan_view(result, mix))
    marks = {
        re.match(r"(?:\d+ )?(\w+): ", g.find(SVG + "title").text)[1]: g
        for g in picture.iter(SVG + "g")
        if g.find(SVG + "title") is not None and "heard at" in g.find(SVG + "title").text
    }

    def radius(name):
        return float(next(e for e in marks[name] if e.get("class") in ("still", "after")).get("r"))

    drr = {track.name: track.drr_db for track in mix.tracks}
    order = sorted(drr, key=drr.get)
    sizes = [radius(name) for name in order]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[-1]
    strokes = {e.get("class"): e for e in marks["woodwinds"] if e.tag == SVG + "line"}
    long = {k: float(e.get("x2")) - float(e.get("x1")) for k, e in strokes.items()}
    assert long["stroke-after"] / long["stroke-before"] == pytest.approx(11.9 / -0.4, rel=0.05)


def test_near_is_below_and_left_is_left():
    """Depth against side: drier is lower, negative degrees are more to the left."""
    result = run_result()
    mix = mix_of(result, 1)
    dots = {}
    for g in drawn(depth_and_side(result, mix)).iter(SVG + "g"):
        name = re.match(r"(?:\d+[a-z]* )?(.+?): ", g.find(SVG + "title").text)[1]
        dots[name] = [e for e in g if e.get("class") in ("after", "still")][0]
    tracks = sorted(mix.tracks, key=lambda track: track.lateral_deg)
    across = [float(dots[track.name].get("cx")) for track in tracks]
    assert across == sorted(across)
    tracks = sorted(mix.tracks, key=lambda track: track.drr_db)
    down = [float(dots[track.name].get("cy")) for track in tracks]
    assert down == sorted(down)


def test_depth_is_called_what_is_known_of_the_tracks():
    """A recorded track has one figure of depth, early against late; no second name for it."""
    result = run_result()
    mix = mix_of(result, 1)
    assert "direct to reverberant sound, dB; recorded tracks: early to late" in depth_and_side(
        result, mix
    )
    result = replace(result, tracks=[replace(one, kind="recorded") for one in result.tracks])
    assert ">early to late sound (C80), dB<" in depth_and_side(result, mix)
    assert "direct" not in depth_and_side(result, mix)


def test_bars_of_hiding_are_as_long_as_the_shares():
    """Those that hide most of each foreground layer, before and after, on one scale."""
    result = twelve_tracks(moved=3)
    mix = result.mixes[0]
    picture = drawn(hiding(result, mix))
    names = [track.name for track in result.tracks]
    pairs = []
    for group in picture.iter(SVG + "g"):
        found = re.match(
            r"(.+) is hidden by (.+): (\d+) % in the reference, (\d+) % here",
            group.find(SVG + "title").text,
        )
        row = names.index(found[1])
        column = row if found[2] == "its own room" else names.index(found[2])
        shares = result.reference.maskers[row][column], mix.maskers[row][column]
        bars = [float(e.get("width")) for kind in ("hid", "hides") for e in of_class(group, kind)]
        pairs += zip(shares, bars, strict=True)
        assert (int(found[3]), int(found[4])) == tuple(round(100 * one) for one in shares)
    front = [track.name for track in result.tracks if track.foreground]
    assert len(pairs) == 2 * HIDERS * len(front)
    shares, bars = np.array(pairs).T
    assert bars / bars.max() == pytest.approx(shares / shares.max(), abs=0.01)
    order = [one.text.split(":")[0] for one in of_class(picture, "name moved")]
    numbers = {name: number for number, name in legend(result, mix)}
    assert set(numbers) == {track.name for track in mix.tracks if track.pan}  # those that move
    told = [f"{numbers[one]} {one}" for one in numbers if one in front]
    told += [one for one in names if one in front and one not in numbers]
    assert order == told


def test_the_spectrum_is_drawn_where_there_is_energy():
    """Thirds far below the loudest are left out; the description has the largest difference."""
    result = run_result()
    levels = [-90.0] * 3 + [-20.0] * 20 + [-95.0] * 6
    after = list(levels)
    after[7] -= 4.2
    after[1] += 9.0
    result = changed(result, {
        "reference.figures.thirds_db": levels, "mixes.0.figures.thirds_db": after
    })  # fmt: skip
    mix = mix_of(result, 1)
    assert thirds_with_energy(result, mix) == list(range(3, 23))
    svg = spectrum(result, mix)
    assert "largest difference is -4.2 dB" in svg
    assert len(of_class(drawn(svg), "bar")) == 20


def test_pictures_stand_a_lone_track_and_a_silent_band():
    """One recorded track, nothing moved, a band without any sound."""
    result = run_result(mixes=1)
    values = {"tracks": result.tracks[3:4], "mixes.0.path": []}
    for where, mix in (("reference", result.reference), ("mixes.0", result.mixes[0])):
        values[f"{where}.tracks"], values[f"{where}.maskers"] = mix.tracks[3:4], [[0.0]]
        values[f"{where}.figures.thirds_db.0"] = -200.0
    result = changed(result, values)
    found = figures(result, mix_of(result, 1))
    assert not any(caption.startswith("Plan") for caption in found)
    for svg in found.values():
        drawn(svg)
        assert "nan" not in svg


@pytest.mark.parametrize("rank", [0, 1, 2])
def test_numbers_in_pictures_are_those_of_the_path(rank):
    """A track that moves has its number before its name in every picture; others have none."""
    result = run_result()
    mix = mix_of(result, rank)
    names = legend(result, mix)
    before = {track.name: track for track in result.reference.tracks}
    moves = {t.name for t in mix.tracks if changes(before[t.name], t)}
    for svg in (plan_view(result, mix), depth_and_side(result, mix)):
        told = [e.text for e in drawn(svg).iter(SVG + "title")][1:]
        for number, name in names:
            about = [one for one in told if f"{name}: " in one]
            assert all(one.startswith(f"{number} ") == (name in moves) for one in about)
        assert any(name in one for one in told for name in moves or ["Horns"])


def test_ticks_are_round_and_inside():
    """Steps of 1, 2 or 5 times a power of ten."""
    for low, high in ((0.0, 1.0), (-40.0, 3.0), (0.912, 1.008), (0.0, 28800.0)):
        found = ticks(low, high)
        assert 3 <= len(found) <= 12
        assert low - 1e-9 <= found[0]
        assert found[-1] <= high + 1e-9
    assert tag("text", "x", class_='a"b') == '<text class="a&quot;b">x</text>'
    assert Scale(0.0, 1.0, 10.0, 0.0)(2.0) == 0.0
