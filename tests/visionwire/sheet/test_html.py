"""The sheet as a file: well-formed, self-contained, safe, and true to the reading."""

from __future__ import annotations

import base64
import dataclasses
import re
from collections.abc import Callable
from datetime import UTC, datetime
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest

from visionwire import quality
from visionwire.codes import name_of
from visionwire.errors import OutputError
from visionwire.evidence import Evidence
from visionwire.limits import load_limits
from visionwire.reading import Check, DensityAt, Pattern, Reading, Refusal, Routing, Wraps
from visionwire.sheet.answer import answer_lines
from visionwire.sheet.chart import call_mark
from visionwire.sheet.html import Asked, free_path, refusal_html, sheet_html, write_sheet
from visionwire.sheet.marks import Picture

VOID = {"meta", "img", "br", "hr", "link", "input"}
COMMON = load_limits("common")
ASKED = Asked("bay1/a.jpg", datetime(2033, 4, 5, 6, 7, tzinfo=UTC), "--wire 0.032 --card pocket")
HOSTILE = '<script>alert("x")</script> & "\'><img src=http://evil.example/x>.jpg'


class Page(HTMLParser):
    """Reads a page: its text, its tags and attributes; fails on a tag left open or closed twice."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()
        assert not self.open, f"left open: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture
def page(reading: Reading, evidence: Evidence) -> Page:
    return Page(sheet_html(reading, evidence, COMMON))


def refused_html(refusal: Refusal, pixels: Picture | None = None) -> str:
    return refusal_html(refusal, pixels, COMMON, {"visionwire": "1.2.3", "parameters": {"wire_in": None}}, ASKED)


def outside_references(html: str) -> list[str]:
    """Return what a browser would fetch: attributes that load, and url() and @import in styles."""
    loads = ("src", "href", "xlink:href", "srcset", "data", "action", "poster", "background")
    found = [value or "" for _, attrs in Page(html).tags for name, value in attrs.items() if name in loads]
    found += re.findall(r"url\(([^)]*)\)|@import\s+(\S+)", "".join(re.findall(r"<style>(.*?)</style>", html, re.S)))
    return [value for value in found if not str(value).startswith("data:image/")]


def test_nothing_comes_from_outside_and_nothing_runs(reading: Reading, evidence: Evidence, refusal: Refusal) -> None:
    for html in (sheet_html(reading, evidence, COMMON), refused_html(refusal, evidence.pixels)):
        assert outside_references(html) == []
        assert not any(tag in ("script", "iframe", "object", "embed", "link") for tag, _ in Page(html).tags)
        assert not any(name.startswith("on") for _, attrs in Page(html).tags for name in attrs)


def test_the_page_is_whole_and_named(page: Page) -> None:
    names = [tag for tag, _ in page.tags]
    assert names[:2] == ["html", "head"] and names.count("body") == 1
    assert "bracket.jpg: conforming" in page.text
    assert all(attrs.get("alt") for tag, attrs in page.tags if tag == "img")


def test_a_hostile_name_is_only_text(reading_of: Callable[..., Reading], evidence: Evidence, refusal: Refusal) -> None:
    reading = reading_of(HOSTILE)
    reading = dataclasses.replace(
        reading, advice=(HOSTILE,), made_by={"visionwire": HOSTILE, "parameters": {HOSTILE: HOSTILE}}
    )
    photo = dataclasses.replace(reading.photo)
    hostile = dataclasses.replace(refusal, photo=photo, message=HOSTILE, advice=HOSTILE)
    for html in (
        sheet_html(reading, evidence, dataclasses.replace(COMMON, title=HOSTILE)),
        refused_html(hostile, evidence.pixels),
    ):
        page = Page(html)
        assert "<script" not in html and outside_references(html) == []
        assert " ".join(HOSTILE.split()) in page.text


@pytest.mark.parametrize("call", ["conforming", "nonconforming", "undecided"])
def test_the_call_is_said_by_word_shape_and_frame(
    reading_of: Callable[..., Reading], evidence: Evidence, call: str
) -> None:
    html = sheet_html(reading_of("a.jpg", call), evidence, COMMON)
    page = Page(html)
    assert call.capitalize() in page.text
    assert any(attrs.get("class") == f"call {call}" for _, attrs in page.tags)
    assert html.count('class="mark"') == 3  # the whole's and one a check


def test_colour_carries_nothing(reading_of: Callable[..., Reading], evidence: Evidence) -> None:
    html = sheet_html(reading_of("a.jpg", "nonconforming"), evidence, COMMON)
    style = html[html.index("<style>") : html.index("</style>")]
    for colour in re.findall(r"#([0-9a-fA-F]{3,6})\b", style):
        wide = colour if len(colour) == 6 else "".join(c * 2 for c in colour)
        red, green, blue = (int(wide[k : k + 2], 16) for k in (0, 2, 4))
        assert max(red, green, blue) - min(red, green, blue) <= 16, colour  # greys only


def test_every_number_is_the_readings(page: Page) -> None:
    expected = [
        "7.25 ± 0.08",  # mean density, twists_per_inch_u95 0.084
        "3.62 ± 0.04",  # the same in full turns
        "18.6 ± 0.2",  # twists
        "2.57 in",  # length
        "7.11 ± 0.22 at 0.55 in",
        "8.86 ± 0.23 at 2.02 in",
        "0.0323 ± 0.0014 in",  # wire diameter
        "0.037 in",  # bow
        "0.09 ± 0.04 in",  # gap at the start
        "4.2 ± 0.4",  # pigtail
        "4: 93 %, 5: 7 %",
        "0.53 in",
        "Confidence 96 %",
        "97 %",  # probability of the density check
        "6 to 8",
        "3 to 6",
        "good to ± 0.6 %",  # 1.96 x 0.0031
        "seen tilted by 12°",
        "0.14 px",
        "200.0 px per inch",
        "640 x 420 px, SHA-256 0123456789ab…",
        "taken: 2031-05-06 07:08:09",
        "0123456789abcdef" * 4,
        "wire_in = 0.032",
    ]
    assert [number for number in expected if number not in page.text] == []


def test_the_sheet_says_what_it_must(page: Page, reading: Reading) -> None:
    for words in (
        "one twist = 180 degrees of the pair; full turns = twists / 2",
        "eye protection",
        "cut ends",
        "manual and licensed practice govern",
        "a photograph cannot prove torque, alloy, tension or reuse",
        "not measured",
        "hole not located",
        "card tilted",
        "a manual, page 7",
        "6 to 8 twists per inch, pigtail of 3 to 6 twists, for wire of any size",
        "printed reference card (pocket)",
        reading.advice[0],
    ):
        assert words in page.text, words


def test_pictures_are_there_and_open(reading: Reading, evidence: Evidence) -> None:
    page = Page(sheet_html(reading, evidence, COMMON))
    pictures = [attrs["src"] or "" for tag, attrs in page.tags if tag == "img"]
    # the overview; a close-up of each section; the run, 2.67 in with its margins, in two rows, the pigtail in one
    assert len(pictures) == 1 + 2 + 2 + 1
    for uri in pictures:
        data = np.frombuffer(base64.b64decode(uri.split(",", 1)[1]), np.uint8)
        assert cv2.imdecode(data, cv2.IMREAD_COLOR) is not None


def test_a_sheet_without_pictures_pigtail_or_limits(reading: Reading) -> None:
    bare = dataclasses.replace(reading, pigtail=None, checks=(), call="undecided", confidence=0.5)
    page = Page(sheet_html(bare, None, dataclasses.replace(COMMON, gap=None, pigtail_length=None)))
    assert not any(tag == "img" for tag, _ in page.tags)
    assert "pigtail not seen, not judged" in page.text and "Nothing was held against a limit." in page.text


def rows(html: str) -> dict[str, list[str]]:
    """Return the cells of every row of the sheet's tables, by the first of them."""
    found = {}
    for row in re.findall(r"<tr>(.*?)</tr>", html, re.S):
        cells = [re.sub(r"<[^>]*>", " ", cell) for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.S)]
        cells = [" ".join(unescape(cell).split()) for cell in cells]
        found[cells[0]] = cells[1:]
    return found


