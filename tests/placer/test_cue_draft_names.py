"""Names of stems: split mono, positions named in several ways, five languages, takes."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve

from placer.audio.pairs import MonoPair
from placer.check import check
from placer.cue.configs import read_roles, read_seating
from placer.cue.draft import draft
from placer.cue.draft_groups import Named
from placer.cue.draft_guess import Ears, Guess
from placer.cue.draft_names import takes, whole_position, words_of
from placer.cue.draft_sound import listen
from placer.cue.read import read_cue
from placer.cue.records import Cue
from placer.progress import Quiet

RATE = 32000


def part(seed: int, seconds: float = 4.0) -> np.ndarray:
    """An invented part: notes of noise and tone, (frame,)."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    tone = np.sin(2 * np.pi * rng.uniform(150, 500) * time)
    gate = np.repeat(rng.random(int(seconds * 4)) > 0.3, RATE // 4)[: time.size]
    return 0.1 * gate * (tone + rng.standard_normal(time.size))


def heard(sound: np.ndarray, seed: int, delay: float) -> np.ndarray:
    """One microphone of a room: later, with a little decay of its own."""
    rng = np.random.default_rng(seed)
    response = 0.02 * rng.standard_normal(RATE // 5) * np.exp(-np.arange(RATE // 5) / 1500.0)
    response[: round(delay * RATE)] = 0.0
    response[round(delay * RATE)] = 1.0
    return 0.5 * fftconvolve(sound, response)[: sound.size]


def export(folder: Path, files: dict[str, np.ndarray]) -> Path:
    for name, sound in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, np.atleast_2d(sound).T, RATE)
    return folder


def drafted(folder: Path) -> tuple[Cue, str]:
    path = draft(folder)
    return read_cue(path), path.read_text(encoding="utf-8")


def file_names(cue: Cue) -> list[list[object]]:
    """Names of all files of all tracks; a pair is a tuple."""
    return [
        [
            (one.left.name, one.right.name) if isinstance(one, MonoPair) else one.name
            for one in track.files
        ]
        for track in cue.tracks
    ]


# -- split mono -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("_L", "_R"), (".L", ".R"), ("-1", "-2"), (" (L)", " (R)"), (" left", " right"),
        ("_Left", "_Right"), ("_1", "_2"), ("_links", "_rechts"), ("_L_v03", "_R_v03"),
    ],
)  # fmt: skip
def test_split_mono_is_one_position_of_one_track(tmp_path: Path, left: str, right: str) -> None:
    """However left and right are written: one track, three positions, pairs as they were."""
    files = {}
    for name, seed in (("Horns", 1), ("Celli", 2)):
        sound = part(seed)
        for position, delay in (("close", 0.002), ("tree", 0.012), ("far hall", 0.03)):
            for side, more in ((left, 0.0), (right, 0.001)):
                mono = heard(sound, seed + round(1e4 * (delay + more)), delay + more)
                files[f"{name}_{position}{side}.wav"] = mono
    cue, text = drafted(export(tmp_path, files))
    assert [track.positions for track in cue.tracks] == [("close", "tree", "hall")] * 2
    assert file_names(cue) == [
        [
            (f"{name}_{position}{left}.wav", f"{name}_{position}{right}.wav")
            for position in ("close", "tree", "far hall")
        ]
        for name in ("Celli", "Horns")
    ]
    assert [track.name for track in cue.tracks] == ["Celli", "Horns"]
    assert [track.section for track in cue.tracks] == ["celli", "horns"]
    numbered = left[-1] == "1"
    assert text.count("two numbered mono files hold one performance") == 2 * numbered
    assert not any("guess" in line for line in text.splitlines() if line.startswith("positions"))


