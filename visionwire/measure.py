"""The whole way in one page: a photograph in, a reading or a refusal out.

scale -> where twisted wire may be -> spine -> strip -> twist -> safety -> budget -> judge -> reading
"""

from __future__ import annotations

import dataclasses
from importlib import metadata
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Card, find_card, with_pose
from calibration.plane import Plane
from calibration.without_card import find_id1, two_points as plane_of_two_points
from visionwire import __version__, budget, find, judge, quality, safety, section, spine
from visionwire.budget import MM_PER_IN, Ruler
from visionwire.density import Density, density_of
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.limits import LimitSet, load_limits
from visionwire.photo import Photo, from_array, open_photo, read_photo
from visionwire.reading import Check, Pigtail, Reading, Refusal, Run, Scale
from visionwire.section import Section
from visionwire.strip import COLUMNS_PER_DIAMETER, picture_strip

Floats = NDArray[np.float64]
Point = tuple[float, float]

#: Where the wire is not named: between the common .020 and .041 in.
USUAL_WIRE_IN = 0.030
LEAST_PX_PER_TWIST, FULL_PX_PER_TWIST = 12.0, 25.0
FEWEST_TWISTS, FULL_TWISTS = 3.0, 10.0
LARGEST_TILT_DEG, NOTED_TILT_DEG = 40.0, 25.0
LEAST_CELL_PX = 5.0
#: A section this unlike a pair is refused, even between ends that the user gave.
LEAST_WEIGHT, LEAST_GAIN, LARGEST_NULL = 0.25, 0.1, 0.4
LEAST_HINTED_WEIGHT = 0.12
#: At simple contact crossings lie pi/2 diameters apart; the diameter is only roughly known here.
CLOSEST_D = 1.55
MOST_CANDIDATES = 12


def measure(
    photo: Photo | str | Path | bytes | NDArray[np.uint8],
    limits: LimitSet | str | Path = "common",
    wire: float | None = None,
    *,
    card: Card | None = None,
    start: Point | None = None,
    end: Point | None = None,
    two_points: tuple[float, float, float, float, float] | None = None,
) -> Reading | Refusal:
    """Read one photograph.

    Parameters
    ----------
    photo : Photo, path, bytes or (H, W, 3) uint8 array
        The picture; an array is taken as upright RGB.
    limits : LimitSet, name or path
        What is allowed.
    wire : float, optional
        Wire diameter, inches.
    card : Card, optional
        The card to look for; any known one unless given.
    start, end : (x, y), optional
        The two ends of one run, px of the upright picture.
    two_points : (x1, y1, x2, y2, inches), optional
        Two points, px, and the distance between them.

    Returns
    -------
    Reading or Refusal
        A refusal is false in a condition.

    Raises
    ------
    PhotoError
        If the picture cannot be read.
    LimitsError
        If the limit set cannot be used.
    ValueError
        If only one of ``start`` and ``end`` is given.
    """
    if isinstance(photo, np.ndarray):
        opened = from_array(photo)
    elif isinstance(photo, bytes):
        opened = read_photo(photo, "bytes")
    else:
        opened = photo if isinstance(photo, Photo) else open_photo(photo)
    limit_set = limits if isinstance(limits, LimitSet) else load_limits(limits)
    return measure_with_evidence(
        opened, limits=limit_set, wire_in=wire, card=card, start=start, end=end, two_points=two_points
    )[0]


def measure_with_evidence(
    photo: Photo,
    *,
    limits: LimitSet,
    wire_in: float | None = None,
    card: Card | None = None,
    start: Point | None = None,
    end: Point | None = None,
    two_points: tuple[float, float, float, float, float] | None = None,
) -> tuple[Reading | Refusal, Evidence | None]:
    """Read one photograph and keep what a sheet draws; parameters as in `measure`."""
    if (start is None) != (end is None):
        raise ValueError("start and end must be given together; give both ends of the run or neither")
    gray = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    plane, cell_px = _plane(photo, gray, card, two_points)
    problem = _scale_problem(plane, cell_px, wire_in)
    if problem is not None:
        return dataclasses.replace(problem, photo=photo.info), None
    hints = None if start is None or end is None else np.array([start, end], float)
    luminance = gray.astype(np.float32)
    found = _sections(luminance, plane, wire_in, hints)
    problem = _section_problem(found, hints)
    if problem is not None:
        return dataclasses.replace(problem, photo=photo.info), None
    ruler = _ruler(photo, plane, luminance, found[0], wire_in)
    if isinstance(ruler, Refusal):
        return dataclasses.replace(ruler, photo=photo.info), None
    whole = safety.join(found, ruler.px_per_in(found[0].spine_px.mean(0)))
    if not whole.runs:
        return dataclasses.replace(quality.refuse("no-twisted-wire"), photo=photo.info), None
    return _reading(photo, limits, wire_in, ruler, whole)


