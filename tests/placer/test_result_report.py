import re
import shutil
import subprocess
from html.parser import HTMLParser
from importlib import resources

import pytest

from placer.errors import FolderError
from placer.result.facts import percent
from placer.result.folder import RunFolder
from placer.result.leaning import low_line
from placer.result.page import SCRIPTS, STYLES, asset
from placer.result.report import write_report
from placer.result.tables import cost_table
from placer.result.words import audible_words
from tests.placer.result_run import changed, run_result, write_run


def test_the_cost_table_names_whose_lows_moved_most():
    """Of all layers the one that moved most either way; runs that did not look show nothing."""
    result = run_result()
    second = result.mixes[0].tracks[1]
    changes = enumerate((1.2, -2.3))
    result = changed(result, {f"mixes.0.tracks.{i}.layer_low_db": db for i, db in changes})
    row = re.search(r"<tr><th[^>]*>largest change of a layer.*?</tr>", cost_table(result)).group()
    assert re.findall(r"<td>(.*?)</td>", row)[:2] == ["", f"-2.3 ({second.name})"]


class Page(HTMLParser):
    """Tags with their attributes, and ids."""

    def __init__(self, html):
        super().__init__()
        self.tags = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        """Note one tag."""
        self.tags.append((tag, dict(attrs)))


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report") / "run"
    write_run(folder, mixes=2, seconds=1.0)
    return write_report(folder).read_text(encoding="utf-8")


def test_the_report_is_one_file_that_needs_no_other(report):
    """No script, style, font or picture from elsewhere; only the run's own sound is named."""
    for name, attributes in Page(report).tags:
        for key in ("src", "href"):
            target = attributes.get(key)
            assert target is None or re.match(r"#|data:|(reference|mix-\d\d)\.wav$", target), name
    assert not re.search(r"@import|url\(|https?://(?!www\.w3\.org/2000/svg)", report)


def test_depth_is_drawn_before_the_plan(report):
    """Nearer and farther is what most moves change."""
    assert report.index("Depth and side: ") < report.index("Plan: ")


def test_a_move_of_one_track_says_which_moves_it_builds_on(report):
    """None, one, two and three before it, in words that are right for each."""
    assert "Needs no other track to move with it." in report
    for before in ("move 1 is", "moves 1 and 2 are", "moves 1 to 3 are"):
        told = f"Needs no other track to move with it; its figures assume that {before} made."
        assert told in report


def test_the_caution_stands_in_the_player_before_play(report):
    """The bar of the player never leaves the screen, so the words beside Play do not either."""
    bar = report[report.index('<div class="player"') :]
    assert 0 < bar.index("<strong>Mind your ears:</strong>") < bar.index('id="play"')


def test_a_limit_kept_on_the_passage_alone_says_what_the_file_misses():
    """Yes means the whole file; a lean or a low third of the render stands beside it."""
    result = run_result(2)

    def kept(values):
        row = cost_table(changed(result, values)).split('scope="row">keeps every limit</th>')[1]
        return re.findall("<td>(.*?)</td>", row)[1]

    assert kept({}) == "yes"
    assert kept({"mixes.0.feasible": False, "mixes.0.figures.left_right_db": 1.9}) == "no"
    assert kept({"mixes.0.figures.left_right_db": -1.94}) == (
        "yes, on the passage; whole file leans 1.9 dB to the right"
    )
    lows = [0.0] * 11
    lows[10] = result.limits.low_db + 1.22
    facts = {"mixes.0.figures.left_right_low_db": 2.5, "mixes.0.figures.low_thirds_db": lows}
    assert kept(facts) == (
        "yes, on the passage; the lows lean 2.5 dB to the left; one low third 1.2 dB over the limit"
    )
    told = changed(result, facts)
    assert low_line(told, told.mixes[0]) == (
        "in the render one low third is 1.22 dB over the limit, because layers add up there"
    )
    assert low_line(told, told.mixes[1]) == ""