def test_dry_split_mono_and_what_is_none(tmp_path: Path) -> None:
    """A dry pair is one file list; two parts, a lone left and stereo sides are left alone."""
    mono = part(1)
    files = {
        "Bassoons.L.wav": mono,
        "Bassoons.R.wav": 0.7 * mono,
        "Violins-1.wav": part(4),
        "Violins-2.wav": part(5),
        "Tuba L.wav": part(6),
        "Flutes_L.wav": np.stack([part(2), part(3)]),
        "Flutes_R.wav": np.stack([part(11), part(12)]),
        "Oboe_1.wav": part(7),
        "Oboe_2.wav": part(8),
        "Harp_L.wav": part(9),
        "Harp_R.wav": part(10),
    }
    cue, text = drafted(export(tmp_path, files))
    assert file_names(cue) == [
        [("Bassoons.L.wav", "Bassoons.R.wav")],
        ["Flutes_L.wav"],
        ["Flutes_R.wav"],
        ["Harp_L.wav"],
        ["Harp_R.wav"],
        ["Oboe_1.wav"],
        ["Oboe_2.wav"],
        ["Tuba L.wav"],
        ["Violins-1.wav"],
        ["Violins-2.wav"],
    ]
    assert 'file = ["Bassoons.L.wav", "Bassoons.R.wav"] # sure: left and right' in text
    harps = [line for line in text.splitlines() if line.startswith('file = "Harp')]
    assert [line.count("# guess: named like one side of") for line in harps] == [1, 1]
    assert "'Harp_R.wav', but it holds other notes: two layers" in harps[0]
    sections = {track.name: track.section for track in cue.tracks}
    assert (sections["Violins 1"], sections["Violins 2"]) == ("violins_1", "violins_2")


def tone(hertz: float, seconds: float = 4.0) -> np.ndarray:
    """A pure tone that fades in and out."""
    time = np.arange(round(seconds * RATE)) / RATE
    fade = np.minimum(1.0, np.minimum(time, seconds - time) / 0.05)
    return 0.2 * fade * np.sin(2 * np.pi * hertz * time)


@pytest.mark.parametrize(("left", "right"), [("_L", "_R"), ("-1", "-2"), (" (L)", " (R)")])
@pytest.mark.parametrize("other", [220.7, 225.0, 277.2, 440.0])
def test_two_tones_are_no_pair(tmp_path: Path, left: str, right: str, other: float) -> None:
    """However alike they are and however they are named; the same tone on both sides is one."""
    files = {
        f"Bell{left}.wav": tone(220.0),
        f"Bell{right}.wav": 0.7 * tone(other),
        f"Gong{left}.wav": tone(220.0),
        f"Gong{right}.wav": 0.7 * tone(220.0),
    }
    cue, text = drafted(export(tmp_path, files))
    assert file_names(cue) == [
        [f"Bell{left}.wav"],
        [f"Bell{right}.wav"],
        [(f"Gong{left}.wav", f"Gong{right}.wav")],
    ]
    assert text.count("but it holds other notes: two layers") == (0 if left == "-1" else 2)


def test_sides_that_may_be_a_pair_are_one_and_marked(tmp_path: Path) -> None:
    """Two noises of one colour, and a sound beside a silent side."""
    rng = np.random.default_rng(8)
    files = {
        "Wind_L.wav": 0.1 * rng.standard_normal(4 * RATE),
        "Wind_R.wav": 0.1 * rng.standard_normal(4 * RATE),
        "Tuba_L.wav": part(6),
        "Tuba_R.wav": 1e-9 * part(6),
    }
    cue, text = drafted(export(tmp_path, files))
    assert file_names(cue) == [[("Tuba_L.wav", "Tuba_R.wav")], [("Wind_L.wav", "Wind_R.wav")]]
    pairs = [line for line in text.splitlines() if line.startswith("file = [")]
    assert all("# guess: left and right by their names, but their" in line for line in pairs)


def test_check_says_the_rule_of_pairs(tmp_path: Path) -> None:
    """Which files are one sound, and which are named like one but are two tracks."""
    files = {
        "Bell_L.wav": tone(220.0), "Bell_R.wav": tone(330.0),
        "Gong_L.wav": tone(220.0), "Gong_R.wav": tone(220.0),
    }  # fmt: skip
    cue, _ = drafted(export(tmp_path, files))
    lines = check(cue.path, Quiet())
    assert (
        "    Gong_L.wav and Gong_R.wav: two mono files, read as left and right of one sound"
        in lines
    )
    (asked,) = (line for line in lines if "named like left and right" in line)
    assert "Bell_L.wav and Bell_R.wav" in asked
    assert "unless they hold other notes" in asked
    assert asked.endswith('file = ["Bell_L.wav", "Bell_R.wav"]')


def test_three_numbered_mono_files_are_no_pair(tmp_path: Path) -> None:
    """A third file of the same name says that the numbers count something else."""
    sound = part(1)
    files = {f"Tuba-{number}.wav": heard(sound, number, 0.01) for number in (1, 2, 3)}
    cue, _ = drafted(export(tmp_path, files))
    assert not any(isinstance(one, MonoPair) for track in cue.tracks for one in track.files)


