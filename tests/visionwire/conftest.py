"""A reading and its evidence, made up by hand: what people see is tested without measuring anything."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from visionwire.evidence import Evidence, SectionEvidence
from visionwire.reading import (
    Check,
    DensityAt,
    LookHere,
    PhotoInfo,
    Pigtail,
    Reading,
    Refusal,
    Run,
    Scale,
    Series,
    Term,
)

SHA256 = "0123456789abcdef" * 4
PX_PER_INCH = 200.0
START, END = (60.0, 300.0), (560.0, 180.0)
HEIGHT_PX, WIDTH_PX = 420, 640


def make_run(twists_per_inch: float = 7.25, call: str = "conforming") -> Run:
    profile = tuple(DensityAt(7.0 + 0.2 * k, 0.31, 0.25 * k) for k in range(11))
    return Run(
        twists=18.64,
        twists_u95=0.17,
        length_in=2.571,
        twists_per_inch=twists_per_inch,
        twists_per_inch_u95=0.084,
        least_in_any_inch=DensityAt(7.11, 0.22, 0.55),
        most_in_any_inch=DensityAt(8.86, 0.23, 2.02),
        profile=profile,
        lay="S",
        bow_in=0.037,
        gap_start_in=0.094,
        gap_start_in_u95=0.041,
        gap_end_in=None,
        gap_end_in_u95=None,
        span_in=2.73,
        span_in_u95=0.08,
        evenness="twists crowd near the end: 8.9 per inch in the last half inch, 7.1 in the first",
        wire_diameter_in=0.0323,
        wire_diameter_in_u95=0.0014,
        budget=(Term("height", 0.035, 0.68), Term("card", 0.024, 0.32)),
        copper_probability=0.02,
        look_here=(LookHere(1.3, (310.0, 240.0), "kink"),),
        start_px=START,
        end_px=END,
        spine_px=(START, END),
        probability_conforming=0.9731,
        call=call,  # type: ignore[arg-type]
        flags=("hole-not-located",),
    )


def make_checks(call: str = "conforming", value: float = 7.25) -> tuple[Check, ...]:
    density = Check("density", "run 1", value, 0.084, "twists per inch", 6.0, 8.0, 0.9731, call, "a manual, page 7")  # type: ignore[arg-type]
    pigtail = Check("pigtail-twists", "pigtail", 4.21, 0.36, "twists", 3, 6, 0.9873, "conforming", "a handbook")
    return density, pigtail


def make_reading(name: str = "bracket.jpg", call: str = "conforming") -> Reading:
    pigtail = Pigtail(
        4.21, 0.36, {"4": 0.93, "5": 0.07}, 0.532, "Z", ((570.0, 170.0), (610.0, 120.0)), 0.9873, "conforming"
    )
    return Reading(
        photo=PhotoInfo(name, SHA256, WIDTH_PX, HEIGHT_PX, "2031-05-06T07:08:09"),
        scale=Scale("card", "pocket", PX_PER_INCH, 0.0031, 12.3, 0.14),
        runs=(make_run(call=call),),
        pigtail=pigtail,
        series=Series(1, 2, 2.73, 8.4, 1.2),
        checks=make_checks(call),
        call=call,  # type: ignore[arg-type]
        confidence=0.9607,
        advice=("no hole is seen at either end of the run: check the gap by eye",),
        flags=("card-tilted",),
        made_by={"visionwire": "0.1.0", "limits": "common", "parameters": {"wire_in": 0.032}},
    )


def _section(name: str, start: tuple[float, float], end: tuple[float, float], twists: int) -> SectionEvidence:
    ends = np.array([start, end])
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    across = 8.0 * np.array([-along[1], along[0]])
    places = ends[0] + np.linspace(0, 1, twists + 1)[1:, None] * (ends[1] - ends[0])
    length_px = float(np.hypot(*(ends[1] - ends[0])))
    columns = np.linspace(0, 1, twists + 1)[1:] * 2 * length_px + 20
    strip = np.full((24, round(2 * length_px) + 40, 3), 128, np.uint8)
    strip[8:16] = (176, 120, 80)
    return SectionEvidence(
        name=name,
        spine_px=np.linspace(start, end, 60),
        ticks_px=np.stack([places - across, places + across], axis=1),
        strip=strip,
        strip_ticks=columns,
        strip_ends=(20.0, 20.0 + 2 * length_px),
        strip_px_per_in=2 * PX_PER_INCH,
    )


@pytest.fixture
def reading() -> Reading:
    return make_reading()


@pytest.fixture
def reading_of() -> Callable[..., Reading]:
    """Return the maker of readings: ``reading_of(name, call)``."""
    return make_reading


@pytest.fixture
def evidence() -> Evidence:
    pixels = np.full((HEIGHT_PX, WIDTH_PX, 3), 110, np.uint8)
    outline = np.array([[300.0, 250.0], [520.0, 250.0], [520.0, 390.0], [300.0, 390.0], [300.0, 250.0]])
    sections = (_section("run 1", START, END, 18), _section("pigtail", (570.0, 170.0), (610.0, 120.0), 4))
    return Evidence(pixels, outline, (outline + outline.mean(axis=0)) / 2, sections)


@pytest.fixture
def refusal() -> Refusal:
    photo = PhotoInfo("threads.jpg", SHA256, WIDTH_PX, HEIGHT_PX, None)
    return Refusal("no-twisted-wire", "no twisted pair was found", "fill the frame with the safety", photo)
