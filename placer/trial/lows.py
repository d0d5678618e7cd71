"""How the options of every track meet the rest of one mix in the lows.

*Conventions*: tracks in cue order; low spectra as in `placer.placing.lows`.

`MixLows`: for one material.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from placer.placing.focus import FocusedTables
from placer.placing.lows import Spectra, meeting, placed
from placer.placing.options import Options
from placer.trial.material import Material
from sim.decibel import FloatArray

THREADS = 2


class MixLows:
    """Low spectra of all tracks of one material.

    Parameters
    ----------
    material : Material
    focused : FocusedTables
        That measures the seats of its dry tracks.
    """

    def __init__(self, material: Material, focused: FocusedTables) -> None:
        self._material, self._focused, self._band = material, focused, focused.band
        self._recorded: dict[int, Spectra] = {}

    def met(self, catalogue: Sequence[Options], state: np.ndarray) -> list[FloatArray]:
        """What each option adds to the low thirds of the mix that a state is.

        Parameters
        ----------
        catalogue : sequence of Options
            At seats that have been measured.
        state : (track,) int ndarray

        Returns
        -------
        list of (n, 4, 11) FloatArray
            One a track; zeros where there is nothing to choose.
        """
        chosen = [
            self._placed(index, options, int(option))
            for index, (options, option) in enumerate(zip(catalogue, state, strict=True))
        ]
        mix = np.sum(chosen, axis=0)
        with ThreadPoolExecutor(THREADS) as pool:
            found = pool.map(
                lambda index: self._met(index, catalogue[index], mix - chosen[index]),
                range(len(catalogue)),
            )
            return list(found)

    def between(self, catalogue: Sequence[Options], states: np.ndarray) -> FloatArray:
        """What mixes hold in the low thirds besides the energies of their tracks.

        Parameters
        ----------
        catalogue : sequence of Options
            At seats that have been measured.
        states : (n, track) int ndarray

        Returns
        -------
        (n, 4, 11) FloatArray
            LL, RR, Re(L conj R) of the sum of all tracks less the sum of theirs; Im is 0.
        """
        mixes = np.zeros((len(states), 2, self._band.frequencies.size), dtype=np.complex64)
        apart = np.zeros((len(states), 4, 11))
        for index, (options, chosen) in enumerate(zip(catalogue, states.T, strict=True)):
            for option in np.unique(chosen):
                track, here = self._placed(index, options, int(option)), chosen == option
                mixes[here] += track
                apart[here] += self._band.covariance(track)
        return np.stack([self._band.covariance(mix) for mix in mixes]) - apart

    def _met(self, index: int, options: Options, rest: Spectra) -> FloatArray:
        added = np.zeros((len(options.placements), 4, 11))
        if len(added) == 1:
            return added
        layout = self._material.tables[index].layout
        for variant in np.unique(options.variants):
            some = np.flatnonzero(options.variants == variant)
            channels = self._channels(index, options, int(some[0]))
            added[some] = meeting(placed(options, layout, some), channels, rest, self._band)
        return added

    def _placed(self, index: int, options: Options, option: int) -> Spectra:
        """One track of the mix, (2, bin)."""
        layout = self._material.tables[index].layout
        matrix = placed(options, layout, np.array([option]))[0].astype(np.float32)
        return np.asarray(matrix @ self._channels(index, options, option))

    def _channels(self, index: int, options: Options, option: int) -> Spectra:
        """Low spectra of a track's channels as one option delays them, at no level yet."""
        passage, seat = self._material.passages[index], options.placements[option].seat
        if self._material.cue.tracks[index].kind == "dry" and seat is not None:
            spectra = self._focused.lows(index, seat)
        else:
            if index not in self._recorded:
                self._recorded[index] = self._band.of(passage.samples)
            spectra = self._recorded[index]
        return self._band.delayed(spectra, passage.layout, float(options.close_delay[option]))
