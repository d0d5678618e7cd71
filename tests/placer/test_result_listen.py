import http.client
import json
import shutil
import socket
import struct
import threading
import tomllib
from urllib.parse import quote

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from placer.errors import AudioError, FolderError
from placer.result.blind import Listening, RequestError
from placer.result.listen import ListenServer, serve
from placer.result.matching import loudness_words, matching_gains, spread_lu
from placer.result.ranges import WavBytes, parse_range
from tests.placer.result_run import changed, run_result, write_run


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run") / "run"
    write_run(folder, mixes=2, seconds=1.0)
    return folder


@pytest.fixture
def server(run_folder, tmp_path):
    copy = tmp_path / "run"
    shutil.copytree(run_folder, copy)
    with ListenServer(copy) as serving:
        thread = threading.Thread(target=serving.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        yield serving
        serving.shutdown()
        thread.join()


def ask(server, method, path, *, body=None, **headers):
    """One request; returns (status, headers, body)."""
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    own = {"Host": f"127.0.0.1:{server.server_port}", "Origin": server.url.rstrip("/")}
    named = {key.replace("_", "-"): value for key, value in headers.items()}
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    for key, value in (own | named).items():
        if value is not None:
            connection.putheader(key, value)
    data = json.dumps(body).encode() if body is not None else b""
    if method == "POST":
        connection.putheader("Content-Length", str(len(data)))
    connection.endheaders(data if method == "POST" else None)
    answer = connection.getresponse()
    found = answer.status, dict(answer.getheaders()), answer.read()
    connection.close()
    return found


def post(server, path, body):
    status, _, found = ask(server, "POST", path, body=body)
    return status, json.loads(found)


def test_it_listens_on_this_machine_only(server):
    """The socket is bound to the loopback address."""
    assert server.server_address[0] == "127.0.0.1"
    assert server.url == f"http://127.0.0.1:{server.server_port}/"


def test_ranges_give_the_very_bytes(server):
    """A range is 206 with its place in the file; the pieces make up the file."""
    token = server.answers.listening.token(1)
    whole = (server.answers.folder / "mix-01.wav").read_bytes()
    status, headers, body = ask(server, "GET", f"/audio/{token}", Range="bytes=100-299")
    assert (status, body) == (206, whole[100:300])
    assert headers["Content-Range"] == f"bytes 100-299/{len(whole)}"
    status, headers, body = ask(server, "GET", f"/audio/{token}")
    assert (status, body, headers["Accept-Ranges"]) == (200, whole, "bytes")
    status, headers, _ = ask(server, "GET", f"/audio/{token}", Range=f"bytes={len(whole)}-")
    assert (status, headers["Content-Range"]) == (416, f"bytes */{len(whole)}")
    status, headers, body = ask(server, "HEAD", f"/audio/{token}")
    assert (status, headers["Content-Length"], body) == (200, str(len(whole)), b"")


@pytest.mark.parametrize(
    "path",
    ["/result.json", "/audio/mix-01.wav", "/audio/../result.json", "/audio/", "/audio/x/0",
     "/%2e%2e/etc/passwd", "/votes.json", "//etc/passwd"],
)  # fmt: skip
def test_nothing_but_named_sound_is_served(server, path):
    """No path reaches a file: only tokens that the server gave out do."""
    assert ask(server, "GET", path)[0] == 404


def test_passages_of_moved_tracks_go_by_rank_and_number(server):
    """A track that some mix moves, in that mix and in the reference; no other, and no path."""
    parts = server.answers.folder / "parts"
    for rank in (0, 1):
        status, _, body = ask(server, "GET", f"/parts/{rank}/3")
        assert (status, body) == (200, (parts / f"{rank:02d}" / "Soft choir.wav").read_bytes())
    for bad in ("0/5", "1/2", "9/3", "1/99", "1/-1", "1", "01/../../result.json", "1/3/..",
                "%31/3", "1/3?x", "\u0661/3"):  # fmt: skip
        assert ask(server, "GET", f"/parts/{quote(bad, safe='/%?.-')}")[0] == 404


def test_answers_to_moves_are_written_and_taken_back(server):
    """A file that TOML reads back, the moves of one mix at a time; none left, no file."""
    path = server.answers.folder / "answers.toml"
    asked = {"mix": 1, "kept": ["Low strings run"], "refused": ["Soft choir"]}
    assert post(server, "/answers", asked) == (200, {})
    assert tomllib.loads(path.read_text()) == asked
    assert "Soft choir" in ask(server, "GET", "/")[2].decode()
    assert post(server, "/answers", {"mix": 1, "kept": [], "refused": []}) == (200, {})
    assert not path.exists()


@pytest.mark.parametrize(
    "asked",
    [
        {"mix": 9, "kept": ["Soft choir"], "refused": []},
        {"mix": 0, "kept": ["Soft choir"], "refused": []},
        {"mix": True, "kept": ["Soft choir"], "refused": []},
        {"mix": 1, "kept": ["Horns"], "refused": []},
        {"mix": 1, "kept": ["../x"], "refused": []},
        {"mix": 1, "kept": [7], "refused": []},
        {"mix": 1, "kept": ["Soft choir"], "refused": ["Soft choir"]},
        {"mix": 1, "kept": "Soft choir", "refused": []},
        {"mix": 1, "kept": []},
        [],
    ],
)
def test_answers_that_make_no_sense_are_refused(server, asked):
    """Wrong mixes, tracks that do not move, both at once: 400 with a reason, nothing written."""
    status, found = post(server, "/answers", asked)
    assert status == 400
    assert found["error"]
    assert not (server.answers.folder / "answers.toml").exists()


def test_stems_go_by_token_and_number(server):
    """A stem is found by its track's index; anything else after the token is refused."""
    token = server.answers.listening.token(2)
    assert ask(server, "GET", f"/audio/{token}/0")[0] == 200
    for bad in ("6", "-1", "01x", "../../result.json", "%D9%A1"):
        assert ask(server, "GET", f"/audio/{token}/{bad}")[0] == 404


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", None])
def test_another_host_name_is_refused(server, host):
    """A page elsewhere that resolves its name to this machine gets nothing."""
    assert ask(server, "GET", "/", Host=host)[0] == 403
    assert ask(server, "POST", "/rounds", body={}, Host=host)[0] == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", None])
def test_another_origin_cannot_vote(server, origin):
    """Only the page that this server gave may post."""
    vote = {"kind": "sighted", "chosen": 1, "among": [0, 1], "passage": [0, 1]}
    assert ask(server, "POST", "/votes", body=vote, Origin=origin)[0] == 403
    assert not (server.answers.folder / "votes.json").exists()
    moves = {"mix": 1, "kept": ["Soft choir"], "refused": []}
    assert ask(server, "POST", "/answers", body=moves, Origin=origin)[0] == 403
    assert not (server.answers.folder / "answers.toml").exists()


def test_the_page_forbids_everything_else(server):
    """The policy names this server only, and the page's script carries its nonce."""
    _, headers, body = ask(server, "GET", "/")
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    nonce = policy.split("'nonce-")[1].split("'")[0]
    assert f'nonce="{nonce}"'.encode() in body
    assert headers["Cache-Control"] == "no-store"


def test_a_blind_round_tells_ranks_only_after_the_choice(server):
    """Tokens before, the order afterwards, once; the vote on disk is the rank behind the letter."""
    _, begun = post(server, "/rounds", {})
    assert set(begun) == {"round", "tokens"}
    hidden = [server.answers.listening.rank_of(token) for token in begun["tokens"]]
    vote = {"kind": "blind", "round": begun["round"], "chosen": "B", "passage": [0, 1], "note": "x"}
    status, found = post(server, "/votes", vote)
    assert (status, found["order"]) == (200, hidden)
    assert sorted(hidden) == [0, 1, 2]
    record = json.loads((server.answers.folder / "votes.json").read_text())
    assert record["votes"][0]["chosen"] == hidden[1]
    assert post(server, "/votes", vote)[0] == 400


def test_versions_have_one_length_and_one_loudness_in_bytes(server):
    """What the server hands out for a blind round differs neither in size nor in header."""
    _, begun = post(server, "/rounds", {})
    answers = [
        ask(server, "GET", f"/audio/{token}", Range="bytes=0-43") for token in begun["tokens"]
    ]
    assert len({headers["Content-Range"] for _, headers, _ in answers}) == 1
    assert len({body for _, _, body in answers}) == 1


@pytest.mark.parametrize(
    "vote",
    [
        {"kind": "sighted", "chosen": 9, "among": [0, 9], "passage": [0, 1]},
        {"kind": "sighted", "chosen": 1, "among": [1], "passage": [0, 1]},
        {"kind": "sighted", "chosen": True, "among": [0, True], "passage": [0, 1]},
        {"kind": "sighted", "chosen": 1, "among": [0, 1], "passage": [0, float("nan")]},
        {"kind": "sighted", "chosen": 1, "among": [0, 1], "passage": [0, 1], "note": "x" * 3000},
        {"kind": "sighted", "chosen": 1, "among": [0, 1], "passage": [0, 1], "track": "nobody"},
        {"kind": "other", "passage": [0, 1]},
        {"kind": "note", "text": 5, "position": 0},
        {"kind": "blind", "round": "x", "chosen": "A", "passage": [0, 1]},
        {},
        [],
        "text",
    ],
)
def test_a_vote_that_makes_no_sense_is_refused(server, vote):
    """Wrong ranks, types, lengths: 400 with a reason, and nothing is written."""
    status, found = post(server, "/votes", vote)
    assert status == 400
    assert found["error"]
    assert not (server.answers.folder / "votes.json").exists()


def test_a_huge_request_is_refused_unread(server):
    """More than 64 KiB never enters."""
    assert ask(server, "POST", "/votes", body={"note": "x" * 70_000})[0] == 413


@pytest.mark.parametrize("length", ["", "-1", "\xb2", "1" * 5000, "0x10", "65537"])
def test_a_length_that_is_none_is_refused(server, length):
    """A header that lies about its size ends in an answer, not in a fault of the server."""
    host = f"127.0.0.1:{server.server_port}"
    lines = ["POST /votes HTTP/1.1", f"Host: {host}", f"Origin: http://{host}"]
    request = "\r\n".join([*lines, f"Content-Length: {length}", "", ""]).encode("latin-1")
    with socket.create_connection(("127.0.0.1", server.server_port), 10) as line:
        line.sendall(request)
        assert line.recv(100).startswith(b"HTTP/1.1 413")


def test_a_deep_request_is_refused(server):
    """Nesting that breaks a JSON reader is answered like any other nonsense."""
    host = f"127.0.0.1:{server.server_port}"
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    connection.request("POST", "/votes", b"[" * 60_000, {"Origin": f"http://{host}", "Host": host})
    assert connection.getresponse().status == 400
    connection.close()


def test_a_taken_port_and_a_strange_folder_are_said(server, tmp_path):
    """One clear line each."""
    with pytest.raises(FolderError, match=rf"port = {server.server_port}: cannot be used"):
        serve(server.answers.folder, port=server.server_port, open_browser=False)
    with pytest.raises(FolderError, match="holds no result.json"):
        ListenServer(tmp_path)
    (server.answers.folder / "votes.json").write_text("{broken")
    with pytest.raises(FolderError, match="votes.json: cannot be read"):
        ListenServer(server.answers.folder)
    assert ask(server, "GET", "/")[0] == 500


def test_abx_ends_once_and_guards_its_steps():
    """Answering before X is drawn, a wrong letter, an ended series: refused."""
    listening = Listening((0, 1, 2))
    series = listening.begin_series(0, 2)["series"]
    with pytest.raises(RequestError, match="draw X first"):
        listening.answer(series, "A")
    for _ in range(200):
        token = listening.trial(series)["token"]
        listening.answer(series, "A" if listening.rank_of(token) == 0 else "B")
    found = listening.end_series(series)
    assert (found["right"], found["trials"], found["p"]) == (200, 200, 2.0**-200)
    with pytest.raises(RequestError, match="over or unknown"):
        listening.trial(series)
    with pytest.raises(RequestError, match="two different versions"):
        listening.begin_series(1, 1)


def test_reloading_a_page_for_ever_keeps_no_more_than_a_bound(monkeypatch):
    """Tokens, rounds and series that nobody ends: the oldest are forgotten, the latest work."""
    monkeypatch.setattr("placer.result.blind.MOST_KEPT", 5)
    listening = Listening((0, 1))
    tokens = [listening.token(1) for _ in range(7)]
    assert [listening.rank_of(token) for token in tokens] == [None, None, 1, 1, 1, 1, 1]
    rounds = [listening.begin_round()["round"] for _ in range(6)]
    series = [listening.begin_series(0, 1)["series"] for _ in range(6)]
    with pytest.raises(RequestError, match="begin a new one"):
        listening.end_round(rounds[0], "A")
    with pytest.raises(RequestError, match="begin a new one"):
        listening.trial(series[0])
    assert listening.end_round(rounds[1], "A")[1] in (0, 1)
    assert listening.rank_of(listening.trial(series[1])["token"]) in (0, 1)


def test_x_and_letters_are_dealt_evenly():
    """Over many draws each version is X, and each letter, about equally often (within 5 sigma)."""
    listening = Listening((0, 1, 2))
    series = listening.begin_series(0, 1)["series"]
    xs = [listening.rank_of(listening.trial(series)["token"]) for _ in range(2000)]
    assert abs(sum(xs) - 1000) < 5 * np.sqrt(2000) / 2
    first = [listening.rank_of(listening.begin_round()["tokens"][0]) for _ in range(3000)]
    counts = np.bincount(first, minlength=3)
    assert np.all(np.abs(counts - 1000) < 5 * np.sqrt(3000 * 2 / 9))


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_any_span_turned_down_is_that_span_of_the_whole(tmp_path, subtype):
    """Turned down by 3.7 dB, read back by soundfile: each sample is, to half a step."""
    rng = np.random.default_rng(3)
    sound = rng.uniform(-0.9, 0.9, (500, 2))
    path = tmp_path / "sound.wav"
    soundfile.write(path, sound, 48000, subtype=subtype)
    original, _ = soundfile.read(path)
    turned = WavBytes(path, -3.7)
    whole = turned.read(0, turned.size)
    (tmp_path / "turned.wav").write_bytes(whole)
    found, _ = soundfile.read(tmp_path / "turned.wav")
    step = {"PCM_16": 2.0**-16, "PCM_24": 2.0**-24, "PCM_32": 2.0**-32, "FLOAT": 1e-7}[subtype]
    np.testing.assert_allclose(found, original * 10 ** (-3.7 / 20), atol=1.01 * step)
    for start, stop in [(0, 44), (3, 47), (45, 46), (101, 1003), (turned.size - 5, turned.size)]:
        assert turned.read(start, stop) == whole[start:stop]
    assert WavBytes(path, 0.0).read(0, turned.size) == path.read_bytes()


def test_what_is_no_wav_is_refused(tmp_path):
    """A text file, and a WAV of 8-bit sound."""
    (tmp_path / "text.wav").write_text("RIFF, but not really a file of sound")
    with pytest.raises(AudioError, match="is no WAV file"):
        WavBytes(tmp_path / "text.wav", 0.0)
    head = (
        b"RIFF"
        + struct.pack("<I", 40)
        + b"WAVEfmt "
        + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 8000, 1, 8)
    )
    (tmp_path / "bytes.wav").write_bytes(head + b"data" + struct.pack("<I", 4) + b"abcd")
    with pytest.raises(AudioError, match="16 to 32 bits"):
        WavBytes(tmp_path / "bytes.wav", 0.0)


