"""A limit set: what is allowed, who says so, and how sure a call must be."""

from __future__ import annotations

import difflib
import hashlib
import itertools
import math
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

from visionwire.counts import counted
from visionwire.errors import LimitsError, LimitsFileError

LIMITS_FORMAT = "visionwire.limits/1"

T = TypeVar("T")
Status = Literal["published", "reported", "common practice"]


@dataclass(frozen=True)
class DensityBand:
    """Twists per inch allowed for wire over ``wire_over_in`` and up to ``wire_up_to_in`` (``None``: no bound)."""

    low: float | None
    high: float | None
    wire_over_in: float | None
    wire_up_to_in: float | None
    source: str
    status: Status

    def covers(self, wire_in: float) -> bool:
        """Say whether wire of that diameter, in inches, falls under this band."""
        return (self.wire_over_in or 0.0) < wire_in <= (self.wire_up_to_in or math.inf)

    def allows(self, twists_per_inch: float) -> bool:
        """Say whether a density lies within this band."""
        low, high = self.low or 0.0, math.inf if self.high is None else self.high
        return low <= twists_per_inch <= high


@dataclass(frozen=True)
class Count:
    """Whole twists allowed in the pigtail (``None``: no bound)."""

    low: int | None
    high: int | None
    source: str
    status: Status


@dataclass(frozen=True)
class Length:
    """Inches allowed (``None``: no bound); where ``judged`` is false they are shown beside the value, and no more."""

    low: float | None
    high: float | None
    judged: bool
    source: str
    status: Status


@dataclass(frozen=True)
class Series:
    """How many fasteners one wire may hold: so many where any two stand widely apart, else what the wire reaches."""

    most_fasteners: int
    widely_spaced_in: float
    wire_in: float
    source: str
    status: Status


@dataclass(frozen=True)
class DecisionRule:
    """When a value is called conforming, when nonconforming; else it is undecided.

    By probability: conforming from ``conforming_at_least`` up, nonconforming from ``nonconforming_at_most`` down. Or,
    where ``guard_band`` is given, by the value alone: conforming where it lies inside the limits by that many expanded
    (95 %) uncertainties, nonconforming where it lies outside by as many (ILAC-G8:09/2019); 0 is simple acceptance.
    """

    conforming_at_least: float
    nonconforming_at_most: float
    source: str
    status: Status
    guard_band: float | None = None


def said_by(limit: DensityBand | Count | Length | Series | DecisionRule) -> str:
    """Return the source of a limit, and how that is known."""
    return f"{limit.source} ({limit.status})"


def twists_allowed(count: Count) -> str:
    """Write how many twists a count allows."""
    low, high = count.low, count.high
    if low is None or high is None:
        return f"at most {counted(high, 'twist')}" if high is not None else f"at least {counted(low or 0, 'twist')}"
    return counted(high, "twist") if low == high else f"{low} to {counted(high, 'twist')}"


@dataclass(frozen=True)
class LimitSet:
    """Named limits; ``sha256`` is of the file that they were read from.

    With ``second_person`` a decision in an archive stands once two people made it.
    """

    name: str
    title: str
    decision: DecisionRule
    density: tuple[DensityBand, ...]
    pigtail: Count | None
    pigtail_length: Length | None
    gap: Length | None
    span: Length | None
    bow: Length | None
    series: Series | None
    wraps: Count | None
    judge_worst_inch: bool
    second_person: bool
    sha256: str