def test_what_is_shown_and_not_judged_stands_beside_its_value(reading: Reading) -> None:
    table = rows(sheet_html(reading, None, COMMON))
    gap = table["run 1, gap from hole to first twist"]
    assert gap[:4] == ["0.09 ± 0.04 in", "at most 0.125 in", "–", "shown, not judged"]
    assert COMMON.gap is not None and COMMON.gap.source in gap[4]
    assert table["run 1, gap from last twist to hole"][0] == "not measured"
    assert table["pigtail, length"][:2] == ["0.53 in", "0.25 to 0.5 in"]
    assert "run 1, span from hole to hole" not in table, "it is judged: its check says so"
    judged = dataclasses.replace(COMMON, gap=dataclasses.replace(COMMON.gap, judged=True))
    assert "run 1, gap from hole to first twist" not in rows(sheet_html(reading, None, judged))


def test_single_wire_has_the_rows_of_its_pattern_and_no_others(reading: Reading) -> None:
    corners = ((100.0, 100.0), (300.0, 100.0), (200.0, 300.0))
    pattern = Pattern(3, 4.213, 0.214, corners, corners)
    single = dataclasses.replace(reading, runs=(), pattern=pattern, flags=("single-wire",))
    html = sheet_html(single, None, COMMON)
    table = rows(html)
    assert table[""] == ["pattern", "pigtail"]
    assert table["Fasteners passed"] == ["3", "–"]
    assert table["Wire from the twist round them and back"] == ["4.2 ± 0.2 in", "–"]
    assert table["Twists"] == ["–", "4.2 ± 0.4"]
    assert not {"Twists per inch, mean", "Bow", "Evenness", "Span, hole to hole", "Routing"} & set(table)
    assert "limit set common: pigtail, 3 to 6 twists" in Page(html).text and COMMON.title not in Page(html).text
    flags = ("single-wire", "pattern-not-traced")
    lost = rows(sheet_html(dataclasses.replace(single, pattern=None, flags=flags), None, COMMON))
    assert lost["Fasteners passed"][0] == "not measured" and lost["Flags"] == ["pattern not traced", "none"]


