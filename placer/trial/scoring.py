"""What a candidate costs when it is really convolved and mixed.

*Conventions*: placements are tuples in track order. The reference is every track at its start, with
the cue's own arrays; a dry track's reference loudness is the loudness of its stem, a recorded
track's that of its start blend.

`ExactScorer`: keeps what it has convolved (`placer.trial.kept`), so a candidate costs only the
tracks that changed.

Sources
-------
ITU-R BS.1770-5: loudness and true peak of the mixes.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from placer.audio.envelopes import band_filters, low_thirds, plain_covariance, spectra
from placer.audio.loudness import integrated_loudness, true_peak_db
from placer.cost.objective import Cost, Reference, evaluate
from placer.cost.objective import reference as compare
from placer.cost.scene import Scene, Sounding, Totals
from placer.cue.records import Placement
from placer.placing.exact import (
    Placed,
    channel_responses,
    place_dry,
    placed_from_dry,
    placed_from_recorded,
    recorded_audio,
    set_back,
)
from placer.placement.layout import stereo_matrix
from placer.placing.options import seat_distances
from placer.trial.kept import Kept
from placer.trial.material import Material
from placer.trial.scene import exact_scene
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray, amplitude

THREADS = 2

MOST_FOUND = 32
"""Scores kept, so that what rounds end at is not judged again where others start from it."""


@dataclass(frozen=True, slots=True)
class Scored:
    """A candidate after exact scoring.

    Attributes
    ----------
    placements : one a track
    cost : with breakdown
    lufs, true_peak_dbtp : of the mix before its one gain
    make_up_db : (track,) gain that set each track back
    sounding : what was judged, without its frames: their many bytes have been heard
    """

    placements: tuple[Placement, ...]
    cost: Cost
    lufs: float
    true_peak_dbtp: float
    make_up_db: FloatArray
    sounding: Sounding


class Heard(NamedTuple):
    """A candidate's sounding, loudness and true peak of its mix, make-up gain of every track."""

    sounding: Sounding
    lufs: float
    true_peak_dbtp: float
    make_up_db: FloatArray


class Known(NamedTuple):
    """What scoring needs of the reference: loudness targets (T,) in LUFS, scene, its own score."""

    targets: tuple[float, ...]
    scene: Scene
    reference: Scored


