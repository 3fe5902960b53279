"""How well single wire is read: ``python -m tests.benchmarks.pattern FOLDER``.

FOLDER is painted by ``python -m fixtures.pattern FOLDER --count N --seed S``. Every figure printed is worked out from
readings made while it runs, the wire's diameter given and nothing pointed at.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from visionwire.limits import load_limits
from visionwire.measure import measure
from visionwire.reading import Reading, Refusal

#: A true count so near to the middle between two whole numbers has no whole number to be held against.
BETWEEN = 0.15
#: A corner found lies within that of a fastener's axis, about the radius of a small head.
AT_FASTENER_IN = 0.15

Truth = dict[str, Any]


@dataclass(frozen=True)
class Result:
    """One picture: its truth, and what came of it."""

    name: str
    truth: Truth
    answer: Reading | Refusal

    @property
    def tail_error(self) -> float | None:
        """Twists read less the true ones."""
        if not isinstance(self.answer, Reading) or self.answer.pigtail is None:
            return None
        return self.answer.pigtail.twists - float(self.truth["pigtail"]["count"])

    @property
    def whole(self) -> bool:
        """Whether the true count has a clear nearest whole number."""
        return abs(float(self.truth["pigtail"]["count"]) % 1 - 0.5) > BETWEEN

    @property
    def exact(self) -> bool:
        """Whether the nearest whole number is the true one."""
        read = isinstance(self.answer, Reading) and self.answer.pigtail is not None
        return bool(read and round(self.answer.pigtail.twists) == round(self.truth["pigtail"]["count"]))

    @property
    def wrong_call(self) -> bool:
        """Whether the call is the wrong one of conforming and nonconforming, by the true count."""
        if not isinstance(self.answer, Reading) or self.answer.call == "undecided":
            return False
        allowed = load_limits("common").pigtail
        assert allowed is not None
        count = round(self.truth["pigtail"]["count"])
        return (self.answer.call == "conforming") != ((allowed.low or 0) <= count <= (allowed.high or count))

    @property
    def corners_right(self) -> bool | None:
        """Whether there are as many corners as fasteners, each at one; None where no pattern is given."""
        if not isinstance(self.answer, Reading) or self.answer.pattern is None:
            return None
        found, true = np.array(self.answer.pattern.corners_px), np.array(self.truth["pattern"]["corners_px"])
        if len(found) != len(true):
            return False
        apart_px = np.linalg.norm(found[:, None] - true[None], axis=2)
        near = apart_px < AT_FASTENER_IN * self.answer.scale.px_per_inch
        return bool(len(set(apart_px.argmin(1))) == len(true) and near[np.arange(len(found)), apart_px.argmin(1)].all())

    @property
    def length_error(self) -> float | None:
        """Length read less the true one, inches."""
        if not isinstance(self.answer, Reading) or self.answer.pattern is None:
            return None
        return self.answer.pattern.length_in - float(self.truth["pattern"]["length_in"])


def read(truth_path: Path) -> Result:
    """Measure one picture."""
    truth: Truth = json.loads(truth_path.read_text())
    photo = truth_path.parent / truth["image"]["file"]
    return Result(truth_path.stem, truth, measure(photo, wire=truth["wire"]["d_in"], method="single"))


def summarise(results: Sequence[Result]) -> dict[str, float]:
    """Return the figures by name."""
    tails = np.array([abs(one.tail_error) for one in results if one.tail_error is not None])
    traced = [one for one in results if one.corners_right is not None]
    right = [one for one in traced if one.corners_right]
    figures: dict[str, float] = {
        "pictures": len(results),
        "refused": sum(isinstance(one.answer, Refusal) for one in results),
        "pigtails with a clear whole count": sum(one.whole for one in results),
        "of those read exactly": sum(one.whole and one.exact for one in results),
        "wrong calls": sum(one.wrong_call for one in results),
        "patterns given": len(traced),
        "corners right": len(right),
    }
    if len(tails):
        figures["pigtail within half a twist, % of those read"] = 100 * float(np.mean(tails <= 0.5))
        figures["pigtail, |error|, median, twists"] = float(np.median(tails))
    if right:
        errors = np.array([one.length_error for one in right])
        lengths = np.array([one.truth["pattern"]["length_in"] for one in right])
        u95 = np.array([one.answer.pattern.length_in_u95 for one in right])
        figures["length, bias, median, %"] = 100 * float(np.median(errors / lengths))
        figures["length, |error|, median, %"] = 100 * float(np.median(np.abs(errors / lengths)))
        figures["length, |error|, 95th percentile, %"] = 100 * float(np.quantile(np.abs(errors / lengths), 0.95))
        figures["length 95 % interval holds the truth, %"] = 100 * float(np.mean(np.abs(errors) <= u95))
    return figures


def row(one: Result) -> str:
    """Return one picture in a line."""
    true = f"{one.truth['pattern']['shape']:<12} tail {one.truth['pigtail']['count']:.2f}"
    if isinstance(one.answer, Refusal):
        return f"{one.name} {true} refused: {one.answer.code}"
    assert one.answer.pigtail is not None
    tail = f"-> {one.answer.pigtail.twists:.2f}{'' if one.exact or not one.whole else ' NOT EXACT'}"
    call = f"{one.answer.call}{' WRONG CALL' if one.wrong_call else ''}"
    if one.answer.pattern is None or one.length_error is None:
        return f"{one.name} {true} {tail}; pattern not traced; {call}"
    corners = (
        f"{one.truth['pattern']['corners']} -> {one.answer.pattern.corners}{'' if one.corners_right else ' WRONG'}"
    )
    length = (
        f"{one.answer.pattern.length_in:.2f} +- {one.answer.pattern.length_in_u95:.2f} in ({one.length_error:+.3f})"
    )
    return f"{one.name} {true} {tail}; {corners} fasteners, {length}; {call}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Print one line a picture and the summary."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.pattern", description=__doc__)
    parser.add_argument("folder", type=Path)
    results = []
    for path in sorted(parser.parse_args(arguments).folder.glob("*.json")):
        results.append(read(path))
        print("  " + row(results[-1]), flush=True)
    for name, figure in summarise(results).items():
        print(f"  {name:<50} {figure:8.4g}")


if __name__ == "__main__":
    main()