def test_a_turnbuckle_is_held_against_the_limits_of_wraps(reading: Reading) -> None:
    wraps = Wraps(5.1, 0.7, "S", None, ((1.0, 2.0), (30.0, 4.0)), 0.99, "conforming")
    turnbuckle = dataclasses.replace(reading, runs=(), pigtail=None, checks=(), wraps=(wraps, wraps))
    html = sheet_html(turnbuckle, None, COMMON)
    assert "limit set common: wraps round the shank at each end, at least 4" in Page(html).text
    assert COMMON.title not in Page(html).text and "Lay:" not in Page(html).text
    table = rows(html)
    assert table[""] == ["wraps 1", "wraps 2"] and table["Turns round the shank"] == ["5.1 ± 0.7"] * 2
    assert not {"Twists", "Length", "Lay", "Routing"} & set(table)
    none = sheet_html(turnbuckle, None, dataclasses.replace(COMMON, wraps=None))
    assert "nothing said of the wraps round the shank" in Page(none).text


def test_of_a_run_under_an_inch_nothing_is_said_of_evenness(reading: Reading) -> None:
    run = dataclasses.replace(reading.runs[0], least_in_any_inch=None, most_in_any_inch=None, evenness=None)
    assert rows(sheet_html(dataclasses.replace(reading, runs=(run,)), None, COMMON))["Evenness"][0] == "not measured"
    most = reading.runs[0].most_in_any_inch
    assert most is not None
    even = dataclasses.replace(run, least_in_any_inch=most, most_in_any_inch=most)
    assert rows(sheet_html(dataclasses.replace(reading, runs=(even,)), None, COMMON))["Evenness"][0] == "even"


def test_a_size_that_was_not_given_is_said_so(reading: Reading) -> None:
    asked = dataclasses.replace(reading, made_by={**reading.made_by, "parameters": {"wire_in": None}})
    page = Page(sheet_html(asked, None, COMMON))
    assert "wire_in = not given" in page.text and "None" not in page.text


def test_flags_are_named_in_words_and_known_by_their_codes(reading: Reading, refusal: Refusal) -> None:
    codes = ("height-without-card", "hole-not-located")
    flagged = dataclasses.replace(
        reading, flags=codes, runs=tuple(dataclasses.replace(run, flags=codes[1:]) for run in reading.runs)
    )
    html = sheet_html(flagged, None, COMMON)
    page = Page(html)
    assert "Flags height told without a card , hole not located Photograph" in page.text
    assert rows(html)["Flags"][0] == "hole not located"
    assert not any(code in page.text for code in codes)
    assert set(codes) <= {attrs.get("title") for _, attrs in page.tags}
    refused = Page(refused_html(dataclasses.replace(refusal, code="card-too-small")))
    assert "as read: no reading (card too small)." in refused.text and "Code card-too-small" in refused.text


