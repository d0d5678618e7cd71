"""The open session, read back by three readers.

The library that wrote it; one that builds a timeline of it; for its container, a reader of
structured storage that knows nothing of AAF.
"""

from urllib.parse import unquote, urlparse
from urllib.request import url2pathname

import aaf2
import numpy as np
import olefile
import opentimelineio
import pytest
import soundfile
import wavinfo

from placer.result.export.package import export
from placer.result.export.start import Start
from placer.result.facts import mix_of
from placer.result.path_words import working_order
from tests.placer.result_run import RATE, run_result, write_run

START = 36_000 * RATE + 123
"""Ten in the morning and 123 samples: no whole frame."""


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    folder = tmp_path_factory.mktemp("session")
    write_run(folder / "run", mixes=1, seconds=1.0)
    return export(folder / "run", 1, folder / "with space", start=Start(START, True)).folder


def clips(whole):
    """(track's name, where it begins in samples, source clip, gain) of each sound track."""
    for slot in whole.slots:
        if slot.media_kind != "Sound":
            continue
        at = 0
        for part in slot.segment.components:
            if isinstance(part, aaf2.components.OperationGroup):
                (gain,) = part.parameters
                (clip,) = part.segments
                assert gain.parameterdef.auid == aaf2.auid.AUID(
                    "e4962321-2267-11d3-8a4c-0050040ef7d2"
                )
                yield slot, at, clip, float(gain.value)
            at += part.length


def test_tracks_stand_in_the_order_of_the_sheet_at_their_time(exported):
    """Timecode and the silence before a clip make up the start time to the sample."""
    with aaf2.open(str(exported / "session.aaf")) as file:
        (whole,) = file.content.toplevel()
        (timecode,) = [slot.segment for slot in whole.slots if slot.media_kind == "Timecode"]
        begin = timecode.start * RATE / timecode.fps
        found = list(clips(whole))
        names = [slot.name for slot, _, _, _ in found]
        assert names == [
            track.name for track, _, _ in working_order(run_result(), mix_of(run_result(), 1))
        ]
        for number, (slot, at, clip, gain) in enumerate(found, 1):
            assert slot["PhysicalTrackNumber"].value == number
            assert begin + at == START
            assert clip.length == RATE
            assert gain == 1.0


def test_each_clip_leads_to_its_file(exported):
    """By its place on this machine, and relative to the session if the folder has moved."""
    with aaf2.open(str(exported / "session.aaf")) as file:
        (whole,) = file.content.toplevel()
        for slot, _, clip, _ in clips(whole):
            about = clip.mob.slot_at(clip.slot_id).segment.mob.descriptor
            first, second = (locator["URLString"].value for locator in about["Locator"])
            wanted = (exported / "stems" / f"{_safe(slot.name)}.wav").resolve()
            assert url2pathname(urlparse(first).path) == str(wanted)
            assert (exported / unquote(second)).resolve() == wanted
            frames = soundfile.info(wanted).frames
            assert about.length == frames
            summary = bytes(about["Summary"].value)
            assert summary == wanted.read_bytes()[:12] + _format_chunk(wanted)
            assert wavinfo.WavInfoReader(str(wanted)).bext.time_reference == START


def _safe(name):
    from placer.cue.names import made_safe

    return made_safe(name)


def _format_chunk(path):
    content = path.read_bytes()
    at = content.index(b"fmt ")
    return content[at : at + 24]


def test_another_reader_builds_the_same_timeline(exported):
    """OpenTimelineIO: as many tracks, clips as long, after the same silence."""
    timeline = opentimelineio.adapters.read_from_file(str(exported / "session.aaf"))
    tracks = timeline.audio_tracks()
    names = [track.name for track, _, _ in working_order(run_result(), mix_of(run_result(), 1))]
    assert [track.name for track in tracks] == names
    for track in tracks:
        (clip,) = track.find_clips()
        at = track.range_of_child(clip).start_time
        assert (at.value, at.rate) == (123, RATE)
        assert clip.duration().to_seconds() == pytest.approx(1.0)


def test_the_container_is_structured_storage(exported):
    """A reader of compound files opens it and finds the root objects of AAF."""
    path = exported / "session.aaf"
    assert olefile.isOleFile(str(path))
    with olefile.OleFileIO(str(path)) as file:
        storages = {entry[0] for entry in file.listdir(streams=False, storages=True)}
        assert {"Header-2", "MetaDictionary-1"} <= storages
        names = [entry for entry in file.listdir() if entry[-1] == "properties"]
        assert len(names) > 50


def test_lowered_stems_come_back_to_the_mix(tmp_path):
    """Stems that had to be lowered are raised by the session's levels."""
    write_run(tmp_path / "run", mixes=1, seconds=0.5)
    loud = tmp_path / "run" / "placed" / "01" / "Horns.wav"
    sound, _ = soundfile.read(loud)
    soundfile.write(loud, sound * 2.0 / np.max(np.abs(sound)), RATE, subtype="FLOAT")
    folder = export(tmp_path / "run", 1, tmp_path / "out").folder
    with aaf2.open(str(folder / "session.aaf")) as file:
        (whole,) = file.content.toplevel()
        for slot, at, _, gain in clips(whole):
            assert at == 0
            if slot.name == "Horns":
                found, _ = soundfile.read(folder / "stems" / "Horns.wav")
                assert gain * np.max(np.abs(found)) == pytest.approx(2.0, rel=2e-5)
