import json
import re
import xml.etree.ElementTree as ElementTree
from html import escape
from html.parser import HTMLParser
from importlib import resources

import numpy as np
import pytest

from placer.errors import FolderError
from placer.result.charts import depth_and_side, hiding, spectrum
from placer.result.facts import mix_of
from placer.result.figures import figures, legend
from placer.result.page import SCRIPTS, STYLES
from placer.result.plan import plan_view
from placer.result.report import write_report
from placer.result.svg import Scale, tag, ticks
from placer.result.tables import cost_table
from tests.placer.result_run import CAST, result_facts, write_run

SVG = "{http://www.w3.org/2000/svg}"


def drawn(svg):
    return ElementTree.fromstring(svg)


def of_class(picture, name):
    return [element for element in picture.iter() if element.get("class") == name]


@pytest.mark.parametrize("rank", [0, 1, 2, 3])
def test_every_picture_is_xml_with_a_name_and_a_description(rank):
    """An outside parser reads it; a screen reader finds what it shows."""
    result = result_facts()
    for caption, svg in figures(result, mix_of(result, rank)).items():
        picture = drawn(svg)
        ids = picture.get("aria-labelledby").split()
        texts = {e.get("id"): e.text for e in picture if e.tag in (SVG + "title", SVG + "desc")}
        assert list(texts) == ids
        assert all(texts.values())
        assert picture.get("role") == "img"
        assert caption


def test_the_cost_table_names_whose_lows_moved_most():
    """Of all layers the one that moved most either way; runs that did not look show nothing."""
    result = result_facts()
    first, second = result["mixes"][0]["tracks"][:2]
    first["layer_low_db"], second["layer_low_db"] = 1.2, -2.3
    row = re.search(r"<tr><th[^>]*>largest change of a layer.*?</tr>", cost_table(result)).group()
    assert re.findall(r"<td>(.*?)</td>", row)[:2] == ["", f"-2.3 ({second['name']})"]


def test_the_plan_is_to_scale():
    """A metre is equally long both ways, and seats lie where the result says."""
    result = result_facts()
    picture = drawn(plan_view(result, mix_of(result, 1)))
    floor = of_class(picture, "floor")[0]
    width, height = float(floor.get("width")), float(floor.get("height"))
    assert width / 22.0 == pytest.approx(height / 30.0, rel=1e-3)
    unit = width / 22.0
    left, top = float(floor.get("x")), float(floor.get("y"))
    for group in (g for g in picture if g.tag == SVG + "g"):
        name = group.find(SVG + "title").text
        found = re.match(r"\d+[a-z]* (.+?): x ([+-][\d.]+) m, y ([+-][\d.]+) m", name)
        if found is None:
            continue
        x, y = float(found[2]), float(found[3])
        dot = [c for c in group if c.tag == SVG + "circle"][-1]
        assert float(dot.get("cx")) == pytest.approx(
            left + (x + 11.0) * unit, abs=0.05 * unit + 0.01
        )
        assert float(dot.get("cy")) == pytest.approx(
            top + (16.0 - y) * unit, abs=0.05 * unit + 0.01
        )
    assert len(of_class(picture, "after")) == 2
    assert len(of_class(picture, "still")) == 1
    assert len(of_class(picture, "microphone")) == 7


def test_the_plan_has_the_arrays_of_the_mix():
    """An array that the search has moved is drawn where the mix has it, 12 m into the hall."""
    result = result_facts()
    mix = mix_of(result, 1)
    mix["shared"] = {"hall_distance": 12.0, "tree_spacing": 3.0, "outrigger_spacing": 14.0}
    picture = drawn(plan_view(result, mix))
    unit = float(of_class(picture, "floor")[0].get("width")) / 22.0
    at = {
        e.find(SVG + "title").text.removeprefix("microphone: "): (
            float(e.get("x")),
            float(e.get("y")),
        )
        for e in of_class(picture, "microphone")
    }
    assert at["hall, left"][1] - at["tree, left"][1] == pytest.approx(12.5 * unit, abs=0.02)
    assert at["tree, right"][0] - at["tree, left"][0] == pytest.approx(3.0 * unit, abs=0.02)
    assert at["outrigger, right"][0] - at["outrigger, left"][0] == pytest.approx(
        14 * unit, abs=0.02
    )


def test_near_is_below_and_left_is_left():
    """Depth against side: drier is lower, negative degrees are further left."""
    result = result_facts()
    mix = mix_of(result, 1)
    picture = drawn(depth_and_side(result, mix))
    dots = {
        re.match(r"\d+[a-z]* (.+?): ", g.find(SVG + "title").text)[1]: g.find(SVG + "circle")
        for g in picture if g.tag == SVG + "g"
    }  # fmt: skip
    tracks = sorted(mix["tracks"], key=lambda track: track["lateral_deg"])
    across = [float(dots[track["name"]].get("cx")) for track in tracks]
    assert across == sorted(across)
    tracks = sorted(mix["tracks"], key=lambda track: track["drr_db"])
    down = [float(dots[track["name"]].get("cy")) for track in tracks]
    assert down == sorted(down)