def test_it_is_said_why_the_pigtails_brackets_stand_beyond_its_limits(reading: Reading) -> None:
    said = "its limits, to the nearest whole: half a twist beyond"
    assert said in Page(sheet_html(reading, None, COMMON)).text
    unjudged = dataclasses.replace(reading, checks=reading.checks[:1])
    assert said not in Page(sheet_html(unjudged, None, COMMON)).text


def test_what_pulls_loose_has_no_sign_of_conforming(reading: Reading) -> None:
    routing = (Routing("loosens", "loosens", 0.93, 0.03, 0.04, None, None),)
    html = sheet_html(dataclasses.replace(reading, routing=routing), None, COMMON)
    assert 'class="call undecided"' in html and 'class="call conforming"' in sheet_html(reading, None, COMMON)
    box = html.split('class="verdict"')[1].split("</p>")[0]
    assert call_mark("undecided") in box and call_mark("conforming") not in box
    assert "The wire pulls loose; twist and pigtail conforming" in box
    assert "Not decided by the reading" in html and "the call stands" not in html


def test_routing_stands_on_the_sheet(reading: Reading, evidence: Evidence) -> None:
    assert rows(sheet_html(reading, None, COMMON))["Routing"][0].startswith("not judged; to check it, add")
    routing = Routing("tightens", "tightens", 0.93, 0.97, 0.96, (50.0, 310.0), (570.0, 170.0))
    told = dataclasses.replace(reading, routing=(routing,))
    with_axes = dataclasses.replace(evidence, axes_px=np.array([routing.start_axis_px, routing.end_axis_px]))
    html = sheet_html(told, with_axes, COMMON)
    assert rows(html)["Routing"][0] == "pulls toward tightening at both heads, 93 %"
    assert "at the height of the wire. Dashed: the card" in Page(html).text
    assert "the axes of the heads" not in Page(sheet_html(told, evidence, COMMON)).text


def test_the_sheet_ends_with_lines_to_fill_in_that_say_what_is_signed(reading_of: Callable[..., Reading]) -> None:
    text = {
        call: Page(sheet_html(reading_of("a.jpg", call), None, COMMON)).text for call in ("conforming", "undecided")
    }
    for page in text.values():
        end = page[page.index("To be filled in by hand") :]
        for field in ("Aircraft or part", "Task or work card, number", "Safetied by", "Inspected by", "Date"):
            assert field in end, field
    assert "a.jpg as read: conforming by its mean; the twist is uneven, see run 1, confidence" in text["conforming"]
    assert "the call stands" in text["conforming"] and "the call is overruled, because" in text["conforming"]
    assert "by eye: accepted rejected, because" in text["undecided"], "there is no call that could stand"
    assert "the call stands" not in text["undecided"]


def test_a_printed_page_names_its_photograph(reading_of: Callable[..., Reading], refusal: Refusal) -> None:
    name = 'Ä"; } </style><script>1.jpg'
    html = sheet_html(reading_of(name, "conforming"), None, COMMON)
    quoted = re.search(r'@bottom-left \{ content: "([^"]*)"; \}', html)
    assert quoted is not None and "<script" not in html
    assert re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), quoted[1]) == f"{name}, 0123456789ab"
    assert "counter(page)" in html
    assert 'content: "photograph"' in refused_html(dataclasses.replace(refusal, photo=None))


def test_nothing_is_cut_through_by_the_end_of_a_page(reading: Reading) -> None:
    html = sheet_html(reading, None, COMMON)
    printed = html[html.index("@media print") :]
    whole = re.search(r"([^{}]*)\{ break-inside: avoid; \}", printed)
    assert whole is not None
    assert {"figure", "img", "svg", "tr", ".call", ".caution", ".strip", ".record"} <= set(
        re.split(r",\s*", whole[1].strip())
    )


def test_a_refusal_says_what_is_wrong_and_what_to_do(refusal: Refusal, evidence: Evidence) -> None:
    page = Page(refused_html(refusal, evidence.pixels))
    for words in ("No reading", refusal.message, refusal.advice, refusal.code, "threads.jpg", "eye protection"):
        assert words in page.text
    assert sum(tag == "img" for tag, _ in page.tags) == 1
    assert "No reading" in Page(refused_html(dataclasses.replace(refusal, photo=None))).text