# -- scale --------------------------------------------------------------------------------------


def _plane(
    photo: Photo,
    gray: NDArray[np.uint8],
    card: Card | None,
    two_points: tuple[float, float, float, float, float] | None,
) -> tuple[Plane | None, float | None]:
    """Return the plane that scale holds on, and the size of the card's marker cells, px, where it has any."""
    if two_points is not None:
        x1, y1, x2, y2, inches = two_points
        return plane_of_two_points((x1, y1), (x2, y2), inches * MM_PER_IN), None
    sight = find_card(gray, None if card is None else [card], photo.focal_px)
    if sight is not None:
        return with_pose(sight.plane, photo.focal_px, _size(photo)), sight.cell_px
    if card is None:
        return find_id1(photo.pixels, photo.focal_px), None
    return None, None


def _scale_problem(plane: Plane | None, cell_px: float | None, wire_in: float | None) -> Refusal | None:
    if plane is None:
        return None if wire_in is not None else quality.refuse("no-scale")
    if plane.tilt_deg is not None and plane.tilt_deg > LARGEST_TILT_DEG:
        return quality.refuse("card-too-tilted", tilt_deg=plane.tilt_deg, limit_deg=LARGEST_TILT_DEG)
    if cell_px is not None and cell_px < LEAST_CELL_PX:
        percent = 100 * cell_px / LEAST_CELL_PX
        return quality.refuse("card-too-small", cell_px=cell_px, needed_px=LEAST_CELL_PX, percent=percent)
    return None


def _ruler(
    photo: Photo, plane: Plane | None, luminance: NDArray[np.float32], main: Section, wire_in: float | None
) -> Ruler | Refusal:
    if plane is not None:
        return budget.beside(plane, photo.focal_px, _size(photo))
    return quality.refuse("no-scale")


def _size(photo: Photo) -> tuple[int, int]:
    height, width = photo.pixels.shape[:2]
    return width, height


# -- sections -----------------------------------------------------------------------------------


def _sections(
    luminance: NDArray[np.float32], plane: Plane | None, wire_in: float | None, hints: Floats | None
) -> list[Section]:
    """Return the twisted sections in view, the hinted one first, then the likeliest first."""
    diameter_px = _diameter_px(luminance, plane, wire_in, hints)
    ribbon = find.ribbon(luminance, diameter_px)
    forbidden = None if plane is None else _card_mask(plane, ribbon)
    hinted = [] if hints is None else [section.whole(luminance, spine.between(ribbon, *hints), diameter_px)]
    free = [
        one
        for line in find.candidates(ribbon, forbidden, MOST_CANDIDATES)
        for one in section.within(luminance, line, diameter_px)
        if _is_pair(one)
    ]
    free = safety.joined_up(luminance, safety.without_overlap(free, hinted))
    free = [one for one in free if section.beside(luminance, one) < LARGEST_NULL * one.score]
    return hinted + free


def _is_pair(one: Section) -> bool:
    closest_px = CLOSEST_D * one.strip.diameter_px
    return safety.weight(one) > LEAST_WEIGHT and one.gain > LEAST_GAIN and one.px_per_twist > closest_px


def _diameter_px(
    luminance: NDArray[np.float32], plane: Plane | None, wire_in: float | None, hints: Floats | None
) -> float:
    height, width = luminance.shape
    if plane is None:
        return max(height, width) / 200
    middle = np.array([width / 2, height / 2]) if hints is None else hints.mean(0)
    return plane.px_per_mm(middle) * MM_PER_IN * (wire_in or USUAL_WIRE_IN)