# -- positions ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "positions"),
    [
        (("tree", "mid", "far_hall"), ("tree", "mid", "hall")),
        (("spot", "main", "out", "far"), ("close", "tree", "outriggers", "hall")),
        (("near", "mid", "wide", "room"), ("close", "tree", "outriggers", "hall")),
        (("close", "AB", "outrig", "surround"), ("close", "tree", "outriggers", "hall")),
        (("spots", "ORTF", "wides", "ambience"), ("close", "tree", "outriggers", "hall")),
        (("Close Mics", "Main Mics", "Outriggers", "Hall"),
         ("close", "tree", "outriggers", "hall")),
        (("near_tree", "far_tree"), ("near tree", "far tree")),
        (("close", "hall", "room", "surr"), ("close", "hall", "room", "surr")),
        (("close_v02", "mid_v02", "far_hall_v02"), ("close", "tree", "hall")),
    ],
)  # fmt: skip
def test_positions_of_one_track_meet(
    tmp_path: Path, names: tuple[str, ...], positions: tuple[str, ...]
) -> None:
    """By kind of array, by distance, or both: one track; the usual four have their usual names."""
    files = {}
    for track, seed in (("Celli", 1), ("Horns a4", 2)):
        for place, name in enumerate(names):
            mono = heard(part(seed), 10 * seed + place, 0.004 + 0.01 * place)
            files[f"Harbour_{track}_{name}.wav"] = np.tile(mono, (2, 1))
    cue, _ = drafted(export(tmp_path, files))
    assert [set(track.positions) for track in cue.tracks] == [set(positions)] * 2
    if positions != ("near tree", "far tree"):
        assert [track.positions for track in cue.tracks] == [positions] * 2
    assert [track.section for track in cue.tracks] == ["celli", "horns"]


def test_short_words_alone_are_no_positions(tmp_path: Path) -> None:
    """Strings Mid and Pad Wide name layers where no sister file has another position."""
    files = {"Strings Mid.wav": part(1), "Pad Wide.wav": part(2), "Brass Main.wav": part(3)}
    cue, _ = drafted(export(tmp_path, files))
    assert [track.kind for track in cue.tracks] == ["dry"] * 3


def test_words_of_a_position() -> None:
    """All words that belong to it, and no other."""
    assert whole_position(["harbour", "celli"]) is None
    found = whole_position(["celli", "mid", "tree"])
    assert found is not None
    assert (found.meaning, found.first, found.last) == ("tree", 1, 3)


# -- languages ------------------------------------------------------------------------------------

