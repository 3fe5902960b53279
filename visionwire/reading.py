"""What one photograph said: the frozen result types and their JSON.

Every float carries its unit in its name, and every value its uncertainty
beside it. What could not be measured is ``None``, with a code in ``flags``.
Pixels are of the upright picture, centres at integers, ``(x, y)``.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any, Literal

READING_FORMAT = "visionwire.reading/1"
REFUSAL_FORMAT = "visionwire.refusal/1"

Call = Literal["conforming", "nonconforming", "undecided"]
Lay = Literal["S", "Z"]
Tightens = Literal["clockwise", "counter-clockwise"]
Pull = Literal["tightens", "loosens"]
ScaleSource = Literal["card", "id1", "two-points", "wire"]
Point = tuple[float, float]


@dataclass(frozen=True)
class PhotoInfo:
    """Which photograph was read."""

    name: str
    sha256: str
    width_px: int
    height_px: int
    taken: str | None


@dataclass(frozen=True)
class Scale:
    """Where the scale came from and how good it is (``relative_u`` is one standard deviation)."""

    source: ScaleSource
    card: str | None
    px_per_inch: float
    relative_u: float
    tilt_deg: float | None
    residual_px: float | None


@dataclass(frozen=True)
class DensityAt:
    """Twists per inch at, or over the inch centred at, ``at_in`` inches from the start of the run."""

    twists_per_inch: float
    u95: float
    at_in: float


@dataclass(frozen=True)
class LookHere:
    """A place on a run that a person should look at, ``at_in`` inches from its start; never judged."""

    at_in: float
    at_px: Point
    what: str


@dataclass(frozen=True)
class Term:
    """One row of a density's uncertainty budget: one standard deviation, and its share of the variance."""

    term: str
    twists_per_inch_u: float
    share: float


@dataclass(frozen=True)
class Run:
    """Twisted wire between two fasteners."""

    twists: float
    twists_u95: float
    length_in: float
    twists_per_inch: float
    twists_per_inch_u95: float
    least_in_any_inch: DensityAt | None
    most_in_any_inch: DensityAt | None
    profile: tuple[DensityAt, ...]
    lay: Lay | None
    bow_in: float
    gap_start_in: float | None
    gap_start_in_u95: float | None
    gap_end_in: float | None
    gap_end_in_u95: float | None
    span_in: float
    span_in_u95: float
    evenness: str | None
    wire_diameter_in: float | None
    wire_diameter_in_u95: float | None
    budget: tuple[Term, ...]
    copper_probability: float | None
    look_here: tuple[LookHere, ...]
    start_px: Point
    end_px: Point
    spine_px: tuple[Point, ...]
    probability_conforming: float | None
    call: Call
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Pigtail:
    """The twisted end."""

    twists: float
    twists_u95: float
    count_probabilities: dict[str, float]
    length_in: float
    lay: Lay | None
    spine_px: tuple[Point, ...]
    probability_conforming: float | None
    call: Call
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Series:
    """The fasteners that one wire holds, as far as they are in view: ``runs`` of them, and the wire they took."""

    runs: int
    fasteners: int
    longest_span_in: float
    wire_in: float | None
    wire_in_u95: float | None


@dataclass(frozen=True)
class Pattern:
    """The closed pattern of single wire: the fasteners it passes, in order, and its length from the twist and back."""

    corners: int
    length_in: float
    length_in_u95: float
    corners_px: tuple[Point, ...]
    spine_px: tuple[Point, ...]


@dataclass(frozen=True)
class Wraps:
    """The wraps round a turnbuckle's shank at one end; one turn is the wire once round, and the hand is as seen."""

    turns: float
    turns_u95: float
    hand: Lay | None
    threads_showing: int | None
    axis_px: tuple[Point, ...]
    probability_conforming: float | None
    call: Call
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Routing:
    """Which way a run's pull turns the heads at its two ends; never judged.

    ``start_pulls`` and ``end_pulls`` are None where no head was found, or where it is not clear. ``probability`` is
    that of both being right, None unless both are said. ``start_axis_px`` and ``end_axis_px`` are the heads' axes as
    placed, at the height of the wire.
    """

    start_pulls: Pull | None
    end_pulls: Pull | None
    probability: float | None
    start_tightens_probability: float | None
    end_tightens_probability: float | None
    start_axis_px: Point | None
    end_axis_px: Point | None


@dataclass(frozen=True)
class Check:
    """One rule of the limit set held against one measured value (``section`` is "run 1", "pigtail", "wraps 1")."""

    rule: str
    section: str
    value: float
    u95: float
    unit: str
    low: float | None
    high: float | None
    probability_conforming: float
    call: Call
    source: str


@dataclass(frozen=True)
class Reading:
    """All that one photograph said; ``routing`` has one entry a run, None unless it was said which way tightens."""

    photo: PhotoInfo
    scale: Scale
    runs: tuple[Run, ...]
    pigtail: Pigtail | None
    series: Series
    checks: tuple[Check, ...]
    call: Call
    confidence: float
    advice: tuple[str, ...]
    flags: tuple[str, ...]
    made_by: dict[str, Any] = field(default_factory=dict)
    pattern: Pattern | None = None
    wraps: tuple[Wraps, ...] = ()
    routing: tuple[Routing, ...] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the reading as plain JSON types, with its format version first."""
        return {"format": READING_FORMAT, **_plain(self)}

    def to_records(self) -> list[dict[str, Any]]:
        """Return one flat record a run, pigtail or end with wraps, for pandas and polars; units in the names."""
        shared = {"photo": self.photo.name, "sha256": self.photo.sha256, "taken": self.photo.taken, "call": self.call}
        sections: list[tuple[str, Any]] = [(f"run {number}", run) for number, run in enumerate(self.runs, 1)]
        if self.pigtail is not None:
            sections.append(("pigtail", self.pigtail))
        sections += [(f"wraps {number}", one) for number, one in enumerate(self.wraps, 1)]
        records = []
        for name, section in sections:
            flat = {key: value for key, value in _plain(section).items() if not isinstance(value, (list, dict))}
            records.append({**shared, "section": name, **{"section_call" if k == "call" else k: flat[k] for k in flat}})
        return records


@dataclass(frozen=True)
class Refusal:
    """Why there is no reading, and what to do; false in a condition."""

    code: str
    message: str
    advice: str
    photo: PhotoInfo | None = None

    def __bool__(self) -> bool:
        return False

    def to_dict(self) -> dict[str, Any]:
        """Return the refusal as plain JSON types, with its format version first."""
        return {"format": REFUSAL_FORMAT, **_plain(self)}


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 6)
    return value