def test_a_sheet_ends_alike_with_a_reading_and_without(reading: Reading, refusal: Refusal) -> None:
    made = dataclasses.replace(reading, made_by={"visionwire": "1.2.3", "parameters": {"wire_in": None}})
    texts = [Page(html).text for html in (sheet_html(made, None, COMMON, ASKED), refused_html(refusal))]
    feet = [text[text.index("Made from") :] for text in texts]
    for words in (
        "Photograph bay1/a.jpg, SHA-256",
        f"Limits common, SHA-256 of its file {COMMON.sha256}",
        "Options --wire 0.032 --card pocket",
        "Made by visionwire 1.2.3; wire_in = not given",
        "Safetied by",
        "Inspected by",
    ):
        assert all(words in foot for foot in feet), words
    assert "by eye: accepted rejected" in feet[1] and f"as read: no reading ({name_of(refusal.code)})." in feet[1]


def test_a_sheet_says_when_it_was_taken_and_read_or_that_this_is_not_known(reading: Reading, refusal: Refusal) -> None:
    assert refusal.photo is not None
    untaken = [
        dataclasses.replace(one, photo=dataclasses.replace(refusal.photo, taken=None)) for one in (reading, refusal)
    ]
    assert "taken: 2031-05-06 07:08:09; read: 2033-04-05" in Page(sheet_html(reading, None, COMMON, ASKED)).text
    assert "taken: not known; read: not known" in Page(sheet_html(untaken[0], None, COMMON)).text
    assert "taken: not known; read: 2033-04-05" in Page(refused_html(untaken[1])).text


def test_a_sheet_does_not_ask_for_a_sheet(reading: Reading) -> None:
    told = quality.noted(
        reading, [quality.flag("near-a-limit", section="run 1", by_hand="look (--sheet DIR)", retaken="nearer")]
    )
    assert any("--sheet" in one for one in told.advice)
    html = sheet_html(told, None, COMMON)
    assert "a limit lies within the ± of what was measured" in html and "--sheet" not in html


def test_a_sheet_takes_the_place_of_its_own_photographs_alone(tmp_path: Path, reading: Reading) -> None:
    one = reading.photo
    other = dataclasses.replace(one, sha256="f" * 64)
    assert free_path(tmp_path, one) == tmp_path / "bracket.jpg.html"
    write_sheet(tmp_path / "bracket.jpg.html", sheet_html(reading, None, COMMON))
    assert free_path(tmp_path, one) == tmp_path / "bracket.jpg.html", "its own"
    assert free_path(tmp_path, other) == tmp_path / "bracket.jpg-2.html"
    (tmp_path / "bracket.jpg-2.html").mkdir()
    assert free_path(tmp_path, other) == tmp_path / "bracket.jpg-3.html"
    assert free_path(tmp_path, one, {tmp_path / "bracket.jpg.html"}) == tmp_path / "bracket.jpg-3.html"


def test_a_sheet_is_written_whole(tmp_path: Path) -> None:
    write_sheet(tmp_path / "a.html", "<p>± \udcff</p>")
    assert (tmp_path / "a.html").read_text("utf-8") == "<p>± \\udcff</p>"
    assert [path.name for path in tmp_path.iterdir()] == ["a.html"]


def test_a_sheet_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"gone/a\.html cannot be written \(No such file or directory\)"):
        write_sheet(tmp_path / "gone" / "a.html", "x")
    (tmp_path / "b.html").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        write_sheet(tmp_path / "b.html", "x")
    assert [path.name for path in tmp_path.iterdir()] == ["b.html"]


@pytest.mark.parametrize(("length_in", "said"), [(0.9, "outside; shown, not judged"), (0.4, "shown, not judged")])
def test_what_is_shown_only_says_whether_it_lies_outside(reading: Reading, length_in: float, said: str) -> None:
    assert reading.pigtail is not None
    long = dataclasses.replace(reading, pigtail=dataclasses.replace(reading.pigtail, length_in=length_in))
    assert rows(sheet_html(long, None, COMMON))["pigtail, length"][3] == said


def box(html: str) -> str:
    """Return the text of the sheet's top box."""
    return " ".join(Page(re.search(r'<section class="call.*?</section>', html, re.S)[0]).text.split())  # type: ignore[index]


