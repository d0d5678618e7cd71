"""A folder of stems becomes a cue file that runs as it is, whatever the files are called."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import fftconvolve

from placer.check import check
from placer.cue.configs import read_roles, read_seating
from placer.cue.draft import draft
from placer.cue.draft_guess import Ears
from placer.cue.draft_names import find, words_of
from placer.cue.draft_roles import role_by_ear, section_by_ear
from placer.cue.draft_sound import listen, same_performance
from placer.cue.read import read_cue
from placer.cue.records import Cue
from placer.errors import CueError
from placer.progress import Quiet
from tests.placer.small_cue import Told

RATE = 32000
SECONDS = 5.0


def player(manner: str, pitch: float, seed: int) -> np.ndarray:
    """Play an invented part: "run" (short notes), "held" (long notes) or "hit" (drum), (frame,)."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(SECONDS * RATE)) / RATE
    sound = np.zeros(time.size)
    starts = {
        "run": np.arange(0.1, SECONDS - 0.2, 1 / 7),
        "held": np.arange(0.0, SECONDS, 2.4),
        "hit": np.arange(0.3, SECONDS - 0.5, 1.1),
    }[manner]
    for start in starts + rng.uniform(0.0, 0.02, starts.size):
        after = time - start
        note = pitch * 2.0 ** (rng.integers(0, 5) / 12.0)
        if manner == "hit":
            shape = np.exp(-after / 0.06)
        elif manner == "run":
            shape = np.minimum(after / 0.005, 1.0) * np.exp(-after / 0.045)
        else:
            shape = np.clip(after / 0.3, 0, 1) * np.clip((2.6 - after) / 0.3, 0, 1)
        shape = np.where(after >= 0, shape, 0.0)
        tone = sum(
            np.sin(2 * np.pi * note * k * after + 6.28 * rng.random()) / k for k in range(1, 9)
        )
        sound += shape * (tone + 0.3 * rng.standard_normal(time.size))
    return 0.1 * sound / np.abs(sound).max()