@settings(max_examples=200)
@given(st.integers(0, 2000), st.integers(0, 2000), st.integers(1, 1500))
def test_a_range_lies_within_the_file(first, last, size):
    """Whatever is asked for, the span is inside the file or refused (RFC 9110, 14.1.2)."""
    found = parse_range(f"bytes={first}-{last}", size)
    if first >= size or last < first:
        assert found is None
    else:
        assert found == (first, min(size, last + 1))


@pytest.mark.parametrize(
    "header",
    ["bytes=", "bytes=-", "bytes=-0", "items=0-1", "bytes=1-2,5-6", "bytes=0-" + "9" * 5000],
)
def test_a_range_not_understood_is_refused(header):
    """Empty, of another unit, or of several parts."""
    assert parse_range(header, 100) is None


def test_matching_only_turns_down():
    """The quietest stays, the others meet it; differences nobody hears stay in the files."""
    result = run_result()
    result = changed(result, {"mixes.1.lufs": -25.0, "mixes.2.lufs": -23.02})
    gains = matching_gains(result)
    assert gains == pytest.approx({0: -2.0, 1: -2.0, 2: 0.0, 3: -1.98})
    assert spread_lu(result) < 1e-9
    assert "heard at -25.0 LUFS" in loudness_words(result)
    assert "turns down the reference by 2.0 dB, mix 1 by 2.0 dB" in loudness_words(result)
    assert matching_gains(run_result()) == {0: 0.0, 1: 0.0, 2: 0.0, 3: 0.0}


POST = "POST /votes HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 50\r\n\r\n"


@pytest.mark.parametrize("said", ["GET / HTTP/1.1\r\nHost:", POST])
def test_a_request_that_does_not_go_on_is_given_up(server, monkeypatch, capfd, said):
    """A head or a body that never ends holds no thread for ever, and nothing is printed."""
    monkeypatch.setattr("placer.result.listen._Handler.timeout", 0.2)
    with socket.create_connection(("127.0.0.1", server.server_port), 10) as line:
        line.sendall(said.format(host=f"127.0.0.1:{server.server_port}").encode())
        line.settimeout(10)
        while line.recv(4096):
            pass
    assert "Traceback" not in "".join(capfd.readouterr())