GERMAN = {
    "Violinen 1": "violins_1", "2. Geigen": "violins_2", "Bratschen": "violas", "Celli": "celli",
    "Kontrabässe": "basses", "Bässe": "basses", "Flöten": "flutes", "Floeten": "flutes",
    "Oboen": "oboes", "Englischhorn": "oboes", "Klarinetten": "clarinets",
    "Bassklarinette": "clarinets", "Fagotte": "bassoons", "Kontrafagott": "bassoons",
    "Hörner": "horns", "Hoerner": "horns", "Horner": "horns", "Trompeten": "trumpets",
    "Posaunen": "trombones", "Bassposaune": "trombones", "Tuba": "tuba", "Pauken": "timpani",
    "Große Trommel": "low_drums", "Kleine Trommel": "high_drums", "Becken": "metals",
    "Schlagzeug": "percussion", "Harfe": "harp", "Klavier": "piano", "Flügel": "piano",
    "Streicher": "strings", "Holzbläser": "woodwinds", "Blechbläser": "brass", "Chor": "choir",
    "Frauenchor": "women", "Männerchor": "men", "Orgel": "organ", "Flügelhorn": "trumpets",
}  # fmt: skip
FRENCH = {
    "Violons 1": "violins_1", "Seconds violons": "violins_2", "Altos": "violas",
    "Violoncelles": "celli", "Contrebasses": "basses", "Flûtes": "flutes", "Hautbois": "oboes",
    "Cor anglais": "oboes", "Clarinettes": "clarinets", "Clarinette basse": "clarinets",
    "Bassons": "bassoons", "Contrebasson": "bassoons", "Cors": "horns", "Trompettes": "trumpets",
    "Trombones": "trombones", "Tubas": "tuba", "Timbales": "timpani", "Grosse caisse": "low_drums",
    "Caisse claire": "high_drums", "Cymbales": "metals", "Percussions": "percussion",
    "Harpe": "harp", "Cordes": "strings", "Cuivres": "brass", "Bois": "woodwinds",
    "Chœur": "choir", "Chœur de femmes": "women", "Orgue": "organ", "Célesta": "celesta",
}  # fmt: skip
ITALIAN = {
    "Violini I": "violins_1", "Violini II": "violins_2", "Viole": "violas", "Violoncelli": "celli",
    "Contrabbassi": "basses", "Flauti": "flutes", "Ottavino": "flutes", "Oboi": "oboes",
    "Corno inglese": "oboes", "Clarinetti": "clarinets", "Fagotti": "bassoons", "Corni": "horns",
    "Trombe": "trumpets", "Tromboni": "trombones", "Timpani": "timpani",
    "Gran cassa": "low_drums", "Piatti": "metals", "Arpa": "harp", "Archi": "strings",
    "Ottoni": "brass", "Legni": "woodwinds", "Coro": "choir", "Percussioni": "percussion",
}  # fmt: skip
SPANISH = {
    "Violines 1": "violins_1", "Segundos violines": "violins_2", "Violas": "violas",
    "Violonchelos": "celli", "Contrabajos": "basses", "Flautas": "flutes",
    "Corno inglés": "oboes", "Clarinetes": "clarinets", "Fagotes": "bassoons",
    "Trompas": "horns", "Trompetas": "trumpets", "Trombones": "trombones", "Timbales": "timpani",
    "Bombo": "low_drums", "Caja": "high_drums", "Platillos": "metals", "Percusión": "percussion",
    "Cuerdas": "strings", "Metales": "brass", "Maderas": "woodwinds", "Órgano": "organ",
    "Mujeres": "women", "Hombres": "men",
}  # fmt: skip
WAYS = ("{}", "01_{}", "{}_T2", "{} take 3", "Hafen_{}_v04", "{}_NFD", "{}_upper")


def written(name: str, way: str) -> str:
    """Write a name in one way of an export; NFD is what some file systems store."""
    if way.endswith("NFD"):
        return unicodedata.normalize("NFD", name)
    return name.upper() if way.endswith("upper") else way.format(name)


def guesses(names: list[str], folder: Path) -> list[Guess]:
    """Sections guessed from names alone, the sound being noise."""
    noise = part(1, 0.5)
    sound = listen(export(folder, {"noise.wav": noise}) / "noise.wav")
    sources = [folder / f"{name}.wav" for name in names]
    ears = Ears.of(read_seating(), read_roles(), sources)
    return [
        ears.section(
            [word.text for word in words_of(name)],
            Named(source, tuple(words_of(name)), name, ()),
            sound,
        )
        for name, source in zip(names, sources, strict=True)
    ]


@pytest.mark.parametrize("table", [GERMAN, FRENCH, ITALIAN, SPANISH])
@pytest.mark.parametrize("way", WAYS)
def test_sections_in_other_languages(table: dict[str, str], way: str, tmp_path: Path) -> None:
    """Every name is right, whichever way it is written; only the ambiguous ones are guesses."""
    found = guesses([written(name, way) for name in table], tmp_path)
    assert dict(zip(table, [one.value for one in found], strict=True)) == table
    marked = {name for name, one in zip(table, found, strict=True) if one.sure == "guess"}
    assert marked <= {"Altos", "Timbales", "Bässe"}


def test_altos_are_violas_among_french_strings_and_women_among_voices(tmp_path: Path) -> None:
    """One word, two sections: the names around decide, and the draft says that it guessed."""
    french = guesses(["Altos", "Violons 1", "Cors"], tmp_path)[0]
    voices = guesses(["Altos", "Sopranos", "Tenors"], tmp_path)[0]
    alone = guesses(["Altos", "Kazoo"], tmp_path)[0]
    assert (french.value, voices.value, alone.value) == ("violas", "women", "women")
    assert {french.sure, voices.sure, alone.sure} == {"guess"}
    assert "stands for several sections" in french.why
    flute, sax = guesses(["Alto Flute", "Alto Sax"], tmp_path)
    assert (flute.value, sax.value) == ("flutes", "saxophones")
    assert {flute.sure, sax.sure} == {"sure"}