def _card_mask(plane: Plane, ribbon: find.Ribbon) -> NDArray[np.bool_] | None:
    if plane.outline_px is None:
        return None
    mask = np.zeros(ribbon.strength.shape, np.uint8)
    outline = np.round(find.to_maps(plane.outline_px, ribbon.scale)).astype(np.int32)
    cv2.fillPoly(mask, [outline.reshape(-1, 1, 2)], 1)
    edge = int(2 * ribbon.diameter) | 1
    return cv2.dilate(mask, np.ones((edge, edge), np.uint8)).astype(bool)


def _section_problem(found: list[Section], hints: Floats | None) -> Refusal | None:
    if not found:
        return quality.refuse("no-twisted-wire")
    main = found[0]
    if hints is not None and (safety.weight(main) < LEAST_HINTED_WEIGHT or main.score < 0.03):
        return quality.refuse("not-twisted")
    if main.px_per_twist < LEAST_PX_PER_TWIST:
        percent = 100 * main.px_per_twist / LEAST_PX_PER_TWIST
        return quality.refuse(
            "twist-too-small", px_per_twist=main.px_per_twist, needed_px=LEAST_PX_PER_TWIST, percent=percent
        )
    if main.twists < FEWEST_TWISTS:
        return quality.refuse("too-few-twists", twists=main.twists, needed=FEWEST_TWISTS)
    return None


# -- judging ------------------------------------------------------------------------------------


def _reading(
    photo: Photo, limits: LimitSet, wire_in: float | None, ruler: Ruler, whole: safety.Safety
) -> tuple[Reading, Evidence]:
    flags = _scale_flags(ruler.plane)
    runs, checks = [], []
    for number, one in enumerate(whole.runs, 1):
        density = density_of(one, ruler)
        run_checks = _run_checks(density, f"run {number}", limits, wire_in)
        run_flags = _run_flags(density)
        flags += run_flags
        checks += run_checks
        runs.append(_run(density, run_checks[0], run_flags))
    pigtail = None if whole.pigtail is None else _pigtail(whole.pigtail, ruler, limits, checks)
    if pigtail is None:
        flags.append(quality.flag("pigtail-not-seen"))
    call, confidence = judge.overall(checks)
    reading = Reading(
        photo=photo.info,
        scale=_scale(ruler, whole.runs[0]),
        runs=tuple(runs),
        pigtail=pigtail,
        checks=tuple(checks),
        call=call,
        confidence=confidence,
        advice=tuple(dict.fromkeys(one.sentence for one in flags)),
        flags=tuple(dict.fromkeys(one.code for one in flags)),
        made_by=_made_by(limits, wire_in),
    )
    return reading, _evidence(photo, ruler, whole)


def _run_checks(density: Density, name: str, limits: LimitSet, wire_in: float | None) -> list[Check]:
    mean = judge.check_density(name, density.twists_per_inch, density.twists_per_inch_u, limits, wire_in)
    extremes = density.extremes()
    if not limits.judge_worst_inch or extremes is None:
        return [mean]
    rules = zip(("least-in-any-inch", "most-in-any-inch"), extremes, strict=True)
    return [mean] + [
        judge.check_density(name, at.twists_per_inch, at.u95 / judge.COVERAGE_95, limits, wire_in, rule)
        for rule, at in rules
    ]


def _run(density: Density, check: Check, flags: list[quality.Flag]) -> Run:
    extremes = density.extremes()
    spine_px = density.section.spine_px
    return Run(
        twists=density.twists,
        twists_u95=judge.COVERAGE_95 * density.twists_u,
        length_in=density.length_in,
        twists_per_inch=density.twists_per_inch,
        twists_per_inch_u95=judge.COVERAGE_95 * density.twists_per_inch_u,
        least_in_any_inch=extremes[0] if extremes else None,
        most_in_any_inch=extremes[1] if extremes else None,
        profile=density.profile(),
        lay=density.section.twist.lay,
        bow_in=density.bow_in,
        gap_start_in=None,
        gap_end_in=None,
        wire_diameter_in=None,
        wire_diameter_in_u95=None,
        start_px=_point(spine_px[0]),
        end_px=_point(spine_px[-1]),
        spine_px=tuple(_point(point) for point in spine_px[:: 2 * COLUMNS_PER_DIAMETER]) + (_point(spine_px[-1]),),
        probability_conforming=check.probability_conforming,
        call=check.call,
        flags=tuple(one.code for one in flags),
    )


