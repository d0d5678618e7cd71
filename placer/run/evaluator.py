"""Everything that judges placements of one cue, built once.

*Conventions*: tracks in cue order; costs of the analysed passage. A geometry is a choice of shared
numbers of the arrays; the reference is always heard by the cue's own.

`Evaluator`: what the reference measures, and the cost. `Arrangement`: the cue at one geometry:
what has been measured of every track there, and its landscapes. `build`: an evaluator.

Sources
-------
ITU-R BS.1770-5: loudness and true peak.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np

from placer.audio.envelopes import WINDOW_SECONDS, quick_energies
from placer.audio.loudness import OFFSET_DB, integrated_loudness, true_peak_db
from placer.cost.attacks import STEP_S, attack_factor, attack_share
from placer.cost.fast import Catalogue, Kernel
from placer.cost.kernel_mix import Options
from placer.cost.landscape import CatalogueLandscape, breakdown
from placer.cost.objective import Cost
from placer.cost.place_only import band_energy, place_only
from placer.cost.prepare import cluster_frames, gather, importance
from placer.cost.scene import Envelopes, Scene, Totals
from placer.cue.records import Cue, Placement
from placer.placement import cache
from placer.placement.kept import Kept
from placer.placement.layout import covariance_weights, stereo_matrix
from placer.placement.measured import (
    Measured,
    Templates,
    clustered,
    dry_envelopes,
    measure,
    recorded_envelopes,
)
from placer.placement.options import (
    Place,
    PlacementFigures,
    Settings,
    changes,
    gated_power,
    place_of,
    row_keys,
    seat_distances,
    settings_of,
)
from placer.placement.options import measure as heard_at
from placer.placement.passages import Passage
from placer.placement.positions import ChannelSound, sound_of
from placer.precision import product
from placer.run.cue_scene import articulation_of, scene_of
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray, amplitude, energy
from sim.responses import decay_time

FRAMES = 64
"""Clustered frames that stand for all."""

THREADS = 2
"""Tracks measured at a time."""

MOST_BYTES = 600 * 1024**2
"""Measured sound that a run keeps in memory, all its processes together; the rest is read or
measured again."""

MOST_KNOWN, LEAST_KNOWN = 48_000, 800
"""Options of one geometry that are kept as the cost reads them, 3 kB each; and of one track, though
that be more in all."""

SHARED = {
    "close_distance": ("close", "distance"),
    "tree_height": ("tree", "height"),
    "tree_spacing": ("tree", "spacing"),
    "outrigger_spacing": ("outriggers", "spacing"),
    "hall_distance": ("hall", "y"),
}
"""Shared numbers that a study may choose, and where they live in the arrays."""

SETTING_EFFORT, TRACK_EFFORT = 1.8e-3, 3.6e-3
"""Cost of one setting that moves, and of a track that moves at all, as shares of one track's part
in the cost (a mean over tracks): a change that gains less is not worth a hand's work, however large
the template (a matter of taste, no source)."""

FEW_SETTINGS, MANY = 4, 3.0
"""Settings of one move that a hand makes gladly; each beyond them counts so many times (a matter of
taste, no source)."""

Placements = tuple[Placement, ...]


def shared_space(cue: Cue) -> dict[str, list[float]]:
    """Values that a study may choose from, the cue's own first.

    Empty where nothing dry is heard by arrays.
    """
    if not any(track.kind == "dry" for track in cue.tracks):
        return {}
    found = {}
    for name, (group, attribute) in SHARED.items():
        values = getattr(cue.search, name)
        own = abs(float(getattr(getattr(cue.arrays, group), attribute)))
        if values:
            # the composer's own geometry comes first, for that is where a study begins
            found[name] = list(dict.fromkeys((own, *(float(value) for value in values))))
    return found


def with_shared(cue: Cue, shared: Mapping[str, Any]) -> Cue:
    """A cue with shared numbers put into its arrays, in m.

    `hall_distance` is counted from the conductor towards the hall.
    """
    arrays = cue.arrays
    for name, value in shared.items():
        group, attribute = SHARED[name]
        number = -float(value) if name == "hall_distance" else float(value)
        changed = dataclasses.replace(getattr(arrays, group), **{attribute: number})
        arrays = dataclasses.replace(arrays, **{group: changed})
    return dataclasses.replace(cue, arrays=arrays)


@dataclass(frozen=True, slots=True)
class TrackReference:
    """What one track measures in the reference.

    Attributes
    ----------
    templates : how it goes in time
    power : gated K-weighted power that every placement is set back to
    bands : (B,) mean excitation, both sides, early and late
    digest : hash of what its measured sound depends on, besides room, arrays and place
    """

    templates: Templates
    power: float
    bands: FloatArray
    digest: str


class KnownOptions:
    """Options of one track that have been worked out, found again by their settings."""

    def __init__(self) -> None:
        self._places: dict[Place, int] = {}
        self._rows: dict[bytes, int] = {}
        self._options: Options | None = None

    def options(
        self, settings: Settings, work_out: Callable[[Settings], Options], most: int
    ) -> Options:
        """Options of settings, one row each.

        Parameters
        ----------
        work_out : callable
            Called with the settings that are not known.
        most : int
            Options that are kept; where there would be more, all known ones are let go first.
        """
        number = [self._places.setdefault(one, len(self._places)) for one in settings.places]
        first: dict[bytes, int] = {}
        keys = row_keys(settings.values, np.array(number)[settings.place])
        for index, key in enumerate(keys):
            first.setdefault(key, index)
        if len(self._rows.keys() | first.keys()) > most:
            self._rows.clear()
            self._options = None
        new = {key: index for key, index in first.items() if key not in self._rows}
        if new:
            found = work_out(settings.take(np.array(list(new.values()))))
            begin, size = len(self._rows), max(most, len(new))
            if self._options is None:
                self._options = Options(*(np.empty((size, *p.shape[1:]), p.dtype) for p in found))
            for kept, part in zip(self._options, found, strict=True):
                kept[begin : begin + len(new)] = part
            self._rows.update({key: begin + index for index, key in enumerate(new)})
        assert self._options is not None
        chosen = np.array([self._rows[key] for key in keys])
        return Options(*(part[chosen] for part in self._options))


class Arrangement:
    """One cue at one geometry of the shared arrays.

    Parameters
    ----------
    cue : Cue
        With the arrays in use.
    kept : Kept, optional
        Where what is measured stays in memory; one of its own without it.

    Attributes
    ----------
    known : options of each track that have been worked out
    """

    def __init__(
        self,
        cue: Cue,
        passages: Sequence[Passage],
        references: Sequence[TrackReference],
        *,
        kept: Kept | None = None,
    ) -> None:
        self.cue, self.passages, self.references = cue, passages, references
        self.kept = Kept(MOST_BYTES) if kept is None else kept
        self._geometry = self.kept.geometry()
        self.known = [KnownOptions() for _ in cue.tracks]

    def measured(
        self, index: int, place: Place, sound: Callable[[], ChannelSound] | None = None
    ) -> Measured:
        """What a track measures at a place: kept, read from the disk, or measured now.

        Parameters
        ----------
        sound : callable, optional
            Gives the sound of the channels there, where it is known already.
        """
        found = self.kept.get(self._geometry, index, place)
        if found is None:
            name = cache.key(self._description(index, place))
            stored = cache.load(name)
            found = None if stored is None else _unpacked(stored)
            if found is None:
                found = self._measure(index, place, sound)
                cache.store(name, _packed(found))
            self.kept.put(self._geometry, index, place, found)
        return found

    def sound(self, index: int, place: Place) -> ChannelSound:
        """Sound of a track's channels at a place."""
        (seat, aligned), passage, track = place, self.passages[index], self.cue.tracks[index]
        return sound_of(
            self.cue, track, passage.layout, passage.samples, seat=seat, aligned=aligned
        )

    def _measure(
        self, index: int, place: Place, sound: Callable[[], ChannelSound] | None = None
    ) -> Measured:
        heard = self.sound(index, place) if sound is None else sound()
        return measure(heard, self.references[index].templates, self.cue.sample_rate)

    def _description(self, index: int, place: Place) -> dict[str, Any]:
        """Everything that a measurement depends on, as plain values."""
        track = self.cue.tracks[index]
        facts: dict[str, Any] = {
            "digest": self.references[index].digest,
            "place": place,
            "rate": self.cue.sample_rate,
            "kind": track.kind,
            "layout": dataclasses.asdict(self.passages[index].layout),
        }
        if track.kind == "dry":
            facts |= {
                "room": dataclasses.asdict(self.cue.room),
                "arrays": dataclasses.asdict(self.cue.arrays),
                "width": track.source_width,
                "family": track.family,
                "name": track.name,
                "seed": self.cue.search.seed,
            }
        return facts

    def let_go(self) -> None:
        """Keep nothing in memory of what was measured at this geometry."""
        self.kept.drop(self._geometry)

    def heard(self, index: int, placements: Sequence[Placement]) -> PlacementFigures:
        """What placements of one track measure, at its reference loudness."""
        settings = settings_of(placements)
        named = [settings.places[number] for number in np.unique(settings.place)]
        places = {place: self.measured(index, place) for place in named}
        layout, power = self.passages[index].layout, self.references[index].power
        return heard_at(layout, places, settings, power)

    def catalogue(self, index: int, placements: Sequence[Placement]) -> Catalogue:
        """What the cost reads of placements of one track."""
        track, reference = self.cue.tracks[index], self.references[index]
        options = settings_of(placements)
        found = self.heard(index, options)
        level = reference.templates.few @ reference.templates.weight
        early, late = place_only(found.early, found.late, level, reference.bands)
        settings = changes(track, options)
        counted = settings + (MANY - 1.0) * np.maximum(settings - FEW_SETTINGS, 0)
        effort = (SETTING_EFFORT * counted + TRACK_EFFORT * (settings > 0)) / len(self.cue.tracks)
        return Catalogue(
            early=early,
            late=late,
            totals=_totals([found]),
            seating=seat_distances(track, options),
            effort=effort,
        )


