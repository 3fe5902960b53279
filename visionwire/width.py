"""At which width of wire to look, where scale, wire or both are not told; what several looks show, as one.

A look at half to nearly twice the true width shows the wire, most times, and then its outline tells its width.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.plane import Plane
from visionwire import belief, learned, outline, pigtail, safety, scan, section, spine
from visionwire.section import MOST_CHANGE, Section
from visionwire.strip import arc_length

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Where nothing gives a scale, and no glance tells it, wires of these widths are looked for, as shares of the picture's
#: longer side, the first alone where it shows one; each holds from half to nearly twice itself.
WIDTHS_TRIED = (1 / 140, 1 / 260, 1 / 75)
#: Of the logarithm of a wire's diameter against that of the usual one: nearer, a second look shows the same.
LEAST_UNUSUAL = 0.25
#: How many of the lines that the network shows, the longest first.
LINES_GLANCED_AT = 3
#: Of a usual wire's diameter: where it shows nothing, wire of .020 and of .041 in is looked for. Each look is one more
#: chance for a look-alike, most of which come just over the bound: these must be believed further.
UNUSUAL_TRIED, LEAST_BELIEF_UNUSUAL, LEAST_BELIEF_UNUSUAL_ALONE = (0.7, 1.35), 0.87, 0.95


def sections(
    luminance: Picture,
    plane: Plane | None,
    wire_in: float | None,
    hints: Floats | None,
    finders: tuple[scan.Finder, ...],
    least_belief: float | None = None,
) -> list[Section]:
    """Return the sections found, the likeliest first; without a scale, those of the likeliest of a few widths.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    plane : Plane or None
        Of the card; None without a scale.
    wire_in : float or None
        Wire diameter, inches, where it is named.
    hints : (2, 2) float array or None
        Ends of one run, px, where they were given; it comes first.
    finders : tuple of {"learned", "classical"}
        Who looks.
    least_belief : float, optional
        As of `scan.sections`.
    """
    if plane is not None:
        diameter_px = scan.diameter_px(luminance.shape, plane, wire_in, hints)
        if wire_in is None and hints is not None:
            diameter_px = scan.likeliest_diameter_px(luminance, hints, diameter_px)
        if wire_in is None and hints is None:
            return _of_unnamed_wire(luminance, plane, diameter_px, finders, least_belief)
        return scan.sections(luminance, diameter_px, plane, hints, finders, least_belief)
    return _of_unknown_scale(luminance, hints, finders, least_belief)


def _of_unknown_scale(
    luminance: Picture, hints: Floats | None, finders: tuple[scan.Finder, ...], least_belief: float | None
) -> list[Section]:
    """Return the sections at the likeliest width, where that wire can be the ruler, or those at the best of all."""

    def looked(diameter_px: float) -> list[Section]:
        return scan.sections(luminance, diameter_px, None, hints, finders, least_belief)

    usual_px, *others_px = (share * max(luminance.shape) for share in WIDTHS_TRIED)
    glanced_px = _glanced_px(luminance, usual_px, hints) if "learned" in finders else None
    if glanced_px is not None and _unusual(glanced_px, usual_px):
        found = looked(glanced_px)
        if _ruler_px(luminance, found) is not None:
            return found
    first = looked(usual_px)
    seen_px = _ruler_px(luminance, first)
    if seen_px is None:
        return max([first, *map(looked, others_px)], key=_believed)
    return _again_at(seen_px, luminance, first, None, hints, finders, least_belief)


def _glanced_px(luminance: Picture, usual_px: float, hints: Floats | None) -> float | None:
    """Return the diameter of the longest surely twisted wire that the network shows at a usual one; None without one.

    A whole look at the usual width, and then another at the wire's own, would take longer.
    """
    seen = learned.maps(luminance, usual_px)
    if hints is None:
        lines = sorted(pigtail.seen_lines(seen, usual_px), key=lambda line: -arc_length(line)[-1])[:LINES_GLANCED_AT]
    else:
        lines = [spine.between(learned.ribbon(seen, usual_px), *hints)]
    for line in lines:
        try:
            one = belief.believed(luminance, [seen], section.whole(luminance, line, usual_px))
        except ValueError:  # a line that doubles back is smoothed to less than a strip
            continue
        if one.twists >= safety.FEWEST_RUN_TWISTS:
            diameter_px = _ruler_px(luminance, [one])
            if diameter_px is not None:
                return diameter_px
    return None


def _ruler_px(luminance: Picture, found: list[Section]) -> float | None:
    """Return the diameter of the wire that would be the ruler, the first section's; None where it cannot be."""
    if not found or found[0].belief < scan.LEAST_BELIEF:
        return None
    seen = outline.wire_diameter_px(luminance, found[0])
    return None if seen is None else seen.px


def _unusual(diameter_px: float, looked_at_px: float) -> bool:
    """Whether a wire is so far from the width looked at that a look at its own shows more."""
    return abs(float(np.log(diameter_px / looked_at_px))) > LEAST_UNUSUAL


def _of_unnamed_wire(
    luminance: Picture, plane: Plane, usual_px: float, finders: tuple[scan.Finder, ...], least_belief: float | None
) -> list[Section]:
    """Return the sections found at a usual wire's diameter or, where that shows none, at an unusual one's."""
    found = scan.sections(luminance, usual_px, plane, None, finders, least_belief)
    least = LEAST_BELIEF_UNUSUAL if "learned" in finders else LEAST_BELIEF_UNUSUAL_ALONE
    for share in UNUSUAL_TRIED:
        found = found or scan.sections(luminance, share * usual_px, plane, None, finders, least)
    seen = outline.wire_diameter_px(luminance, found[0]) if found else None
    return found if seen is None else _again_at(seen.px, luminance, found, plane, None, finders, least_belief)


def _again_at(
    diameter_px: float,
    luminance: Picture,
    found: list[Section],
    plane: Plane | None,
    hints: Floats | None,
    finders: tuple[scan.Finder, ...],
    least_belief: float | None,
) -> list[Section]:
    """Return the sections and what else is found at the diameter that the wire shows, where that is quite another."""
    if not _unusual(diameter_px, found[0].strip.diameter_px):
        return found
    # A pigtail may show at the wire's own diameter alone, and a run of other wire at the usual one.
    again = scan.sections(luminance, diameter_px, plane, hints, finders, least_belief)
    other, better = sorted((again, found), key=_believed)
    better = [_seen_longer(one, better, other) for one in better]
    return better + safety.without_overlap(other, better)


def _seen_longer(one: Section, beside: list[Section], others: list[Section]) -> Section:
    """Return a section, or what shows a pigtail longer than it does, as likely and at much the same spacing."""
    if one.twists > pigtail.LARGEST_TAIL_TWISTS:
        return one
    longer = [
        other
        for other in safety.without_overlap(others, [another for another in beside if another is not one])
        if other.twists > one.twists + pigtail.LONGER_BY_TWISTS
        and other.belief > one.belief - pigtail.SURER_BY
        and 1 / MOST_CHANGE < other.px_per_twist / one.px_per_twist < MOST_CHANGE
        and safety.covered(one.spine_px, [other], one.strip.diameter_px) > scan.MOST_COVERED
    ]
    return longer[0] if longer else one


def _believed(found: list[Section]) -> float:
    """Return how far the likeliest of some sections is believed, the longer the more."""
    return max((one.belief * safety.weight(one) for one in found), default=0.0)