class ExactScorer:
    """Scores candidates of one material by real convolution.

    Parameters
    ----------
    material : Material
        In use.
    reference : ExactScorer, optional
        Scorer of the cue's own arrays, where `material` has others.
    known : Known, optional
        From another process that has scored the reference of the same material.
    """

    def __init__(
        self,
        material: Material,
        reference: ExactScorer | None = None,
        *,
        known: Known | None = None,
    ) -> None:
        self.material = material
        self._filters = band_filters(material.cue.sample_rate)
        self._frames = material.passages[0].samples.shape[-1]
        self.targets: tuple[float, ...]
        self.scene: Scene
        self._compared: Reference
        self._found: dict[tuple[Placement, ...], Scored]
        self.kept: Kept = Kept() if reference is None else reference.kept
        if reference is not None:
            self.targets, self.scene = reference.targets, reference.scene
            self._compared, self._found = reference._compared, {}
        elif known is not None:
            self.targets, self.scene = known.targets, known.scene
            self._compared, self._found = compare(known.scene), {self.starts: known.reference}
        else:
            with ThreadPoolExecutor(THREADS) as pool:
                self.targets = tuple(pool.map(self._target, range(len(material.passages))))
            heard = self._heard(self.starts)
            self.scene = exact_scene(material, heard.sounding)
            self._compared = compare(self.scene)
            self._found = {self.starts: self._scored(self.starts, heard)}

    @property
    def starts(self) -> tuple[Placement, ...]:
        """The reference placements."""
        return tuple(track.start for track in self.material.cue.tracks)

    def _target(self, index: int) -> float:
        """Loudness in LUFS that a track is set back to within the passage."""
        track, passage = self.material.cue.tracks[index], self.material.passages[index]
        rate = self.material.cue.sample_rate
        if track.kind == "dry":
            return integrated_loudness(passage.samples, rate)
        return integrated_loudness(
            recorded_audio(passage.samples, passage.layout, track.start, self._lag(index)), rate
        )

    def _lag(self, index: int) -> int:
        """Frames that a recorded track's close position is delayed by when it is aligned."""
        delay = self.material.tables[index].variants[-1].close_delay
        return round(delay * self.material.cue.sample_rate)

    def _place(self, index: int, placement: Placement) -> Placed:
        cue = self.material.cue
        track, passage = cue.tracks[index], self.material.passages[index]
        target = self.targets[index] + placement.trim_db
        if track.kind == "dry":
            channels = passage.samples.shape[0]
            responses = channel_responses(cue, track, placement, channels)
            matrix = stereo_matrix(passage.layout, placement)
            early, late = place_dry(passage.samples, responses, matrix)
            make_up = set_back(early + late, cue.sample_rate, target)
            return placed_from_dry(early, late, make_up, self._filters)
        audio = recorded_audio(passage.samples, passage.layout, placement, self._lag(index))
        make_up = set_back(audio, cue.sample_rate, target)
        gain = np.float32(amplitude(make_up))
        return placed_from_recorded(
            track,
            self.material.tables[index],
            placement,
            audio=gain * audio,
            make_up_db=make_up,
            filters=self._filters,
        )

    def _key(self, index: int, placement: Placement) -> Hashable:
        """What a placed track depends on; a recorded one is heard by its own microphones."""
        cue = self.material.cue
        return cue.arrays if cue.tracks[index].kind == "dry" else None, index, placement

    def _placed(self, placements: Sequence[Placement]) -> Iterator[Placed]:
        """Placed tracks in order; those kept from earlier candidates are not made again."""
        items = list(enumerate(placements))
        wanted = {self._key(*item): item for item in items}
        fresh = [item for key, item in wanted.items() if key not in self.kept]
        with ThreadPoolExecutor(THREADS) as pool:
            made = pool.map(lambda item: self._place(*item), fresh)
            for key in wanted:
                placed = self.kept.get(key)
                if placed is None:
                    placed = next(made)
                    self.kept.offer(key, placed, wanted)
                yield placed

    def _mixed(
        self, placements: Sequence[Placement]
    ) -> tuple[list[Placed], tuple[FloatArray, FloatArray], FloatArray]:
        """Placed tracks, their frames, early and late, and the sum (2, frame) of their sound."""
        mix = np.zeros((2, self._frames), dtype=np.float32)
        times = -(-self._frames // self._filters.hop)
        early, late = np.empty((2, len(placements), 4, len(ERB_CENTRES), times), dtype=np.float32)
        parts = []
        for index, placed in enumerate(self._placed(placements)):
            mix += placed.audio
            early[index], late[index] = placed.early, placed.late
            parts.append(placed.bare)
        return parts, (early, late), mix

    def _mix_covariances(self, mix: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Covariances of a whole mix: (4, 39) in plain bands, (4, 11) in the low thirds."""
        plain = plain_covariance(spectra(mix, self._filters), self._filters.plain)
        return plain, low_thirds(mix, self.material.cue.sample_rate)

    def sounding(self, placements: Sequence[Placement]) -> Sounding:
        """What a candidate sounds like by real convolution, with every frame."""
        return self._heard(placements).sounding

    def score(self, placements: Sequence[Placement]) -> Scored:
        """Cost of a candidate by real convolution.

        Parameters
        ----------
        placements : sequence of Placement
            One a track.

        Returns
        -------
        Scored
        """
        wanted = tuple(placements)
        found = self._found.get(wanted)
        if found is None:
            while len(self._found) >= MOST_FOUND:
                self._found.pop(next(iter(self._found)))
            found = self._found[wanted] = self._scored(wanted, self._heard(wanted))
        return found

    def _scored(self, placements: tuple[Placement, ...], heard: Heard) -> Scored:
        return Scored(
            placements=placements,
            cost=evaluate(self.scene, heard.sounding, self._compared),
            lufs=heard.lufs,
            true_peak_dbtp=heard.true_peak_dbtp,
            make_up_db=heard.make_up_db,
            sounding=without_frames(heard.sounding),
        )

    def _heard(self, placements: Sequence[Placement]) -> Heard:
        cue = self.material.cue
        placed, (early, late), mix = self._mixed(placements)
        lufs, peak = integrated_loudness(mix, cue.sample_rate), true_peak_db(mix, cue.sample_rate)
        plain, thirds = self._mix_covariances(mix)
        shortfall = max(0.0, cue.loudness.target_lufs - lufs - (cue.loudness.ceiling_dbtp - peak))
        sounding = Sounding(
            early=early,
            late=late,
            totals=totals(placed),
            seating=np.array(
                [
                    seat_distances(track, (placement,))[0]
                    for track, placement in zip(cue.tracks, placements, strict=True)
                ]
            ),
            shortfall_lu=shortfall,
            mix=plain,
            mix_thirds=thirds,
        )
        return Heard(sounding, lufs, peak, np.array([one.make_up_db for one in placed]))


def totals(placed: Sequence[Placed]) -> Totals:
    """Long-term covariances of all placed tracks."""
    return Totals(
        early=np.stack([one.early_total for one in placed]),
        late=np.stack([one.late_total for one in placed]),
        thirds=np.stack([one.thirds for one in placed]),
    )


def without_frames(sounding: Sounding) -> Sounding:
    """The same with no frame left of its early and late covariances in time."""
    none = np.zeros((*sounding.early.shape[:-1], 0), dtype=np.float32)
    return replace(sounding, early=none, late=none)