def test_basses_may_sing(tmp_path: Path) -> None:
    """Beside voices the word is a guess; without them it is sure."""
    beside = guesses(["Basses", "Tenors", "Celli"], tmp_path)[0]
    alone = guesses(["Basses", "Celli"], tmp_path)[0]
    own = guesses(["Choir Basses", "Choir Tenors"], tmp_path)[0]
    assert (beside.value, beside.sure) == ("basses", "guess")
    assert (alone.value, alone.sure) == ("basses", "sure")
    assert (own.value, own.sure) == ("men", "guess")


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Celli kurze Noten", "ostinato"), ("Violons notes longues", "bed"),
        ("Hörner Melodie", "melody"), ("Cors contrechant", "counter_melody"),
        ("Archi accompagnamento", "bed"), ("Trompas tema", "melody"), ("Streicher Fläche", "pad"),
        ("Viole tenute", None), ("Posaunen Akzente", "accent"), ("Bajo línea de bajo", "bass"),
    ],
)  # fmt: skip
def test_roles_in_other_languages(name: str, role: str | None, tmp_path: Path) -> None:
    """What a layer does, as other languages write it; what they do not say is a guess."""
    sound = listen(export(tmp_path, {"noise.wav": part(1, 0.5)}) / "noise.wav")
    words = tuple(words_of(unicodedata.normalize("NFD", name)))
    one = Named(tmp_path / "x.wav", words, name, ())
    ears = Ears.of(read_seating(), read_roles())
    found = ears.role([word.text for word in words], one, sound, Guess("other", "guess", ""))
    assert found.sure == "guess" if role is None else found.value == role


def test_a_bass_drum_plays_no_bass_line(tmp_path: Path) -> None:
    """The word counts as a role only where it is not part of an instrument's name."""
    files = {"Bass Drum.wav": part(1), "Bass Clarinet.wav": part(2), "Tuba Bass.wav": part(3)}
    cue, text = drafted(export(tmp_path, files))
    roles = {track.name: track.role for track in cue.tracks}
    assert (roles["Bass Drum"], roles["Tuba Bass"]) == ("percussion", "bass")
    assert '"bass" in the name' not in text.split('name = "Tuba Bass"')[0]


@pytest.mark.parametrize(
    ("name", "counted"),
    [
        ("Horns_T2", [1, 2]), ("Horns take 3", [1, 2]), ("01_Horns_v04", [2, 3]),
        ("V2", []), ("Tree 2", []), ("Horns 2", []), ("Horns_tree_T12", [2, 3]),
    ],
)  # fmt: skip
def test_words_that_count_exports(name: str, counted: list[int]) -> None:
    """Takes and versions are found behind a name, never as the name itself."""
    assert sorted(takes([word.text for word in words_of(name)])) == counted


def test_version_numbers_are_no_violins(tmp_path: Path) -> None:
    """Kazoo_v01 is not the first violins; Quarry_V1 may well be."""
    kazoo, violins, alone = guesses(["Kazoo_v01", "Quarry_V1", "V2"], tmp_path)
    assert kazoo.sure == "guess"
    assert (violins.value, alone.value) == ("violins_1", "violins_2")


def test_file_numbers_are_no_section_numbers(tmp_path: Path) -> None:
    """A number with a zero counts files; one behind a name wins; STRLO is two words in one."""
    found = guesses(["02_Violons 1", "2 Violini 1", "2. Geigen", "01 Geigen", "STRLO"], tmp_path)
    assert [one.value for one in found] == [
        "violins_1", "violins_1", "violins_2", "violins", "low_strings",
    ]  # fmt: skip


# -- length ---------------------------------------------------------------------------------------


def test_a_stem_of_half_the_length_is_marked(tmp_path: Path) -> None:
    """A stem exported by a wrong range is told of in the draft; a tail cut shorter is not."""
    files = {"Celli.wav": part(1, 8.0), "Horns.wav": part(2, 4.0), "Harp.wav": part(3, 7.0)}
    _, text = drafted(export(tmp_path, files))
    lines = {line.split('"')[1]: line for line in text.splitlines() if line.startswith("file")}
    assert "# guess:" in lines["Horns.wav"]
    assert "4.0 s long, the longest stem 8.0 s: is it exported whole?" in lines["Horns.wav"]
    assert "exported whole" not in lines["Celli.wav"] + lines["Harp.wav"]