def test_the_matrix_shows_every_pair_by_its_strength():
    """One cell for each pair that hides, as full as it hides, on one scale for all mixes."""
    result = result_facts()
    mix = mix_of(result, 2)
    cells = of_class(drawn(hiding(result, mix)), "hides")
    order = [[track["name"] for track in result["tracks"]].index(n) for _, n in legend(result, mix)]
    shares = np.array(mix["maskers"])[np.ix_(order, order)]
    top = max(np.max(one["maskers"]) for one in (result["reference"], *result["mixes"]))
    expected = shares[shares >= 0.05] / top
    assert [float(cell.get("fill-opacity")) for cell in cells] == pytest.approx(expected, abs=0.006)


def test_the_spectrum_says_its_largest_difference():
    """The description carries the number."""
    result = result_facts()
    after = list(result["reference"]["figures"]["thirds_db"])
    after[7] -= 4.2
    result["mixes"][0]["figures"]["thirds_db"] = after
    assert "largest difference is -4.2 dB" in spectrum(result, mix_of(result, 1))


def test_pictures_stand_a_lone_track_and_a_silent_band():
    """One recorded track, nothing moved, a band without any sound."""
    result = result_facts(mixes=1)
    result["tracks"] = result["tracks"][3:4]
    for mix in (result["reference"], *result["mixes"]):
        mix["tracks"], mix["maskers"] = mix["tracks"][3:4], [[0.0]]
        mix["figures"]["thirds_db"][0] = -200.0
    result["mixes"][0]["path"] = []
    found = figures(result, mix_of(result, 1))
    assert not any(caption.startswith("Plan") for caption in found)
    for svg in found.values():
        drawn(svg)
        assert "nan" not in svg


def test_ticks_are_round_and_inside():
    """Steps of 1, 2 or 5 times a power of ten."""
    for low, high in ((0.0, 1.0), (-40.0, 3.0), (0.912, 1.008), (0.0, 28800.0)):
        found = ticks(low, high)
        assert 3 <= len(found) <= 12
        assert low - 1e-9 <= found[0]
        assert found[-1] <= high + 1e-9
    assert tag("text", "x", class_='a"b') == '<text class="a&quot;b">x</text>'
    assert Scale(0.0, 1.0, 10.0, 0.0)(2.0) == 0.0


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
    result["cue"]["name"] = "</script><script>alert(1)</script>{{js}}"
    (folder / "result.json").write_text(json.dumps(result))
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


@pytest.mark.parametrize("rank", [0, 1, 2])
def test_numbers_in_pictures_are_those_of_the_path(rank):
    """Number n of the legend is number n of every picture; steps of several have letters."""
    result = result_facts()
    mix = mix_of(result, rank)
    names = legend(result, mix)
    assert names[:4] == {
        0: [("1", CAST[0][0]), ("2", CAST[1][0]), ("3", CAST[2][0]), ("4", CAST[3][0])],
        1: [("1", CAST[0][0]), ("2", CAST[3][0]), ("3a", CAST[1][0]), ("3b", CAST[4][0])],
        2: [("1", CAST[4][0]), ("2", CAST[3][0]), ("3", CAST[0][0]), ("4", CAST[1][0])],
    }[rank]  # fmt: skip
    seated = {name for name, _, kind, *_ in CAST if kind == "dry"}
    plan, depth = plan_view(result, mix), depth_and_side(result, mix)
    for number, name in names:
        assert f"{number} {escape(name)}: " in depth
        assert (f"{number} {escape(name)}: " in plan) == (name in seated)
    ticked = [e.text for e in of_class(drawn(hiding(result, mix)), "tick")]
    assert ticked == [number for number, _ in names for _ in "xy"]


def test_the_matrix_has_its_rows_in_the_order_of_the_path():
    """Who hides the first of the path stands in the first row."""
    result = result_facts()
    mix = mix_of(result, 1)
    order = [[track["name"] for track in result["tracks"]].index(n) for _, n in legend(result, mix)]
    shares = np.array(mix["maskers"])[np.ix_(order, order)]
    first = sorted({float(e.get("y")) for e in of_class(drawn(hiding(result, mix)), "own")})[0]
    cells = [e for e in of_class(drawn(hiding(result, mix)), "hides") if float(e.get("y")) == first]
    assert len(cells) == np.count_nonzero(shares[0] >= 0.05) > 0
    assert all(f"{CAST[order[0]][0]} is hidden by" in e.find(SVG + "title").text for e in cells)


def test_the_first_screen_says_who_is_audible_and_no_cost(report):
    """Layers that carry the music before and after, as text; no cost before the bars end."""
    head = report[report.index("<header>") : report.index('<section id="mix"')]
    assert "cost" not in head.lower()
    rows = re.findall(
        r'<li data-track="\d"[^>]*><span>(.*?)</span>.*?<span class="figures">(.*?)</span>', head
    )
    assert rows[:2] == [("Low strings run", "30 % to 38 %"), ("Struck metal", "62 % to 70 %")]
    assert "3 moves (Low strings run, Soft choir, Low strings bed and 1 more)" in head
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
    for name in ("Mix 1: few moves", "Mix 2: a third of the tracks"):
        assert f'<th scope="col">{name}</th>' in table