def test_the_top_box_says_all_that_the_terminal_says(reading: Reading) -> None:
    assert reading.pigtail is not None
    least = Check("least-in-any-inch", "run 1", 5.11, 0.22, "twists per inch", 6, 8, 0.0, "nonconforming", "a manual")
    long = dataclasses.replace(
        reading, pigtail=dataclasses.replace(reading.pigtail, length_in=0.61), checks=(*reading.checks, least)
    )
    said = box(sheet_html(long, None, COMMON))
    assert "pigtail, length: 0.61 in, outside 0.25 to 0.5 in: shown, not judged" in said
    for line in answer_lines(long, COMMON)[3:]:  # after the call, the run and the pigtail, which stand there in large
        assert line.strip().removeprefix("do: ") in said, line


def test_the_call_line_says_that_it_conforms_by_its_mean_alone(reading: Reading) -> None:
    said = box(sheet_html(reading, None, COMMON))
    assert said.startswith("Conforming by its mean the twist is uneven, see run 1 Confidence 96 %")
    assert reading.runs[0].most_in_any_inch is not None
    even = dataclasses.replace(reading.runs[0], most_in_any_inch=reading.runs[0].least_in_any_inch)
    assert box(sheet_html(dataclasses.replace(reading, runs=(even,)), None, COMMON)).startswith("Conforming Confidence")


def test_an_inch_that_is_the_whole_run_has_no_place(reading: Reading) -> None:
    run = reading.runs[0]
    whole = DensityAt(run.twists_per_inch, run.twists_per_inch_u95, run.length_in / 2)
    told = dataclasses.replace(reading, runs=(dataclasses.replace(run, most_in_any_inch=whole),))
    assert "7.25 ± 0.08 over the whole run" in Page(sheet_html(told, None, COMMON)).text


def test_captions_say_the_figures_and_how_they_are_counted(page: Page) -> None:
    assert "Run 1: 7.25 ± 0.08 twists per inch; pigtail: 4.2 ± 0.4 twists." in page.text
    assert "4.2 twists, counted from the head, at the left, to the cut end: ticks at 1 to 4" in page.text
    assert "whole ones, then 0.2 of a twist to the cut end." in page.text
    assert "Points: the 4 crossings, one to a twist; an eye counts these" in page.text


def test_two_kinds_of_dashes_are_told_apart(reading: Reading, evidence: Evidence) -> None:
    assert "Dashed: the card as found" in Page(sheet_html(reading, evidence, COMMON)).text
    corners = ((100.0, 100.0), (300.0, 100.0), (200.0, 300.0))
    single = dataclasses.replace(
        reading, runs=(), pattern=Pattern(3, 4.213, 0.214, corners, corners), flags=("single-wire",)
    )
    drawn = dataclasses.replace(
        evidence, sections=evidence.sections[1:], pattern_px=np.array(corners), corners_px=np.array(corners)
    )
    text = Page(sheet_html(single, drawn, COMMON)).text
    assert "Short dashes: the single wire" in text and "Long dashes: the card as found" in text


def test_the_more_the_box_says_the_less_room_has_the_printed_photograph(reading: Reading, evidence: Evidence) -> None:
    def room(one: Reading) -> int:
        found = re.search(r"--room: (\d+)mm", sheet_html(one, evidence, COMMON))
        assert found is not None
        return int(found[1])

    wordy = dataclasses.replace(reading, advice=tuple(f"look at {k} again, and then once more " * 6 for k in range(5)))
    assert 60 <= room(wordy) < room(reading) <= 135


def test_of_several_sections_each_has_its_call_in_the_box(reading_of: Callable[..., Reading]) -> None:
    for call in ("conforming", "nonconforming", "undecided"):
        reading = reading_of("a.jpg", call)
        by_mean = r" by its mean; some inch of it is outside" if call == "conforming" else ""
        text = Page(sheet_html(reading, None, COMMON)).text
        assert re.search(rf"twists per inch allowed 6 to 8[^:]*: {call}{by_mean} ", text)
        assert "twists allowed 3 to 6, to the nearest whole: conforming " in text, "the pigtail's own call"
        alone = Page(sheet_html(dataclasses.replace(reading, pigtail=None), None, COMMON)).text
        said = re.search(r"twists per inch allowed 6 to 8.*?(?= pigtail )", alone)
        assert said is not None and (call in said[0]) == bool(by_mean), "of one section the whole's call is its own"
