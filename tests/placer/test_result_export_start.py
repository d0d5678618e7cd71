"""When stems begin: files are laid out by hand, by the tables of the standards."""

import struct
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from placer.audio.pairs import MonoPair
from placer.errors import AudioError
from placer.result.export.start import Start, common_start, start_time

LOW_AT = 256 + 32 + 32 + 10 + 8
"""Byte of the bext chunk where TimeReferenceLow stands (EBU Tech 3285, table of the chunk)."""
IXML = """<?xml version="1.0" encoding="UTF-8"?><BWFXML><IXML_VERSION>1.61</IXML_VERSION><SPEED>
<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{high}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{low}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>
<TIMESTAMP_SAMPLE_RATE>{rate}</TIMESTAMP_SAMPLE_RATE></SPEED></BWFXML>"""


def chunk(name, body):
    return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) % 2)


def bext(samples):
    """A bext chunk of version 0 with a time reference, all else empty."""
    body = bytearray(602)
    body[LOW_AT : LOW_AT + 8] = struct.pack("<II", samples & 0xFFFFFFFF, samples >> 32)
    return chunk(b"bext", bytes(body))


def ixml(samples, rate):
    text = IXML.format(high=samples >> 32, low=samples & 0xFFFFFFFF, rate=rate)
    return chunk(b"iXML", text.encode())


def stem(path, *chunks, rate=48000, after=False):
    """A short WAV file with chunks before or after its sound."""
    form = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, rate, 2 * rate, 2, 16))
    sound = chunk(b"data", b"\1\0" * 4801)
    parts = [form, sound, *chunks] if after else [*chunks, form, sound]
    body = b"WAVE" + b"".join(parts)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    assert wavfile.read(path)[1].shape == (4801,)
    return path


@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood")
@pytest.mark.parametrize("after", [False, True])
def test_the_time_reference_is_read(tmp_path, after):
    """Before or behind the sound, and beyond 32 bits: 23:59 at 192 kHz."""
    samples = 86340 * 192000 + 7
    path = stem(tmp_path / "a.wav", bext(samples), rate=192000, after=after)
    assert start_time(path) == Fraction(samples, 192000)


@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood")
def test_ixml_counts_where_bext_says_nothing(tmp_path):
    """Alone, or beside a bext chunk that some writers leave at zero; its own rate counts."""
    alone = stem(tmp_path / "a.wav", ixml(3600 * 96000 + 1, 96000))
    assert start_time(alone) == Fraction(3600 * 96000 + 1, 96000)
    assert start_time(stem(tmp_path / "b.wav", bext(0), ixml(48000, 48000))) == 1
    assert start_time(stem(tmp_path / "c.wav", bext(96000), ixml(48000, 48000))) == 2
    assert start_time(stem(tmp_path / "d.wav", bext(0))) == 0
    other = chunk(b"iXML", b"<BWFXML><NOTE>no time</NOTE></BWFXML>")
    assert start_time(stem(tmp_path / "e.wav", other)) is None


def test_files_without_a_time_have_none(tmp_path):
    """A plain WAV, a FLAC and an AIFF file state nothing."""
    sound = np.zeros(4800)
    for name in ("a.wav", "b.flac", "c.aiff"):
        soundfile.write(tmp_path / name, sound, 48000)
        assert start_time(tmp_path / name) is None
    files = [tmp_path / name for name in ("a.wav", "b.flac", "c.aiff")]
    assert common_start(files, 48000) == Start()


@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood")
def test_all_stems_begin_where_most_of_them_say(tmp_path):
    """At the cue's rate, whatever theirs; one that differs is named, one that is silent is not."""
    files = [
        stem(tmp_path / "a.wav", bext(10 * 48000)),
        stem(tmp_path / "b.wav", bext(10 * 44100), rate=44100),
        stem(tmp_path / "c.wav", bext(11 * 48000)),
        stem(tmp_path / "d.wav"),
    ]
    found = common_start(files, 96000)
    assert (found.samples, found.stated) == (960_000, True)
    assert len(found.doubts) == 1
    assert found.doubts[0].startswith("1 of 3 start times differ: c.wav says 11.000 s, most say 10")
    assert common_start(files[:2], 96000).doubts == ()


@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood")
def test_both_files_of_a_pair_say_when_they_begin(tmp_path):
    """Left and right each have a vote, and a side that differs is named by itself."""
    left = stem(tmp_path / "x_L.wav", bext(10 * 48000))
    right = stem(tmp_path / "x_R.wav", bext(11 * 48000))
    other = stem(tmp_path / "other.wav", bext(10 * 48000))
    alone = common_start([MonoPair(left, stem(tmp_path / "y_R.wav"))], 48000)
    assert alone == Start(480_000, True)
    found = common_start([MonoPair(left, right), other], 48000)
    assert (found.samples, len(found.doubts)) == (480_000, 1)
    assert found.doubts[0].startswith("1 of 3 start times differ: x_R.wav says 11.000 s")


@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood")
def test_a_damaged_or_impossible_time_is_said(tmp_path):
    """A bext chunk cut short and a time of 25 h: said in a line, and no stem's time is made up."""
    cut = stem(tmp_path / "cut.wav", chunk(b"bext", b"\0" * 100))
    with pytest.raises(AudioError, match=r"cut\.wav: its start time cannot be read"):
        start_time(cut)
    late = stem(tmp_path / "late.wav", bext(25 * 3600 * 48000))
    with pytest.raises(AudioError, match=r"late\.wav: its start time, 90000 s, lies beyond"):
        start_time(late)
    found = common_start([cut, late], 48000)
    assert (found.samples, found.stated, len(found.doubts)) == (0, False, 2)