def known_limits() -> tuple[str, ...]:
    """Return the names of the limit sets that come with visionwire."""
    names = (entry.name for entry in resources.files("visionwire.limits").iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def load_limits(name_or_path: str | Path) -> LimitSet:
    """Read a limit set by its name, or from a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        One of `known_limits`, or a file; a text is taken for a file when it ends in ``.toml``.

    Returns
    -------
    LimitSet
        The limits, every figure with its source.

    Raises
    ------
    LimitsError
        If there is no such set.
    LimitsFileError
        If the file cannot be read, or says something that cannot be used; the sentence names the file and the key or
        line.
    """
    if _is_known(name_or_path):
        return _parse(limits_toml(name_or_path), f"limit set {name_or_path}")
    limits = _parse(limits_toml(name_or_path), str(name_or_path))
    if _is_known(limits.name) and limits.sha256 != load_limits(limits.name).sha256:
        raise LimitsFileError(
            f"the limits file {name_or_path} says name = {limits.name!r}, which is a set that comes with visionwire "
            "and says something else; give it a name and a title of its own, for records are told apart by them"
        )
    return limits


def limits_toml(name_or_path: str | Path) -> bytes:
    """Return the TOML file that `load_limits` reads for a name or path, with the same errors where there is none."""
    if _is_known(name_or_path):
        return resources.files("visionwire.limits").joinpath(f"{name_or_path}.toml").read_bytes()
    if isinstance(name_or_path, str) and not name_or_path.endswith(".toml"):
        close = difflib.get_close_matches(name_or_path, known_limits(), n=1)
        hint = f"did you mean {close[0]}? there" if close else "there"
        raise LimitsError(
            f"no limit set is named {name_or_path!r}; {hint} are {', '.join(known_limits())}, "
            "or give a file whose name ends in .toml"
        )
    try:
        return Path(name_or_path).read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise LimitsFileError(
            f"the limits file {name_or_path} cannot be read ({reason}); check its path, or use one of "
            f"{', '.join(known_limits())}"
        ) from error


def _is_known(name_or_path: str | Path) -> bool:
    return str(name_or_path) in known_limits()


def by_diameter(limits: LimitSet) -> bool:
    """Whether the bands of a set go by the wire's diameter."""
    first = limits.density[0]
    return len(limits.density) > 1 or first.wire_over_in is not None or first.wire_up_to_in is not None


def density_band(limits: LimitSet, wire_in: float | None = None, told_by: str = "--wire") -> DensityBand:
    """Return the band of twists per inch for this wire.

    Parameters
    ----------
    limits : LimitSet
        The limits in force.
    wire_in : float, optional
        The wire's diameter, inches; needed only where the bands go by diameter.
    told_by : str
        What told the diameter, as the sentence of an error names it.

    Returns
    -------
    DensityBand
        The one band that covers the wire.

    Raises
    ------
    LimitsError
        If the bands go by diameter and none is given, or none covers the one given.
    """
    if not by_diameter(limits):
        return limits.density[0]
    if wire_in is None:
        raise LimitsError(
            f"limit set {limits.name} has its bands by wire diameter; give the wire with --wire DIAMETER_IN"
        )
    for band in limits.density:
        if band.covers(wire_in):
            return band
    covered = ", ".join(f"over {b.wire_over_in or 0} up to {b.wire_up_to_in or 'any'}" for b in limits.density)
    raise LimitsError(
        f"limit set {limits.name} has no band for wire of {wire_in} in (it covers {covered}); "
        f"check {told_by} or choose other limits with --limits"
    )


def _parse(data: bytes, where: str) -> LimitSet:
    try:
        table = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise LimitsFileError(f"{where} is not a text file in UTF-8; save it as UTF-8") from error
    except (ValueError, RecursionError) as error:
        raise LimitsFileError(f"{where} is not TOML: {error}; mend that line") from error
    root = _Table(table, where, "", data.decode("utf-8-sig"))
    if (found := root.left.pop("format", None)) != LIMITS_FORMAT:
        wrong = "is missing" if found is None else f"is {found!r}"
        raise root.error("format", wrong, f'write format = "{LIMITS_FORMAT}" as the first line of the file')
    limits = LimitSet(
        name=root.text("name"),
        title=root.text("title"),
        decision=_decision(root.table("decision")),
        density=tuple(_band(row) for row in root.rows("density")),
        pigtail=root.some("pigtail", _count),
        pigtail_length=root.some("pigtail_length", _length),
        gap=root.some("gap", _length),
        span=root.some("span", _length),
        bow=root.some("bow", _length),
        series=root.some("series", _series),
        wraps=root.some("wraps", _count),
        judge_worst_inch=root.yes("judge_worst_inch"),
        second_person=root.yes("second_person"),
        sha256=hashlib.sha256(data).hexdigest(),
    )
    root.done()
    _refuse_overlap(limits.density, root)
    return limits


class _Table:
    """One table of the file; takes its keys one by one, so that a key misspelt is found."""

    def __init__(self, table: Any, where: str, path: str, source: str) -> None:
        self.where, self.path, self.source = where, path, source
        if not isinstance(table, dict):
            line = _line_of(source, "", path)
            raise LimitsFileError(f"{where}{line}: {path} is not a table; write it as [{path}]")
        self.left = dict(table)

    def error(self, key: str, wrong: str, remedy: str) -> LimitsFileError:
        line = _line_of(self.source, self.path, key)
        return LimitsFileError(f"{self.where}{line}: {f'{self.path}.' if self.path else ''}{key} {wrong}; {remedy}")

    def text(self, key: str) -> str:
        value = self.left.pop(key, None)
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, "is missing or not a text", f'write {key} = "..."')
        return value

    def yes(self, key: str) -> bool:
        value = self.left.pop(key, False)
        if not isinstance(value, bool):
            raise self.error(key, f"is {value!r}", "write true or false")
        return value

    def number(self, key: str) -> float | None:
        value = self.left.pop(key, None)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or value < 0:
            raise self.error(key, f"is {value!r}", "write a number of 0 or more")
        return float(value)

    def status(self) -> Status:
        value = self.left.pop("status", None)
        if value not in get_args(Status):
            raise self.error("status", f"is {value!r}", f"write one of {', '.join(get_args(Status))}")
        known: Status = value
        return known

    def range(self) -> tuple[float | None, float | None]:
        low, high = self.number("low"), self.number("high")
        if low is None and high is None:
            raise self.error("low", "and high are both missing", "give at least one of them")
        if low is not None and high is not None and low > high:
            raise self.error("low", f"is {low:g} and high is {high:g}", "give a low that is not above the high")
        return low, high

    def table(self, key: str) -> _Table:
        return _Table(self.left.pop(key, None), self.where, key, self.source)

    def some(self, key: str, read: Callable[[_Table], T]) -> T | None:
        return read(self.table(key)) if key in self.left else None

    def rows(self, key: str) -> list[_Table]:
        rows = self.left.pop(key, None)
        if not isinstance(rows, list) or not rows:
            raise self.error(key, "is missing", f"give at least one [[{key}]] row")
        return [_Table(row, self.where, f"{key}[{number}]", self.source) for number, row in enumerate(rows, 1)]

    def done(self) -> None:
        for key in self.left:
            raise self.error(key, "is no key that visionwire knows", "mend its spelling or take it out")


