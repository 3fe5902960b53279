"""The marked strip of the work list: made again from what a ledger keeps, it is the sheet's."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.visionwire.archive.small import DEMO, SETTINGS
from visionwire.archive import Ledger, ticks, work
from visionwire.archive.files import sha256_of
from visionwire.archive.ledger import Entry
from visionwire.archive.page import trends_html
from visionwire.archive.trends import trends_of
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.limits import load_limits
from visionwire.measure import measure_with_evidence
from visionwire.photo import open_photo
from visionwire.reading import Reading
from visionwire.sheet.count import as_counted

LONG = DEMO.with_name("long_lane.jpg")  # bent and of several inches


@pytest.fixture(scope="module", params=[DEMO, LONG], ids=lambda path: path.stem)
def read(request: pytest.FixtureRequest) -> tuple[Reading, Evidence]:
    result, evidence = measure_with_evidence(
        open_photo(request.param), limits=SETTINGS.limits, wire_in=SETTINGS.wire_in
    )
    assert isinstance(result, Reading) and evidence is not None
    return result, evidence


def test_a_strip_made_again_is_the_sheets(read: tuple[Reading, Evidence]) -> None:
    result, evidence = read
    record, kept = json.loads(json.dumps(result.to_dict())), json.loads(json.dumps(ticks.kept(evidence)))
    told = ticks.sections_of(record)
    assert list(told) == list(kept) == [section.name for section in evidence.sections]
    for section in evidence.sections:
        again = ticks.section_again(evidence.pixels, section.name, told[section.name], kept[section.name])
        (first, last), (first_again, last_again) = section.strip_ends, again.strip_ends
        zoom = (last_again - first_again) / (last - first)
        assert zoom == pytest.approx(1, abs=0.03)
        assert len(again.strip_ticks) == len(section.strip_ticks)
        moved = (again.strip_ticks - first_again) / zoom - (section.strip_ticks - first)
        assert np.abs(moved).max() < 0.1  # columns, of which a wire's diameter has sixteen
        columns = np.arange(int(first) + 1, int(last), dtype=np.float32)
        at = (first_again + zoom * (columns - first)).astype(np.float32)[None].repeat(len(section.strip), 0)
        rows = np.arange(len(section.strip), dtype=np.float32)[:, None].repeat(len(columns), 1)
        mine = cv2.remap(again.strip, at, rows, cv2.INTER_LINEAR).mean(2).ravel()
        theirs = section.strip[:, int(first) + 1 : int(last)].mean(2).ravel()
        assert np.corrcoef(mine, theirs)[0, 1] > 0.95  # a quarter of a twist off it would be under a half


def test_a_pigtail_is_counted_from_the_end_that_a_sheet_counts_it_from(read: tuple[Reading, Evidence]) -> None:
    result, evidence = read
    record = json.loads(json.dumps(result.to_dict()))
    on_sheet = next(one for one in as_counted(evidence).sections if one.name == "pigtail")
    for shown in (on_sheet, turned(on_sheet)):
        section, from_head = ticks.as_on_a_sheet(record, shown, evidence.pixels)
        assert from_head and np.allclose(section.spine_px, on_sheet.spine_px)
        assert np.allclose(section.strip_ticks, on_sheet.strip_ticks) and (section.strip == on_sheet.strip).all()
    record["runs"], record["pattern"] = [], None
    assert not ticks.as_on_a_sheet(record, on_sheet, evidence.pixels)[1], "without a run no head is known"


def turned(section: SectionEvidence) -> SectionEvidence:
    last = section.strip.shape[1] - 1
    return dataclasses.replace(
        section,
        spine_px=section.spine_px[::-1],
        strip=section.strip[::-1, ::-1],
        strip_ticks=last - section.strip_ticks[::-1],
        strip_ends=(last - section.strip_ends[1], last - section.strip_ends[0]),
    )


def test_what_is_kept_is_small_beside_the_reading(read: tuple[Reading, Evidence]) -> None:
    result, evidence = read
    assert len(json.dumps(ticks.kept(evidence))) < 0.1 * len(json.dumps(result.to_dict()))


def test_the_section_least_likely_to_conform_is_shown() -> None:
    record = {
        "runs": [{}, {}],
        "pigtail": {},
        "checks": [
            {"section": name, "probability_conforming": p}
            for name, p in (("run 1", 0.9), ("pigtail", 0.4), ("run 2", 0.2), ("series", 0.1))
        ],
    }
    kept = {name: [0.1, 0.5] for name in ("run 1", "run 2", "pigtail")}
    assert ticks.to_show(record, kept) == "run 2"
    assert ticks.to_show(record, {name: kept[name] for name in ("run 1", "pigtail")}) == "pigtail"
    assert ticks.to_show({**record, "checks": []}, kept) == "run 1"
    assert ticks.to_show(record, {}) is None


def test_the_page_shows_it_and_says_where_a_photograph_changed(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(DEMO.read_bytes())
    sha256 = str(sha256_of(str(path))[0])
    entry = work.read(sha256, str(path), SETTINGS)
    assert entry == work.read(sha256, str(path), SETTINGS)  # killed and read again it is the same
    book = Ledger(tmp_path / "a.db")
    book.use("s")
    book.put_files([(str(path), sha256, 1, "", None, None, None, None, None)])
    book.put_entry(entry, "s")

    def page() -> str:
        return trends_html("a.db", trends_of(book, 5), load_limits("common"), book, "common", ())

    assert page().count('class="strip"') == 1 and page().count('class="thumb"') == 1
    assert "a tick at each whole twist, counted from the end at the left; a point" in page()
    path.write_bytes(DEMO.read_bytes() + b"\0")
    assert "not there as it was read" in page() and 'class="strip"' not in page()


def test_a_reading_without_ticks_has_no_strip(tmp_path: Path) -> None:
    """Such as one of a ledger that was made before they were kept."""
    photo = open_photo(DEMO)
    entry = work.read(photo.sha256, str(DEMO), SETTINGS)
    book = Ledger(tmp_path / "a.db")
    book.use("s")
    book.put_files([(str(DEMO), photo.sha256, 1, "", None, None, None, None, None)])
    book.put_entry(Entry(entry.sha256, entry.state, None, None, entry.fingerprint, entry.record), "s")
    page = trends_html("a.db", trends_of(book, 5), load_limits("common"), book, "common", ())
    assert 'class="thumb"' in page and 'class="strip"' not in page


def test_the_strip_is_that_of_the_run_that_is_within_limits_by_its_mean_alone() -> None:
    inch = [{"twists_per_inch": one, "u95": 0.3, "at_in": 1.0} for one in (4.7, 9.9)]
    density = {"rule": "density", "section": "run 1", "call": "conforming", "low": 6.0, "high": 8.0}
    record = {
        "call": "conforming",
        "checks": [density | {"probability_conforming": 0.999}, {"section": "pigtail", "probability_conforming": 0.96}],
        "runs": [{"least_in_any_inch": inch[0], "most_in_any_inch": inch[1]}],
        "pigtail": {},
    }
    assert ticks.to_show(record, {"run 1": [], "pigtail": []}) == "run 1"
    record["runs"] = [{"least_in_any_inch": None, "most_in_any_inch": None}]
    assert ticks.to_show(record, {"run 1": [], "pigtail": []}) == "pigtail"