def heard(sound: np.ndarray, position: str, seed: int) -> np.ndarray:
    """Hear a part through an invented microphone: later and more reverberant farther away."""
    delay, late = {
        "close": (0.003, 0.3), "tree": (0.015, 3.0), "outriggers": (0.02, 4.0),
        "hall": (0.035, 6.0),
    }[position]  # fmt: skip
    rng = np.random.default_rng(seed)
    response = np.zeros((2, RATE // 2))
    response[:, round(delay * RATE)] = 1.0
    decay = np.exp(-6.9 * np.arange(response.shape[1]) / (0.5 * RATE))
    decay[: round(delay * RATE)] = 0.0
    response += late * 0.03 * decay * rng.standard_normal(response.shape)
    wet = fftconvolve(np.tile(sound, (2, 1)), response, axes=1)[:, : sound.size]
    return 0.5 * wet / max(1.0, float(np.abs(wet).max()))


PARTS = {
    "vln1": ("held", 440.0, 1),
    "vln2": ("held", 400.0, 2),
    "celli": ("run", 110.0, 3),
    "basses": ("held", 55.0, 4),
    "horns": ("held", 220.0, 5),
    "timpani": ("hit", 80.0, 6),
}


@pytest.fixture(scope="module")
def parts() -> dict[str, np.ndarray]:
    return {name: player(*how) for name, how in PARTS.items()}


def export(folder: Path, files: dict[str, np.ndarray]) -> Path:
    """Write stems; names may hold folders."""
    for name, sound in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, np.atleast_2d(sound).T, RATE)
    return folder


def drafted(folder: Path) -> tuple[Cue, str]:
    path = draft(folder)
    return read_cue(path), path.read_text(encoding="utf-8")


def recorded(parts: dict[str, np.ndarray], name: str, position: str) -> np.ndarray:
    return heard(parts[name], position, seed=sum(map(ord, name + position)))


def sections(cue: Cue) -> dict[str, str]:
    return {track.name: track.section for track in cue.tracks}


# -- naming habits (all invented) -----------------------------------------------------------------


def test_habit_prefix_and_trailing_position(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Cue number and title first, position last: 1M3_Harbour_v04_VlnI_Close.wav."""
    names = {"vln1": "VlnI", "celli": "Vc_Ost", "horns": "Hns", "timpani": "Timp"}
    files = {
        f"1M3_Harbour_v04_{names[name]}_{position.title()}.wav": recorded(parts, name, position)
        for name in names
        for position in ("close", "tree", "hall")
    }
    cue, text = drafted(export(tmp_path, files))
    assert sections(cue) == {
        "VlnI": "violins_1", "Vc Ost": "celli", "Hns": "horns", "Timp": "timpani",
    }  # fmt: skip
    assert all(track.kind == "recorded" for track in cue.tracks)
    assert all(track.positions == ("close", "tree", "hall") for track in cue.tracks)
    roles = {track.name: track.role for track in cue.tracks}
    assert (roles["Vc Ost"], roles["Timp"]) == ("ostinato", "percussion")
    assert 'section = "celli" # likely: "vc" in the name' in text


def test_habit_one_folder_a_position(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Close Mics/01 Violins 1.wav beside Hall/01 Violins 1.wav."""
    names = {"vln1": "01 Violins 1", "vln2": "02 Violins 2", "celli": "03 Cellos spicc"}
    places = {"Close Mics": "close", "Outriggers": "outriggers", "Hall": "hall"}
    files = {
        f"{place}/{names[name]}.wav": recorded(parts, name, position)
        for name in names
        for place, position in places.items()
    }
    cue, _ = drafted(export(tmp_path, files))
    assert sections(cue) == {
        "Violins 1": "violins_1", "Violins 2": "violins_2", "Cellos spicc": "celli",
    }  # fmt: skip
    assert all(track.positions == ("close", "outriggers", "hall") for track in cue.tracks)
    assert cue.tracks[2].role == "ostinato"


def test_habit_one_folder_a_track(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Low Strings/Double Basses/spot.wav: the folder names the track, the file the position."""
    files = {
        f"{folder}/{position}.wav": recorded(parts, name, meaning)
        for folder, name in (("Strings/Double Basses", "basses"), ("Brass/Horns a4", "horns"))
        for position, meaning in (("spot", "close"), ("tree", "tree"), ("far", "hall"))
    }
    cue, _ = drafted(export(tmp_path, files))
    assert sections(cue) == {"Double Basses": "basses", "Horns a4": "horns"}
    assert all(track.positions == ("close", "tree", "hall") for track in cue.tracks)
    assert all(track.kind == "recorded" for track in cue.tracks)


def test_habit_single_letters(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """CLLI-C, CLLI-T, CLLI-A: letters count only because the sister files have them too."""
    files = {
        f"{name}-{letter}.wav": recorded(parts, part, position)
        for name, part in (("CLLI", "celli"), ("KB", "basses"), ("VL2", "vln2"))
        for letter, position in (("C", "close"), ("T", "tree"), ("A", "hall"))
    }
    cue, _ = drafted(export(tmp_path, files))
    assert sections(cue) == {"CLLI": "celli", "KB": "basses", "VL2": "violins_2"}
    assert all(track.positions == ("close", "tree", "hall") for track in cue.tracks)


def test_habit_dry_stems_with_layers(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Celli Ost and Celli Sus are two layers, not two positions; each single file is dry."""
    files = {
        "Stem - Celli Ost (dry).wav": parts["celli"],
        "Stem - Celli Sus (dry).wav": parts["basses"],
        "Stem - Horns Melody (dry).wav": parts["horns"],
        "Stem - Synth Pad (dry).wav": parts["vln2"],
        "Stem - FX Riser (dry).wav": parts["vln1"],
        "Stem - Full Mix (dry).wav": sum(parts.values()) / 6,
        "Stem - Click (dry).wav": parts["timpani"],
    }
    cue, text = drafted(export(tmp_path, files))
    assert {track.name: (track.kind, track.section, track.role) for track in cue.tracks} == {
        "Celli Ost": ("dry", "celli", "ostinato"),
        "Celli Sus": ("dry", "celli", "bed"),
        "Horns Melody": ("dry", "horns", "melody"),
        "Synth Pad": ("dry", "synth_pad", "pad"),
        "FX Riser": ("dry", "effects", "effect"),
    }
    assert "Left out" in text
    assert "Full Mix (dry).wav': looks like a mix" in text
    assert "Click (dry).wav': looks like a mix" in text


def test_habit_numbered_microphones(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Horns M1, M2, M3 hold one performance; Violins 1 and Violins 2 do not."""
    files = {
        f"Horns M{index + 1}.flac": recorded(parts, "horns", position)
        for index, position in enumerate(("close", "tree", "hall"))
    }
    files |= {"Violins 1.wav": parts["vln1"], "Violins 2.wav": parts["vln2"]}
    files |= {"Timp take 1.wav": parts["timpani"], "Timp take 2.wav": player("hit", 80.0, 66)}
    cue, text = drafted(export(tmp_path, files))
    found = {track.name: (track.kind, track.positions) for track in cue.tracks}
    assert found["Horns"] == ("recorded", ("m 1", "m 2", "m 3"))
    assert {name for name, (kind, _) in found.items() if kind == "dry"} == {
        "Violins 1", "Violins 2", "Timp take 1", "Timp take 2",
    }  # fmt: skip
    assert "# likely: the names differ in one word and the sound is one performance" in text


def test_names_without_help(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Audio 01 to 08: the sound tells what belongs together, what runs and what is low."""
    order = ["celli", "horns", "basses", "timpani"]
    files = {f"Audio {index + 1:02}.wav": parts[name] for index, name in enumerate(order)}
    files["Audio 05.wav"] = recorded(parts, "vln1", "close")
    files["Audio 06.wav"] = recorded(parts, "vln1", "hall")
    cue, text = drafted(export(tmp_path, files))
    assert [track.kind for track in cue.tracks] == ["dry"] * 4 + ["recorded"]
    roles = dict(zip(order, [track.role for track in cue.tracks], strict=False))
    assert roles == {
        "celli": "ostinato", "horns": "bed", "basses": "bass", "timpani": "percussion",
    }  # fmt: skip
    low = dict(zip(order, [track.section for track in cue.tracks], strict=False))
    assert (low["basses"], low["timpani"]) == ("basses", "low_drums")
    assert len({track.name for track in cue.tracks}) == 5
    assert text.count("# guess: ") >= 9


def test_a_stem_that_sits_aside_starts_there(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Without a name the place in the file counts: 12 dB to the left starts on the left."""
    left = np.stack([parts["celli"], 0.25 * parts["celli"]])
    cue, text = drafted(export(tmp_path, {"x.wav": left}))
    assert cue.tracks[0].start.seat is not None
    assert cue.tracks[0].start.seat[0] == -4.0
    assert "12 dB to the left in the file" in text


def tune(seed: int) -> np.ndarray:
    """One voice that moves by steps and leaps, 15 notes, (frame,)."""
    rng = np.random.default_rng(seed)
    notes = np.clip(np.cumsum(rng.choice([-2, -1, 1, 2, 3, -4], 15)), -7, 9)
    lengths = rng.choice([0.25, 0.3, 0.45], 15)
    sound = []
    for note, length in zip(notes, lengths, strict=True):
        time = np.arange(round(length * RATE)) / RATE
        pitch = 440.0 * 2.0 ** (note / 12.0)
        shape = np.clip(time / 0.02, 0, 1) * np.clip((length - time) / 0.02, 0, 1)
        sound.append(shape * sum(np.sin(2 * np.pi * pitch * k * time) / k for k in range(1, 7)))
    return 0.1 * np.concatenate(sound)


def test_what_may_carry_the_music_is_marked(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """By a word or by the sound, as a guess, where the role does not say so by itself."""
    files = {
        "Horns Theme Chords.wav": parts["horns"],  # "theme" beside "chords"
        "Solo Violin Sustain.wav": parts["vln1"],  # one player in front, holding notes
        "Violins Legato.wav": tune(3),  # "legato" names a bed, but it sounds like a tune
        "Trumpets Melody.wav": tune(4),
        "Celli Ost.wav": parts["celli"],
        "Violas Sus.wav": parts["vln2"],
        "Timpani.wav": parts["timpani"],
    }
    cue, text = drafted(export(tmp_path, files))
    assert {track.name for track in cue.tracks if track.foreground} == {
        "Horns Theme Chords", "Solo Violin Sustain", "Violins Legato",
    }  # fmt: skip
    assert {track.foreground for track in cue.tracks} == {True, None}
    marked = [line for line in text.splitlines() if line.startswith("foreground")]
    assert len(marked) == 3
    assert all(line.startswith("foreground = true # guess: ") for line in marked)
    assert 'foreground = true # guess: "theme" in the name' in marked


@pytest.mark.parametrize("count", [24, 25])
def test_a_large_template_is_offered_a_bus_a_section(tmp_path: Path, count: int) -> None:
    """Above 24 tracks, as comments that work when the sign before them is taken away."""
    sounds = [player("held", 100.0 + 20 * index, 70 + index)[:RATE] for index in range(count)]
    syllables = ["ba", "do", "ke", "lu", "mi"]  # invented words
    words = [one + other for one in syllables for other in syllables]
    names = [f"Low Brass {word}.wav" for word in words[: count - 1]]
    cue, text = drafted(export(tmp_path, dict(zip([*names, "Harp.wav"], sounds, strict=True))))
    assert {track.bus for track in cue.tracks} == {""}
    lines = [line for line in text.splitlines() if line.startswith("# bus = ")]
    assert len(lines) == (0 if count == 24 else 24)  # none for a harp by itself
    if lines:
        assert set(lines) == {
            '# bus = "low brass" # likely: tracks of one bus take one change together'
        }
        path = tmp_path / "buses.toml"
        path.write_text(text.replace("# bus = ", "bus = "), encoding="utf-8")
        buses = {track.name: track.bus for track in read_cue(path).tracks}
        assert buses.pop("Harp") == ""
        assert set(buses.values()) == {"low brass"}


# -- what must never happen ------------------------------------------------------------------------


def test_nothing_is_overwritten(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """A second draft is refused and the first stays; another name is fine."""
    folder = export(tmp_path / "stems", {"Celli.wav": parts["celli"]})
    first = draft(folder)
    first.write_text("mine")
    with pytest.raises(CueError, match="exists already and is not overwritten"):
        draft(folder)
    assert first.read_text() == "mine"
    other = draft(folder, tmp_path / "other.toml")
    assert read_cue(other).tracks[0].files[0].samefile(folder / "Celli.wav")


def test_bad_stems_are_left_out_and_named(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Silent, damaged or surround files do not stop the draft; it says why they are missing."""
    folder = export(
        tmp_path,
        {
            "Celli.wav": parts["celli"],
            "Silent.wav": np.zeros(RATE),
            "Six.wav": np.full((6, RATE), 0.1),
        },
    )
    (folder / "Broken.wav").write_bytes(b"RIFF")
    (folder / ".hidden.wav").write_bytes(b"RIFF")
    cue, text = drafted(folder)
    assert [track.name for track in cue.tracks] == ["Celli"]
    for words in ("'Silent.wav': is silent", "'Six.wav': has 6", "'Broken.wav': cannot be read"):
        assert words in text
    assert ".hidden" not in text


@pytest.mark.parametrize("what", ["nothing", "no stems", "only a mix", "no folder", "a file"])
def test_folders_without_stems(tmp_path: Path, parts: dict[str, np.ndarray], what: str) -> None:
    """One clear line, and no file is written."""
    folder = tmp_path / "in"
    folder.mkdir()
    if what == "no stems":
        (folder / "notes.txt").write_text("x")
        (folder / "bad.wav").write_text("x")
    elif what == "only a mix":
        export(folder, {"Mix.wav": parts["celli"]})
    elif what == "no folder":
        folder = tmp_path / "none"
    elif what == "a file":
        folder = export(tmp_path, {"a.wav": parts["celli"]}) / "a.wav"
    with pytest.raises(CueError, match="holds no|is not a folder"):
        draft(folder)
    assert not list(tmp_path.rglob("*.toml"))


def test_places_that_cannot_be_written(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """No such folder, or a name that no file system takes."""
    folder = export(tmp_path / "in", {"Celli.wav": parts["celli"]})
    for out in (tmp_path / "none" / "x.toml", tmp_path / ("x" * 500)):
        with pytest.raises(CueError, match="cannot be written"):
            draft(folder, out)


def test_odd_file_names_still_make_a_cue_file(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Quotes, hashes, brackets, umlauts, dots, one name twice: it parses and runs."""
    names = [
        'Vla "soft" #2.wav',
        "Größe {x}.wav",
        "x..wav.wav",
        "CON.wav",
        "a/Celli.wav",
        "b/celli.wav",
    ]
    files = {
        name: player("held", 200.0 + 40 * index, 20 + index) for index, name in enumerate(names)
    }
    cue, _ = drafted(export(tmp_path, files))
    assert len(cue.tracks) == len(names)
    assert {file.name for track in cue.tracks for file in track.files} == {
        Path(name).name for name in names
    }


# -- words and sound -------------------------------------------------------------------------------


def section_of(name: str) -> str | None:
    ears = Ears.of(read_seating(), read_roles())
    match = find([word.text for word in words_of(name)], ears.sections)
    return None if match is None else match.meaning


@pytest.mark.parametrize(
    ("name", "section"),
    [
        ("VLN1", "violins_1"), ("Vln II", "violins_2"), ("2nd Violins", "violins_2"),
        ("strings_hi", "violins"), ("Vla", "violas"), ("VC", "celli"), ("Cellos", "celli"),
        ("CB", "basses"), ("Bass", "basses"), ("String Bass", "basses"), ("StrLo", "low_strings"),
        ("Bass Clarinet", "clarinets"), ("BassDrum", "low_drums"), ("Bass Tbn", "trombones"),
        ("Bass Trombone", "trombones"), ("SynthBass", "synth_bass"), ("Sub", "synth_bass"),
        ("Cor Anglais", "oboes"), ("Engl Horn", "oboes"), ("FrHns", "horns"), ("F Hn", "horns"),
        ("TPT", "trumpets"), ("Tbn", "trombones"), ("Tba", "tuba"), ("LowBrass", "low_brass"),
        ("Timps", "timpani"), ("Snare", "high_drums"), ("Piatti", "metals"), ("Glock", "mallets"),
        ("Choir Men", "men"), ("Sopranos", "women"), ("Coro", "choir"), ("Solo Violin", "soloist"),
        ("Hp", "harp"), ("Pno", "piano"), ("Celesta", "celesta"), ("Warm Pad", "synth_pad"),
        ("Whoosh", "effects"), ("Kazoo", None),
    ],
)  # fmt: skip
def test_abbreviations(name: str, section: str | None) -> None:
    """What the trade writes is understood; longer phrases win over the words inside them."""
    assert section_of(name) == section


def test_one_performance_is_told_from_two(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Two microphones, one player: the same. The same notes played again: not the same."""
    files = {
        f"{name}-{position}.wav": recorded(parts, name, position)
        for name in ("vln1", "celli", "timpani")
        for position in ("close", "tree", "hall")
    }
    files["again.wav"] = heard(player("run", 110.0, 33), "tree", 9)
    export(tmp_path, files)
    for name in ("vln1", "celli", "timpani"):
        close = tmp_path / f"{name}-close.wav"
        for other in ("tree", "hall"):
            assert same_performance(close, tmp_path / f"{name}-{other}.wav", 0.0)
        assert not same_performance(close, tmp_path / "again.wav", 0.0)
    assert not same_performance(tmp_path / "vln1-tree.wav", tmp_path / "celli-tree.wav", 0.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_a_stem_says(tmp_path: Path, seed: int) -> None:
    """Seven notes a second are counted, long notes hold, drums die away, registers are found."""
    for name, manner, pitch in (
        ("run", "run", 110.0), ("held", "held", 330.0), ("hit", "hit", 70.0), ("low", "held", 50.0)
    ):  # fmt: skip
        export(tmp_path, {f"{name}.wav": player(manner, pitch, seed)})
    run, held, hit, low = (
        listen(tmp_path / f"{name}.wav") for name in ("run", "held", "hit", "low")
    )
    assert 5.5 < run.onsets < 8.5
    assert held.onsets < 2.5
    assert held.held > 0.8
    assert hit.held < 0.5
    assert low.middle < 110 < held.middle < 700
    assert [role_by_ear(one)[0] for one in (run, held, hit, low)] == [
        "ostinato", "bed", "percussion", "bass",
    ]  # fmt: skip
    assert section_by_ear(hit)[0] == "low_drums"
    assert section_by_ear(low)[0] == "basses"


@pytest.mark.parametrize("frames", [330, 700, 1100])
def test_very_short_stems_can_be_heard(tmp_path: Path, frames: int) -> None:
    """A hit shorter than one analysis window is a stem too."""
    noise = 0.1 * np.random.default_rng(2).standard_normal(frames)
    sound = listen(export(tmp_path, {"a.wav": noise}) / "a.wav")
    assert sound.middle > 1000
    assert np.isfinite(sound.onsets)


def test_side_spread_and_silence(tmp_path: Path) -> None:
    """Left and right level, decorrelation and the silent share are what was put in."""
    rng = np.random.default_rng(1)
    noise = 0.1 * rng.standard_normal((2, 4 * RATE))
    noise[:, : 2 * RATE] = 0
    wide = listen(export(tmp_path, {"wide.wav": noise}) / "wide.wav")
    assert wide.spread == pytest.approx(1.0, abs=0.05)
    assert wide.silence == pytest.approx(0.5, abs=0.03)
    side = np.stack([noise[0], 2 * noise[0]])
    right = listen(export(tmp_path, {"side.wav": side}) / "side.wav")
    assert right.balance_db == pytest.approx(6.02, abs=0.05)
    assert right.spread == pytest.approx(0.0, abs=0.01)


@given(st.text(max_size=40))
@settings(max_examples=200, deadline=None)
def test_any_name_can_be_cut_into_words(name: str) -> None:
    """Words lie inside the name, in order, without overlapping."""
    words = words_of(name)
    ends = [0, *(word.end for word in words)]
    assert all(word.start >= end for word, end in zip(words, ends, strict=False))
    assert all(word.text for word in words)


# -- wet or dry, and how far it is ----------------------------------------------------------------


@pytest.mark.parametrize("seconds", [0.6, 1.5])
def test_a_stem_with_a_room_in_it_is_a_doubt(tmp_path: Path, seconds: float) -> None:
    """Dry notes end at once; in a room even the steepest fall takes about its decay time.

    An instrument that rings by itself is no doubt.
    """
    rng = np.random.default_rng(7)
    note = np.tile(np.r_[np.ones(RATE // 2), np.zeros(RATE // 2)], 4)
    dry = 0.1 * note * rng.standard_normal(note.size)
    time = np.arange(round(seconds * RATE)) / RATE
    room = np.exp(-6.908 * time / seconds) * rng.standard_normal(time.size)
    wet = 0.02 * fftconvolve(dry, room)[: dry.size]
    folder = export(tmp_path, {"celli.wav": dry, "horns.wav": wet, "harp.wav": 0.5 * wet})
    assert listen(folder / "celli.wav").fade < 0.3
    assert listen(folder / "horns.wav").fade == pytest.approx(seconds, rel=0.35)
    _, text = drafted(folder)
    lines = {line.split('"')[1]: line for line in text.splitlines() if line.startswith("file")}
    assert "guess" not in lines["celli.wav"]
    assert "s for 60 dB, so if it has its room in it, use positions" in lines["horns.wav"]
    assert "60 dB" not in lines["harp.wav"]  # strings of a harp ring by themselves


def test_progress_and_guesses_left(tmp_path: Path, parts: dict[str, np.ndarray]) -> None:
    """Every stem is told of as it is heard; `check` counts the guesses until they are gone."""
    told = Told()
    stems = {"celli.wav": parts["celli"], "zzz.wav": parts["horns"]}
    folder = export(tmp_path / "odd", stems | {"mute.wav": 0.0 * parts["celli"]})
    path = draft(folder, None, told)
    assert told.stages == [("hearing stems", 3)]
    assert told.done == [(1, "celli"), (2, "mute"), (3, "zzz")]
    text = path.read_text(encoding="utf-8")
    left = text.count(" # guess:")
    assert left >= 3
    (line,) = told.lines
    assert line == (
        "2 tracks from 3 files; left out: 'mute.wav' (is silent throughout). "
        f"{left} lines to check: they are marked guess."
    )
    assert f'{left} lines are still marked "guess"' in "\n".join(check(path, Quiet()))
    path.write_text(text.replace(" # guess:", " # sure:", left - 1), encoding="utf-8")
    assert '1 line is still marked "guess"' in "\n".join(check(path, Quiet()))
    path.write_text(text.replace(" # guess:", " # sure:"), encoding="utf-8")
    assert "still marked" not in "\n".join(check(path, Quiet()))
