"""The marked strip of a reading: what of it a ledger keeps, and the strip made again from its photograph.

A strip as a picture would be several times as large as all else that is kept of a reading. Kept are only the places of
its ticks along each section: with the line in the record and the photograph, the strip is straightened again.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire.archive.reasons import section_of
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.sheet.count import PIGTAIL, as_counted, head_known
from visionwire.strip import arc_length, picture_strip, straighten

#: Columns of a sheet's strip to a wire diameter, as `visionwire.strip.picture_strip` makes it.
COLUMNS_PER_DIAMETER = 16
PAD_D = 2.0  # how much beyond the ends is shown
DIGITS = 5

Floats = NDArray[np.float64]


def kept(evidence: Evidence) -> dict[str, list[float]]:
    """Return by section the wire's diameter over the section's length, then its ticks as shares of that length."""
    return {section.name: _shares(section) for section in evidence.sections}


def _shares(section: SectionEvidence) -> list[float]:
    first, last = section.strip_ends
    shares = [COLUMNS_PER_DIAMETER / (last - first), *((section.strip_ticks - first) / (last - first))]
    return [round(float(share), DIGITS) for share in shares]


def to_show(record: dict[str, Any], ticks: dict[str, list[float]]) -> str | None:
    """Return the section that a person should see first: that of which its reason speaks, else the first."""
    known = [name for name in sections_of(record) if name in ticks]
    spoken_of = section_of({**record, "checks": [check for check in record["checks"] if check["section"] in known]})
    return spoken_of or (known[0] if known else None)


def sections_of(record: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the runs and the pigtail of a reading by the names that its checks have for them."""
    named = {f"run {number}": run for number, run in enumerate(record["runs"], 1)}
    return named if record["pigtail"] is None else {**named, "pigtail": record["pigtail"]}


def section_again(pixels: NDArray[np.uint8], name: str, told: dict[str, Any], shares: list[float]) -> SectionEvidence:
    """Return what a sheet draws of one section, from its photograph and what a ledger keeps.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 array
        The upright photograph, RGB.
    name : str
        "run 1", ..., "pigtail".
    told : dict
        That section of the reading.
    shares : list of float
        As `kept` has them.

    Returns
    -------
    SectionEvidence
        Without ``ticks_px``, which a strip does not need.
    """
    spine_px = np.array(told["spine_px"], float)
    length_px = float(arc_length(spine_px)[-1])
    diameter_px = shares[0] * length_px
    longer = _longer(spine_px, PAD_D * diameter_px)
    strip = straighten(_luminance(pixels), longer, diameter_px)
    picture = picture_strip(pixels, strip)
    per_px = picture.shape[1] / float(arc_length(longer)[-1])
    first, span = PAD_D * diameter_px * per_px, length_px * per_px
    return SectionEvidence(
        name=name,
        spine_px=spine_px,
        ticks_px=np.zeros((0, 2, 2)),
        strip=picture,
        strip_ticks=first + span * np.array(shares[1:]),
        strip_ends=(first, first + span),
        strip_px_per_in=span / told["length_in"],
    )


def as_on_a_sheet(
    record: dict[str, Any], section: SectionEvidence, pixels: NDArray[np.uint8]
) -> tuple[SectionEvidence, bool]:
    """Turn a section as a sheet counts it (`visionwire.sheet.count.as_counted`).

    Parameters
    ----------
    record : dict
        The reading: where its runs and its line end tells where the pigtail's head is.
    section : SectionEvidence
        The section, from `section_again`.
    pixels : (H, W, 3) uint8 array
        The upright photograph, RGB.

    Returns
    -------
    section : SectionEvidence
        The same from the end from which it is counted.
    from_head : bool
        Whether that is a pigtail's head.
    """
    others = [
        dataclasses.replace(section, name=name, spine_px=np.array(told["spine_px"], float))
        for name, told in sections_of(record).items()
        if name != section.name
    ]
    pattern = record.get("pattern")
    evidence = Evidence(
        pixels,
        None,
        None,
        (section, *others),
        pattern_px=None if pattern is None else np.array(pattern["spine_px"], float),
    )
    return as_counted(evidence).sections[0], section.name == PIGTAIL and head_known(evidence)


def _longer(spine_px: Floats, by_px: float) -> Floats:
    """Return a line that goes straight on beyond both ends."""
    ends = []
    for end, before in ((spine_px[0], spine_px[1]), (spine_px[-1], spine_px[-2])):
        ends.append(end + by_px * (end - before) / np.hypot(*(end - before)))
    return np.vstack([ends[0], spine_px, ends[1]])


def _luminance(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.float32)
