"""The page of a plan."""

from __future__ import annotations

import math
from xml.etree import ElementTree as ET

import pytest

from tests.visionwire.plan.made import plan
from visionwire.errors import PlanError
from visionwire.plan import Fastener, Plan, draw_plan


def test_the_page_holds_every_head_and_span_and_the_cautions() -> None:
    made = plan(Fastener(0, 0), Fastener(1.5, 0.5), Fastener(3, 0, "nut"), Fastener(3, 1.4, "structure"))
    page = ET.fromstring(draw_plan(made))
    tags = [one.tag.rpartition("}")[2] for one in page.iter()]
    assert tags.count("polygon") == 3
    words = " ".join(one.text or "" for one in page.iter() if one.tag.endswith("text"))
    assert all(
        f"{number}: {span.twists_to_aim_at} twists" in words for number, span in enumerate(made.series[0].spans, 1)
    )
    assert {"A", "B", "C", "D"} <= set(words.split())
    assert "eye protection" in words
    low = max(float(one.get("y", "0")) for one in page.iter() if one.tag.endswith("text"))
    assert low < 11


def drawn(made: Plan, kind: str, tag: str) -> list[ET.Element]:
    """Return what is drawn of a kind, by its class, with that tag."""
    return [one for one in ET.fromstring(draw_plan(made)).iter() if one.get("class") == kind and one.tag.endswith(tag)]


def test_the_page_shows_the_holes_at_the_wire_and_the_pigtail_at_the_last() -> None:
    made = plan(Fastener(0, 0), Fastener(1.5, 0.2), Fastener(3, 0))
    # Two heads have one hole in use, the middle one two; each has a mouth on either side and a way between them.
    mouths = [(float(one.get("cx", "")), float(one.get("cy", ""))) for one in drawn(made, "hole", "circle")]
    assert len(mouths) == 8 and len(drawn(made, "hole", "line")) == 4
    wire_ends = [
        tuple(float(value) for value in point.split(","))
        for one in drawn(made, "wire", "polyline")
        for point in (one.get("points", "").split(" ")[0], one.get("points", "").split(" ")[-1])
    ]
    assert all(min(math.dist(end, mouth) for mouth in mouths) < 1e-3 for end in wire_ends)
    tails = drawn(made, "pigtail", "polyline")
    begins = {one.get("points", "").split(" ")[0] for one in tails}
    assert len(tails) == 2 and len(begins) == 1, "two strands from one place"
    x, y = (float(value) for value in begins.pop().split(","))
    assert min(math.dist((x, y), mouth) for mouth in mouths) < 1e-3
    assert x > max(end[0] for end in wire_ends), "on the far side of the last head"


def test_structure_has_a_hole_and_no_way_through_a_head() -> None:
    made = plan(Fastener(0, 0), Fastener(1.5, 0.2, "structure"))
    assert len(drawn(made, "hole", "circle")) == 3 and len(drawn(made, "hole", "line")) == 1


def test_a_long_plan_stays_on_its_page() -> None:
    made = plan(*(Fastener(1.2 * k, 0) for k in range(8)))
    page = ET.fromstring(draw_plan(made))
    texts = [one for one in page.iter() if one.tag.endswith("text")]
    assert max(float(one.get("y", "0")) for one in texts) < 11
    assert min(float(one.get("font-size", "0")) for one in texts) >= 0.05
    assert any("eye protection" in (one.text or "") for one in texts)
    with pytest.raises(PlanError, match="fit on one page"):
        draw_plan(plan(*(Fastener(1.2 * k, 0) for k in range(40))))


def test_the_page_is_used_and_its_cautions_are_plain() -> None:
    made = plan(Fastener(0, 0), Fastener(1.6, 0.1), Fastener(3.4, 0.5))
    page = ET.fromstring(draw_plan(made))
    texts = [one for one in page.iter() if one.tag.endswith("text")]
    size = {one.text or "": float(one.get("font-size", "0")) for one in texts}
    work = next(size[words] for words in size if words.startswith("leaves on"))
    assert work >= 0.12, "in inches: to be read beside the work"
    assert max(float(one.get("y", "0")) for one in texts) > 9.8, "of eleven"
    longest = max((one.text or "" for one in texts), key=len)
    assert 0.44 * size[longest] * len(longest) > 5.5 and 0.5 * size[longest] * len(longest) <= 7.01
    # The cautions stand in a frame, in letters no smaller than those of the work, before the reasons.
    (frame,) = (one for one in page.iter() if one.get("class") == "cautions")
    top, high = float(frame.get("y", "")), float(frame.get("height", ""))
    places = {one.text: float(one.get("y", "")) for one in texts}
    for caution in made.cautions:
        assert size[caution] >= work and top < places[caution] < top + high
    assert top + high < places["why"]
    # The checksum is small, light and last.
    checksum = next(one for one in texts if made.limits_sha256 in (one.text or ""))
    assert float(checksum.get("font-size", "")) < 0.6 * work and checksum.get("font-weight") == "normal"
    assert checksum.get("fill") != page.get("fill") and float(checksum.get("y", "")) == max(places.values())


@pytest.mark.parametrize(("far_in", "on_it"), [(2.0, True), (6.0, False)])
def test_a_letter_hides_no_head(far_in: float, on_it: bool) -> None:
    page = ET.fromstring(draw_plan(plan(Fastener(0, 0), Fastener(0, far_in, "nut"))))
    heads = [
        [tuple(map(float, corner.split(","))) for corner in one.get("points", "").split()]
        for one in page.iter()
        if one.tag.endswith("polygon")
    ]
    (letter,) = (one for one in page.iter() if one.tag.endswith("text") and one.text == "A")
    x, y = float(letter.get("x", "")), float(letter.get("y", ""))
    left, right, top, low = (f(corner[k] for corner in heads[0]) for k in (0, 1) for f in (min, max))
    assert (left < x < right and top < y < low) == on_it


def test_a_heading_that_takes_two_lines_is_bold_in_both() -> None:
    made = plan(Fastener(0, 0), Fastener(1.6, 0.1), Fastener(3.4, 0.5))
    texts = [one for one in ET.fromstring(draw_plan(made)).iter() if one.tag.endswith("text")]
    first = next(k for k, one in enumerate(texts) if (one.text or "").startswith("wire 1: cut"))
    assert (texts[first + 1].text or "").endswith("too short here"), "its second line"
    assert [texts[first + k].get("font-weight") for k in range(3)] == ["bold", "bold", "normal"]