def _totals(heard: Sequence[PlacementFigures]) -> Totals:
    """Covariances of all placements of several measurements, in their order."""
    whole, late, direct = np.concatenate([one.totals for one in heard], axis=1).astype(float)
    early = whole - late
    early[:, :2] = np.maximum(early[:, :2], 0.0)
    thirds = np.concatenate([one.thirds for one in heard]).astype(float)
    return Totals(early=early, late=late, direct=direct, thirds=thirds)


class Evaluator:
    """What judges placements of one cue.

    Parameters
    ----------
    own : Arrangement
        With the cue's own arrays; every track measured at its start.
    threads : int
        That the fast loop may use.
    """

    def __init__(
        self, own: Arrangement, scene: Scene, envelopes: Envelopes, *, threads: int = 2
    ) -> None:
        self.own = own
        self.cue = own.cue
        self.scene, self.envelopes = scene, envelopes
        self.threads = threads
        self.kernel = Kernel(scene, envelopes, threads=threads)
        self.reference: Cost = self.breakdown(own, self.starts)
        self._other: Arrangement | None = None

    @property
    def starts(self) -> Placements:
        """The reference placements."""
        return tuple(track.start for track in self.cue.tracks)

    def at(self, shared: Mapping[str, Any]) -> Arrangement:
        """The cue at one geometry; geometries share the cache on disk."""
        cue = with_shared(self.cue, shared)
        if cue.arrays == self.cue.arrays:
            return self.own
        if self._other is None or self._other.cue.arrays != cue.arrays:
            if self._other is not None:
                self._other.let_go()
            self._other = Arrangement(
                cue, self.own.passages, self.own.references, kept=self.own.kept
            )
        return self._other

    def let_go(self) -> None:
        """Keep nothing large that can be read again: other processes need the memory."""
        self._other = None
        self.own.kept.drop()
        for passage in self.own.passages:
            passage.let_go()

    def with_limits(self, contrast_db: float) -> Kernel:
        """A kernel for the same scene whose mean depth is held."""
        limits = replace(self.scene.limits, contrast_db=contrast_db)
        return Kernel(replace(self.scene, limits=limits), self.envelopes, threads=self.threads)

    def landscape(
        self,
        arranged: Arrangement,
        placements: Sequence[Sequence[Placement]],
        kernel: Kernel | None = None,
    ) -> CatalogueLandscape:
        """Costs over placements of every track.

        What a kernel reads of one option does not depend on the limits of the whole mix, so that
        all kernels of one scene share what is known of it.
        """
        most = max(LEAST_KNOWN, MOST_KNOWN // len(placements))
        options = [
            arranged.known[index].options(
                settings_of(some), partial(self._options, arranged, index), most
            )
            for index, some in enumerate(placements)
        ]
        return CatalogueLandscape(kernel or self.kernel, options)

    def _options(self, arranged: Arrangement, index: int, settings: Settings) -> Options:
        return self.kernel.options(arranged.catalogue(index, settings), index)

    def breakdown(self, arranged: Arrangement, placements: Sequence[Placement]) -> Cost:
        """Cost of one mix with everything that is known of it."""
        catalogues = [arranged.catalogue(index, [one]) for index, one in enumerate(placements)]
        return breakdown(self.kernel, catalogues, np.zeros(len(placements), dtype=np.int64))


def build(
    cue: Cue,
    passages: Sequence[Passage],
    *,
    elsewhere: FloatArray | None = None,
    threads: int = 2,
    progress: Callable[[str], None] = lambda _: None,
    most_bytes: int = MOST_BYTES,
) -> Evaluator:
    """Measure the reference of a cue.

    Parameters
    ----------
    passages : sequence of Passage
        One a track, equally long.
    elsewhere : (track, 2) FloatArray, optional
        As `Scene.elsewhere`; without it the passage stands for the whole.
    progress : callable
        Told each track's name when it is measured.
    most_bytes : int
        Measured sound that may stay in memory.
    """
    digests = [_digest(passage.samples) for passage in passages]
    with ThreadPoolExecutor(THREADS) as pool:
        every = range(len(passages))
        courses = list(pool.map(lambda i: _envelopes(cue, i, passages[i], digests[i]), every))
    full = [templates for templates, _ in courses]
    label = cluster_frames(
        np.stack([one[:, 0] for one in full]),
        np.stack([one[:, 1] for one in full]),
        FRAMES,
        cue.search.seed,
    )
    references = [
        TrackReference(
            Templates(one, *clustered(one, label), label),
            0.0,
            np.zeros(len(ERB_CENTRES)),
            _labelled(digest, label),
        )
        for one, digest in zip(full, digests, strict=True)
    ]
    arranged = Arrangement(cue, passages, references, kept=Kept(most_bytes))

    levels_name = _levels_name(arranged)
    levels = cache.load(levels_name)

    def start(index: int) -> tuple[TrackReference, PlacementFigures, FloatArray | None]:
        track = cue.tracks[index]
        place = place_of(track.start)
        sound = lru_cache(maxsize=1)(lambda: arranged.sound(index, place))
        measured = arranged.measured(index, place, sound)
        power = _power(cue, index, passages[index], measured)
        heard = heard_at(passages[index].layout, {place: measured}, (track.start,), power)
        placed = None
        if levels is None:
            gain = amplitude(float(heard.make_up_db[0]))
            matrix = gain * stereo_matrix(passages[index].layout, track.start)
            placed = _mixed(matrix.astype(np.float32), sound().whole)
        bands = _bands(references[index].templates, heard)
        progress(track.name)
        return replace(references[index], power=power, bands=bands), heard, placed

    mix = np.zeros((2, passages[0].samples.shape[-1]), dtype=np.float32)
    done, heard = list[TrackReference](), list[PlacementFigures]()
    with ThreadPoolExecutor(THREADS) as pool:
        # in their order, so that the sum is the same to the bit; each is let go once added
        for one, two, placed in pool.map(start, range(len(passages))):
            done.append(one)
            heard.append(two)
            if placed is not None:
                mix += placed
    arranged.references = references = done
    if levels is None:
        loudness = integrated_loudness(mix, cue.sample_rate)
        levels = {"levels": np.array((loudness, true_peak_db(mix, cue.sample_rate)))}
        cache.store(levels_name, levels)
    lufs, peak = levels["levels"].tolist()
    articulation = articulation_of(cue)
    factors = attack_factors(cue, [quick for _, quick in courses], references)
    weights = [
        _importance(one.templates, two, articulation[index : index + 1], factors[index])
        for index, (one, two) in enumerate(zip(references, heard, strict=True))
    ]
    scene = scene_of(
        cue,
        audible=np.array([not passage.silent for passage in passages]),
        importance=np.concatenate(weights),
        reference=_totals(heard),
        elsewhere=np.ones((len(passages), 2)) if elsewhere is None else elsewhere,
        loudness=(lufs, peak),
    )
    envelopes = Envelopes(
        templates=np.stack([one.templates.few for one in references]),
        early=np.concatenate([one.early for one in heard]),
        late=np.concatenate([one.late for one in heard]),
    )
    return Evaluator(arranged, scene, envelopes, threads=threads)


def _mixed(matrix: FloatArray, channels: FloatArray) -> FloatArray:
    """Product of (2, C) and (C, frame), summed channel by channel: the same to the bit anywhere."""
    mix = np.zeros((len(matrix), channels.shape[-1]), dtype=np.float32)
    for gains, channel in zip(matrix.T, channels, strict=True):
        mix += gains[:, None] * channel
    return mix


def _digest(samples: FloatArray) -> str:
    return hashlib.blake2b(np.ascontiguousarray(samples).tobytes(), digest_size=20).hexdigest()


def _labelled(digest: str, label: np.ndarray) -> str:
    """Digest of a stem together with the frames that stand for all."""
    text = digest.encode() + np.asarray(label, dtype=np.int64).tobytes()
    return hashlib.blake2b(text, digest_size=20).hexdigest()


def _envelopes(
    cue: Cue, index: int, passage: Passage, digest: str
) -> tuple[FloatArray, FloatArray]:
    """How a track goes in time, from the disk where it has been worked out before.

    Returns
    -------
    (B, 2, F), (B, f) FloatArray
        Templates, and energies in the short frames in which attacks are looked for.
    """
    track = cue.tracks[index]
    facts = {
        "envelopes": digest,
        "rate": cue.sample_rate,
        "layout": dataclasses.asdict(passage.layout),
        "room": dataclasses.asdict(cue.room) if track.kind == "dry" else None,
        "kind": track.kind,
    }
    name = cache.key(facts)
    stored = cache.load(name)
    if stored is not None:
        return np.asarray(stored["full"]), np.asarray(stored["quick"])
    if track.kind == "dry":
        decay = decay_time(cue.room, ERB_CENTRES)
        full = dry_envelopes(passage.samples, cue.sample_rate, decay)
    else:
        full = recorded_envelopes(passage.layout, passage.samples, cue.sample_rate)
    quick = quick_energies(passage.samples, cue.sample_rate, STEP_S)
    cache.store(name, {"full": full, "quick": quick})
    return full, quick


def _power(cue: Cue, index: int, passage: Passage, measured: Measured) -> float:
    """Gated power that a track is set back to: of its dry stem, or of its start as recorded."""
    track = cue.tracks[index]
    if track.kind == "dry":
        loudness = integrated_loudness(passage.samples, cue.sample_rate)
        return float(energy(loudness - OFFSET_DB))
    form = covariance_weights(stereo_matrix(passage.layout, track.start))
    blocks = np.maximum((form[0] + form[1]) @ measured.blocks, 0.0)
    return float(gated_power(blocks[None])[0])


def _bands(templates: Templates, heard: PlacementFigures) -> FloatArray:
    """Mean excitation (B,) of a reference, both sides, early and late."""
    energies = band_energy(heard.early, heard.late, templates.few @ templates.weight)[0]
    bands: FloatArray = np.maximum(energies, 0.0)
    return bands


def _levels_name(own: Arrangement) -> str:
    """Name in the cache of the loudness in LUFS and true peak in dBTP of the reference mix."""
    cue = own.cue
    return cache.key(
        {
            "mix": [one.digest for one in own.references],
            "starts": [dataclasses.asdict(track.start) for track in cue.tracks],
            "room": dataclasses.asdict(cue.room),
            "arrays": dataclasses.asdict(cue.arrays),
            "rate": cue.sample_rate,
            "seed": cue.search.seed,
            "tracks": [(t.name, t.kind, t.source_width, t.family) for t in cue.tracks],
        }
    )


def attack_factors(
    cue: Cue, quick: Sequence[FloatArray], references: Sequence[TrackReference]
) -> list[FloatArray]:
    """Factors (B, F) by which cells of each track matter for their attacks.

    Energies in short frames are set to the bands' levels in the reference mix; tracks of one group
    do not mask one another.
    """
    scaled = []
    for energies, one in zip(quick, references, strict=True):
        mean = energies.mean(-1)
        factor = np.where(mean > 0.0, one.bands / np.where(mean > 0.0, mean, 1.0), 0.0)
        scaled.append(energies * factor[:, None].astype(np.float32))
    total = np.sum(scaled, axis=0)
    hop = WINDOW_SECONDS / 2.0
    count = references[0].templates.label.size
    # a frame of the analysis lies around its hop's end, a short one around its step's end
    times = STEP_S * (np.arange(total.shape[-1]) + 1.0)
    frame = np.clip(np.floor(times / hop - 0.5), 0, count - 1).astype(int)
    articulation = articulation_of(cue)
    found = []
    for index, track in enumerate(cue.tracks):
        others = total - scaled[index]
        for number, other in enumerate(cue.tracks):
            if number != index and track.group and other.group == track.group:
                others = others - scaled[number]
        share = attack_share(scaled[index], np.maximum(others, 0.0), frame, count)
        found.append(attack_factor(share[None], articulation[index : index + 1])[0])
    return found


def _importance(
    templates: Templates, heard: PlacementFigures, articulation: FloatArray, attacks: FloatArray
) -> FloatArray:
    """Importance (1, B, n) of a track's cells, worked out in every frame."""
    early, late = (
        np.maximum(_course(part[0], templates.full), 0.0)[None]
        for part in (heard.early, heard.late)
    )
    full = importance(early, late, articulation, attacks=attacks[None])
    return gather(full, templates.label)


def _course(part: FloatArray, templates: FloatArray) -> FloatArray:
    """Energies (4, B, F) of coefficients (4, B, K) on templates (B, K, F)."""
    return np.moveaxis(product(np.moveaxis(part, 0, 1), templates), 0, 1)


def _packed(measured: Measured) -> dict[str, np.ndarray]:
    return {f.name: np.asarray(getattr(measured, f.name)) for f in dataclasses.fields(measured)}


def _unpacked(stored: Mapping[str, Any]) -> Measured:
    return Measured(**{**stored, "close_delay": float(stored["close_delay"])})
