"""What units may try: a bus takes one change together, and what is put back is put back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placer.cue.read import read_cue
from placer.cue.records import LOCKS, OFF_DB, Cue, Placement, Track, TrackLimits
from placer.placement.options import Place, TrackSteps, followed, settings_of
from placer.run.unit_options import (
    UnitOptions,
    seats_around,
    units_of,
)
from sim.room import Room

POSITIONS = ("close", "tree", "hall")


def track(name: str, seat: tuple[float, float] | None = (0.0, 3.0), **other: object) -> Track:
    """A free track of three positions."""
    values: dict[str, object] = {
        "kind": "dry" if seat else "recorded", "positions": POSITIONS, "bus": "low strings",
        "start": Placement(seat, (-12.0, 0.0, -6.0), pan=0.0), **other,
    }  # fmt: skip
    return Track(
        name=name, files=(), section="celli", role="bed",
        limits=TrackLimits((-6.0, 6.0, 1.0, 8.0)), **values,  # type: ignore[arg-type]
    )  # fmt: skip


FIRST = track("celli")
SECOND = track(
    "basses", (2.0, 4.0), positions=("tree", "close"),
    start=Placement((2.0, 4.0), (-2.0, -9.0), pan=0.2, width=0.8),
)  # fmt: skip


def steps_from(track: Track) -> list[Place]:
    """The same places of any track, counted from its start."""
    seat = track.start.seat
    steps = ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
    seats = [None if seat is None else (seat[0] + dx, seat[1] + dy) for dx, dy in steps]
    return [(one, aligned) for one in dict.fromkeys(seats) for aligned in (False, True)]


def unit(*tracks: Track, movable: bool = True, trim_db: float = 0.0) -> UnitOptions:
    return UnitOptions(
        [TrackSteps(one) for one in tracks],
        [steps_from(one) for one in tracks],
        movable=movable,
        trim_db=trim_db,
    )


def following(placement: Placement, lead: Track, track: Track) -> Placement:
    """What a track takes when the one that leads it takes a placement."""
    one = settings_of([placement])
    (found,) = followed(TrackSteps(lead), one, TrackSteps(track), steps_from(track))
    return found


def test_a_bus_moves_alike() -> None:
    """The same dB by position name, the same turn, the same step of the seat, of every track."""
    options = unit(FIRST, SECOND)
    rng = np.random.default_rng(1)
    found = [*options.spread(40, rng), *options.around(options.start, 80, rng)]
    assert found[0] == options.start == (FIRST.start, SECOND.start)
    turned = gains = seated = 0
    for first, second in found:
        if 0.0 < abs(first.pan) <= 0.8:  # beyond, the second comes to its limit
            assert second.pan - SECOND.start.pan == pytest.approx(first.pan, abs=1e-6)
            turned += 1
        for name in ("close", "tree"):
            one = first.blend_db[POSITIONS.index(name)]
            other = second.blend_db[SECOND.positions.index(name)]
            by = one - FIRST.start.blend_db[POSITIONS.index(name)]
            wanted = SECOND.start.blend_db[SECOND.positions.index(name)] + by
            if one <= OFF_DB:
                assert other <= OFF_DB or second.blend_db == SECOND.start.blend_db
            elif by and -24.0 <= wanted <= 6.0:
                assert other == pytest.approx(wanted, abs=1e-6)
                gains += 1
        assert first.seat is not None
        assert second.seat is not None
        assert np.subtract(first.seat, (0.0, 3.0)) == pytest.approx(
            np.subtract(second.seat, (2.0, 4.0)), abs=1e-6
        )
        seated += first.seat != FIRST.start.seat
        assert first.aligned == second.aligned
    assert min(turned, gains, seated) > 10


def test_what_a_track_cannot_do_is_left_out() -> None:
    """A locked or a recorded track of a bus takes the rest of the change."""
    locked = replace(SECOND, locks=frozenset({"pan", "seat"}))
    one = Placement((1.0, 3.0), (-8.0, 0.0, OFF_DB), pan=0.3, width=0.7, aligned=True)
    found = following(one, FIRST, locked)
    assert found == Placement((2.0, 4.0), (-2.0, -5.0), pan=0.2, width=0.5, aligned=True)
    recorded = track("horns", None, positions=("close", "hall"), start=Placement(None, (0.0, -3.0)))
    found = following(one, FIRST, recorded)
    assert found == Placement(None, (4.0, OFF_DB), pan=0.3, width=0.7, aligned=True)


@pytest.mark.parametrize("one", [FIRST, SECOND, track("horns", None)])
def test_a_change_is_made_and_told_again(one: Track) -> None:
    """What a placement changes, made from the start, is the placement."""
    options = unit(one)
    placements = [found for (found,) in options.spread(60, np.random.default_rng(3))]
    assert len(placements) > 20
    for placement in placements:
        assert following(placement, one, one) == placement


@pytest.mark.parametrize("locked", [0, 1])
def test_a_locked_track_does_not_hold_its_bus(locked: int) -> None:
    """Whichever track stays where it is, the others of its bus still move."""
    tracks = [FIRST, SECOND]
    tracks[locked] = replace(tracks[locked], locks=frozenset(LOCKS))
    options = unit(*tracks)
    found = options.around(options.start, 60, np.random.default_rng(2))
    assert len(found) > 10
    assert {option[locked] for option in found} == {tracks[locked].start}
    simpler = options.simpler(found[-1])
    assert {option[locked] for option in simpler} == {tracks[locked].start}


def test_changes_are_put_together_in_pairs() -> None:
    """Each chosen change of one setting stands together with every change of another, once."""
    options = unit(FIRST)
    centre = (replace(FIRST.start, pan=0.2),)
    single = options.singles(centre)
    assert single[0] == centre
    assert all(differing(one[0], centre[0]) == 1 for one in [*single][1:] if one != options.start)
    nearer = (replace(centre[0], blend_db=(-9.0, 0.0, -6.0)),)
    row = single.find(nearer)
    assert row is not None
    pairs = list(options.pairs(centre, single.take(np.array([row]))))
    assert pairs[0] == centre
    assert len(set(pairs)) == len(pairs)
    assert {one[0].blend_db[0] for one in pairs[1:]} == {-9.0}
    wider = [one[0] for one in single if one[0].width != centre[0].width]
    for one in wider:
        assert (replace(nearer[0], width=one.width),) in pairs
    assert {one[0].seat for one in pairs} == {one[0].seat for one in single}


def differing(one: Placement, other: Placement) -> int:
    """How many settings of two placements differ."""
    gains = sum(a != b for a, b in zip(one.blend_db, other.blend_db, strict=True))
    place = (one.seat, one.aligned) != (other.seat, other.aligned)
    return gains + (one.pan != other.pan) + (one.width != other.width) + place


def test_a_bus_goes_only_where_all_have_been_measured() -> None:
    """A seat that was measured of one track only is not offered."""
    known = [steps_from(FIRST), steps_from(SECOND)[:4]]
    options = UnitOptions(
        [TrackSteps(FIRST), TrackSteps(SECOND)],
        known,
        movable=True,
        trim_db=0.0,
    )
    found = options.spread(80, np.random.default_rng(4))
    assert {first.seat for first, _ in found} == {(0.0, 3.0), (1.0, 3.0)}
    assert len(found) > 10


def test_what_may_not_move_has_one_option() -> None:
    """Fixed or silent: the reference, and nothing else."""
    options, rng = unit(FIRST, movable=False), np.random.default_rng(0)
    for found in (options.spread(50, rng), options.around((SECOND.start,), 50, rng)):
        assert list(found) == [(FIRST.start,)]
    assert list(options.simpler((SECOND.start,))) == [(FIRST.start,)]


@pytest.mark.parametrize("tracks", [(FIRST,), (FIRST, SECOND)])
def test_simpler_puts_settings_back(tracks: tuple[Track, ...]) -> None:
    """Each of the settings back at the reference, one at a time; nothing else is changed."""
    options = unit(*tracks, trim_db=2.0)
    first = Placement((1.0, 3.0), (-9.0, 0.0, -6.0), pan=0.3, width=0.7, trim_db=2.0)
    centre = tuple(following(first, FIRST, one) for one in tracks)
    found = list(options.simpler(centre))
    assert found[:2] == [options.start, centre]
    # the reference, the centre; close, pan, width, seat and trim back
    assert len(found) == 2 + 5
    names = ("blend_db", "pan", "width", "seat", "trim_db")
    for option in found:
        for one, there, track in zip(option, centre, tracks, strict=True):
            for name in names:
                value = getattr(one, name)
                assert value == pytest.approx(getattr(there, name)) or value == pytest.approx(
                    getattr(track.start, name)
                )


def cue_of(small_cue: Path, *settings: dict[str, object]) -> Cue:
    """The small cue with other settings of its first tracks."""
    cue = read_cue(small_cue)
    tracks = list(cue.tracks)
    for index, values in enumerate(settings):
        tracks[index] = replace(tracks[index], **values)  # type: ignore[arg-type]
    return replace(cue, tracks=tuple(tracks))


def test_buses_and_groups_are_units(small_cue: Path) -> None:
    """A bus is one unit, a group without a bus too; a bus wins; fixed tracks stay alone."""
    assert units_of(read_cue(small_cue)).members == ((0,), (1,), (2,), (3,))
    bus: dict[str, object] = {"bus": "a"}
    group: dict[str, object] = {"group": "g"}
    assert units_of(cue_of(small_cue, bus, {}, bus)).members == ((0, 2), (1,), (3,))
    assert units_of(cue_of(small_cue, group, {}, group)).members == ((0, 2), (1,), (3,))
    assert units_of(cue_of(small_cue, bus | group, group, bus)).members == ((0, 2), (1,), (3,))
    assert units_of(cue_of(small_cue, bus, {}, {}, bus)).members == ((0,), (1,), (2,), (3,))


def test_seats_lie_on_half_metres_inside_area_and_walls() -> None:
    """Seats around one keep to the track's area, to the walls, and to steps from its start."""
    room = Room(width=9.0, depth=12.0, height=5.0, conductor=6.0)
    one = replace(FIRST, start=replace(FIRST.start, seat=(0.2, 3.1)), source_width=1.0)
    found = seats_around(one, (0.2, 3.1), room, ((1.0, 0.0), (0.3, 0.1), (-0.5, 0.5), (0.0, -9.0)))
    assert found == [(1.2, 3.1), (0.7, 3.1), (-0.3, 3.6)]
    # 9 m wide: 4.5 m less .5 m of distance and half a section of 1 m
    assert seats_around(one, (2.7, 3.1), room, ((0.5, 0.0), (1.0, 0.0))) == [(3.2, 3.1)]
    assert seats_around(replace(one, locks=frozenset({"seat"})), (0.2, 3.1), room, ((1, 0),)) == []
    assert seats_around(replace(one, fixed=True), (0.2, 3.1), room, ((1, 0),)) == []
    assert seats_around(track("horns", None), (0.2, 3.1), room, ((1, 0),)) == []