def _pigtail(tail: Section, ruler: Ruler, limits: LimitSet, checks: list[Check]) -> Pigtail:
    check = judge.check_pigtail(tail.twists, tail.twists_u, limits)
    if check is not None:
        checks.append(check)
    return Pigtail(
        twists=tail.twists,
        twists_u95=judge.COVERAGE_95 * tail.twists_u,
        count_probabilities=judge.count_probabilities(tail.twists, tail.twists_u),
        length_in=float(ruler.along_in(tail.spine_px)[-1]),
        lay=tail.twist.lay,
        spine_px=tuple(_point(point) for point in tail.spine_px[::COLUMNS_PER_DIAMETER]) + (_point(tail.spine_px[-1]),),
        probability_conforming=None if check is None else check.probability_conforming,
        call="undecided" if check is None else check.call,
    )


def _point(point: Floats) -> Point:
    return round(float(point[0]), 2), round(float(point[1]), 2)


def _scale(ruler: Ruler, main: Section) -> Scale:
    plane = ruler.plane
    return Scale(
        source=plane.source,
        card=plane.card,
        px_per_inch=ruler.px_per_in(main.spine_px.mean(0)),
        relative_u=ruler.relative_u(main.spine_px),
        tilt_deg=plane.tilt_deg,
        residual_px=plane.residual_px,
    )


def _scale_flags(plane: Plane) -> list[quality.Flag]:
    flags = []
    if plane.source in ("id1", "two-points", "wire"):
        flags.append(quality.flag(f"scale-from-{plane.source}"))
    if plane.tilt_deg is not None and plane.tilt_deg > NOTED_TILT_DEG:
        flags.append(quality.flag("card-tilted", tilt_deg=plane.tilt_deg))
    return flags


def _run_flags(density: Density) -> list[quality.Flag]:
    one, flags = density.section, []
    if one.px_per_twist < FULL_PX_PER_TWIST:
        percent = 100 * one.px_per_twist / FULL_PX_PER_TWIST
        flags.append(
            quality.flag("small-twist", px_per_twist=one.px_per_twist, needed_px=FULL_PX_PER_TWIST, percent=percent)
        )
    if density.twists < FULL_TWISTS:
        flags.append(quality.flag("few-twists", twists=density.twists))
    if density.length_in < 1.0:
        flags.append(quality.flag("shorter-than-an-inch"))
    return flags


def _made_by(limits: LimitSet, wire_in: float | None) -> dict[str, Any]:
    return {
        "visionwire": __version__,
        "numpy": np.__version__,
        "opencv": cv2.__version__,
        "scipy": metadata.version("scipy"),
        "limits": limits.name,
        "parameters": {"wire_in": wire_in, "limits_sha256": limits.sha256},
    }


# -- what a sheet draws -------------------------------------------------------------------------


def _evidence(photo: Photo, ruler: Ruler, whole: safety.Safety) -> Evidence:
    named = [(f"run {number}", one) for number, one in enumerate(whole.runs, 1)]
    if whole.pigtail is not None:
        named.append(("pigtail", whole.pigtail))
    plane = ruler.plane
    return Evidence(
        pixels=photo.pixels,
        card_outline_px=plane.outline_px,
        card_points_px=plane.points_px,
        sections=tuple(_section_evidence(photo, name, one, ruler) for name, one in named),
    )


def _section_evidence(photo: Photo, name: str, one: Section, ruler: Ruler) -> SectionEvidence:
    inner = slice(one.first, one.last + 1)
    columns = np.arange(len(one.twist.phase))[inner]
    phase = one.twist.phase[inner] / (2 * np.pi)
    crossings = np.arange(np.ceil(phase[0]), np.floor(phase[-1]) + 1)
    at = np.interp(crossings, phase, columns)
    nearest = np.round(at).astype(int)
    reach = 1.3 * one.strip.diameter_px * one.strip.normal_px[nearest]
    strip = picture_strip(photo.pixels, one.strip)
    zoom = strip.shape[1] / len(one.twist.phase)
    length_in = float(ruler.along_in(one.spine_px)[-1])
    return SectionEvidence(
        name=name,
        spine_px=one.spine_px,
        ticks_px=np.stack([one.strip.centre_px[nearest] - reach, one.strip.centre_px[nearest] + reach], axis=1),
        strip=strip,
        strip_ticks=at * zoom,
        strip_ends=(one.first * zoom, one.last * zoom),
        strip_px_per_in=(one.last - one.first) * zoom / length_in,
    )