@pytest.mark.parametrize("share", [0.305, 0.295, 0.125, 0.0649, 0.115, 1.0, 0.0])
def test_page_and_sheet_round_a_share_alike(share):
    """What the page's program writes over a bar is what stands there before it runs."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("needs node, to run the page's program")
    line = next(one for one in asset("page.js").splitlines() if one.startswith("const percent"))
    program = f"{line} process.stdout.write(percent({share}));"
    done = subprocess.run([node, "-e", program], capture_output=True, text=True, check=True)
    assert done.stdout == f"{percent(share)} %"
    (told,) = re.findall(r"^x (\d+ %)", audible_words("x", share, share))
    assert told == done.stdout


def test_a_mix_that_leans_is_told_on_the_page(tmp_path):
    """Which side, by how much, against which limit: where its moves begin."""
    result = write_run(tmp_path, mixes=1, seconds=0.5)
    assert "It leans" not in write_report(tmp_path).read_text(encoding="utf-8")
    result = changed(result, {"mixes.0.figures.left_right_low_db": 2.46})
    RunFolder(tmp_path).write_result(result)
    told = write_report(tmp_path).read_text(encoding="utf-8")
    assert (
        '<p class="problem">It leans: the lows (below 250 Hz) of the whole file are 2.5 dB louder '
        "on the left (limit 1.5 dB"
    ) in told
    assert told.index("It leans") < told.index("How to make a move.")


def test_no_text_of_a_cue_becomes_markup(report):
    """Names with < > & and quotes stay names."""
    assert "<fixed>" not in report
    assert "Deep swell &lt;fixed&gt; &amp; &quot;done&quot;" in report
    assert "<title>Invented cue &lt;1&gt;" in report
    tags = {name for name, _ in Page(report).tags}
    assert "fixed" not in tags


def test_ids_are_unique_and_labels_point_somewhere(report):
    """What a screen reader follows leads to one place."""
    attributes = [attributes for _, attributes in Page(report).tags]
    ids = [one["id"] for one in attributes if "id" in one]
    assert len(ids) == len(set(ids))
    for one in attributes:
        for target in one.get("aria-labelledby", "").split():
            assert target in ids


def test_a_name_cannot_leave_the_data_of_the_page(tmp_path):
    """A cue called </script> neither ends the script nor begins another."""
    folder = tmp_path / "run"
    result = write_run(folder, mixes=1, seconds=0.5, stems=False)
    name = "</script><script>alert(1)</script>{{js}}"
    RunFolder(folder).write_result(changed(result, {"cue.name": name}))
    html = write_report(folder).read_text()
    assert "<script>alert" not in html
    assert html.count("</script>") == 2


def test_the_caution_stands_before_the_player(report):
    """Hearing first."""
    assert 0 < report.index("harms hearing") < report.index('id="play"')


def test_templates_are_installed_with_the_package():
    """The files beside the module are found the way an installed wheel finds them."""
    for name in (*SCRIPTS, *STYLES, "page.html"):
        assert (resources.files("placer.result") / name).is_file()


def test_a_folder_without_a_run_is_refused(tmp_path):
    """The message says what to name instead."""
    with pytest.raises(FolderError, match="name a folder that"):
        write_report(tmp_path)


def test_the_first_screen_says_who_is_audible_and_no_cost(report):
    """Layers that carry the music before and after, as text; no cost before the bars end."""
    head = report[report.index("<header>") : report.index('<section id="mix"')]
    assert "cost" not in head.lower()
    rows = re.findall(
        r'<li data-track="\d"[^>]*><span>(.*?)</span>.*?<span class="figures">(.*?)</span>', head
    )
    assert rows[:2] == [("Low strings run", "30 % to 38 %"), ("Struck metal", "62 % to 70 %")]
    assert "3 moves (of 4 tracks: Low strings run, Soft choir, Low strings bed and 1 more)" in head
    assert "make 2 of 2 layers that carry the music clearer" in head
    assert "Progress" not in report


def test_the_table_says_who_is_audible_in_every_mix(report):
    """Layers that carry the music, in every version, the best in bold."""
    table = report[report.index('<table id="audible">') :]
    table = table[: table.index("</table>")]
    rows = re.findall(r"<tr><th scope=\"row\">(.*?)</th>(.*?)</tr>", table)
    assert rows == [
        ("Low strings run", "<td>30 %</td><td><strong>38 %</strong></td><td>36 %</td>"),
        ("Struck metal", "<td>62 %</td><td><strong>70 %</strong></td><td>68 %</td>"),
    ]
    for name in ("Mix 1: few moves", "Mix 2: more moves"):
        assert f'<th scope="col">{name}</th>' in table