def _line_of(source: str, path: str, key: str) -> str:
    """Return ", line N" of a key in a table, of the table's head where the key is missing, or nothing."""
    counts: dict[str, int] = {}
    now, head = "", None
    for number, line in enumerate(source.splitlines(), 1):
        if found := re.match(r"\s*(\[\[?)\s*([\w-]+)\s*\]", line):
            name = found[2]
            if not path and name == key:
                return f", line {number}"
            counts[name] = counts.get(name, 0) + 1
            now = name if found[1] == "[" else f"{name}[{counts[name]}]"
            head = number if now == path else head
        elif now == path and re.match(rf"\s*{re.escape(key)}\s*=", line):
            return f", line {number}"
    return "" if head is None else f", line {head}"


def _decision(table: _Table) -> DecisionRule:
    guard = table.number("guard_band")
    if guard is not None:
        for key in ("conforming_at_least", "nonconforming_at_most"):
            if key in table.left:
                raise table.error(key, "is given beside guard_band", "give the two probabilities or the guard band")
        rule = DecisionRule(0.5, 0.5, table.text("source"), table.status(), guard)
        table.done()
        return rule
    accept, reject = table.number("conforming_at_least"), table.number("nonconforming_at_most")
    if accept is None or reject is None or not reject < accept <= 1.0:
        raise table.error(
            "conforming_at_least",
            f"is {accept} and nonconforming_at_most is {reject}",
            "give two probabilities, the second below the first, such as 0.95 and 0.05",
        )
    rule = DecisionRule(accept, reject, table.text("source"), table.status())
    table.done()
    return rule


def _band(table: _Table) -> DensityBand:
    low, high = table.range()
    over, up_to = table.number("wire_over_in"), table.number("wire_up_to_in")
    if over is not None and up_to is not None and over >= up_to:
        raise table.error("wire_over_in", f"is {over:g} and wire_up_to_in is {up_to:g}", "give a smaller wire_over_in")
    band = DensityBand(low, high, over, up_to, table.text("source"), table.status())
    table.done()
    return band


def _count(table: _Table) -> Count:
    low, high = table.range()
    for key, value in (("low", low), ("high", high)):
        if value is not None and value != int(value):
            raise table.error(key, f"is {value:g}", "give a whole number of twists")
    count = Count(
        None if low is None else int(low), None if high is None else int(high), table.text("source"), table.status()
    )
    table.done()
    return count


def _length(table: _Table) -> Length:
    low, high = table.range()
    length = Length(low, high, table.yes("judged"), table.text("source"), table.status())
    table.done()
    return length


def _series(table: _Table) -> Series:
    figures = {}
    for key in ("most_fasteners", "widely_spaced_in", "wire_in"):
        value = table.number(key)
        if not value:
            raise table.error(key, "is missing or 0", "write a number over 0")
        figures[key] = value
    if figures["most_fasteners"] != int(figures["most_fasteners"]):
        raise table.error("most_fasteners", f"is {figures['most_fasteners']:g}", "give a whole number of fasteners")
    series = Series(
        int(figures["most_fasteners"]),
        figures["widely_spaced_in"],
        figures["wire_in"],
        table.text("source"),
        table.status(),
    )
    table.done()
    return series


def _refuse_overlap(bands: tuple[DensityBand, ...], root: _Table) -> None:
    """Two bands for one wire would leave the call to the order of the rows."""
    ordered = sorted(bands, key=lambda band: band.wire_over_in or 0.0)
    for thinner, thicker in itertools.pairwise(ordered):
        if (thicker.wire_over_in or 0.0) < (thinner.wire_up_to_in or math.inf):
            raise root.error(
                "density",
                f"has two rows for wire just over {thicker.wire_over_in or 0.0:g} in",
                "give each row its own wire_over_in and wire_up_to_in",
            )
