"""How well it is said which way the wire pulls: ``python -m tests.benchmarks.routing FOLDER ...``.

FOLDER holds pictures with truth, such as ``python -m fixtures.quick FOLDER --count N --seed S --either-way`` paints:
wire that leaves its heads on either side. The truth is geometry: on which side of a head's axis the line of the wire
passes. Every figure printed is worked out from readings made while it runs, the wire's diameter given and nothing
pointed at; ``--heads`` points at the heads too, at their axes as seen at the height of the hole.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.report import compare
from visionwire import measure
from visionwire.reading import Reading

#: Of a head's radius: nearer than that its axis counts as found.
NEAR = 0.15
#: The line of the wire beside a head is that of so much of the run, mm.
LINE_MM = 10.0

Truth = dict[str, Any]


@dataclass(frozen=True)
class HeadResult:
    """One end of one run that was read, and the head there.

    Attributes
    ----------
    picture : str
    true_arm_mm : float
        How far the wire passes beside the axis; above 0 it pulls clockwise.
    clockwise : float or None
        Probability of that, None where no head was found.
    said : bool
        Whether the reading says which way.
    off : float or None
        Distance of the axis from the true one, in radii.
    """

    picture: str
    true_arm_mm: float
    clockwise: float | None
    said: bool
    off: float | None

    @property
    def right(self) -> bool:
        """Whether the likelier side is the true one."""
        return self.clockwise is not None and (self.clockwise > 0.5) == (self.true_arm_mm > 0)

    @property
    def sure(self) -> float:
        """Probability of the likelier side."""
        return 0.5 if self.clockwise is None else max(self.clockwise, 1 - self.clockwise)


def true_arm_mm(truth: Truth, run: Truth, at: int) -> float:
    """Return how far the line of a run passes beside the axis of the head at its start (0) or end (-1), from above."""
    line = np.array(run["spine_3d_mm"])[:, :2]
    line = line if at == 0 else line[::-1]
    away = np.linalg.norm(line - line[0], axis=1)
    along = line[min(int(np.searchsorted(away, LINE_MM)), len(line) - 1)] - line[0]
    x, y = line[0] - np.array(truth["bolts"][run["bolts"][at]]["center_mm"])[:2]
    return float((y * along[0] - x * along[1]) / np.hypot(*along))  # y upwards, seen from above


def results(truth_path: Path, given: bool) -> list[HeadResult] | None:
    """Read one picture and return every end of its runs that were found; None where there is no reading."""
    truth: Truth = json.loads(truth_path.read_text())
    photo, wire = truth_path.parent / truth["image"]["file"], truth["wire"]["d_in"]
    heads = [tuple(bolt["center_px"]) for bolt in truth["bolts"]] if given else []
    answer = measure(photo, wire=wire, tightens="clockwise", heads=heads)
    if not isinstance(answer, Reading) or answer.routing is None:
        return None
    found = []
    for match in compare(truth_path.stem, truth, answer, truth["runs"], 0.0).runs:
        if match.got is None:
            continue
        said = answer.routing[answer.runs.index(match.got)]
        ends = [(said.start_tightens_probability, said.start_pulls, said.start_axis_px, match.got.start_px)]
        ends += [(said.end_tightens_probability, said.end_pulls, said.end_axis_px, match.got.end_px)]
        for clockwise, pulls, axis_px, end_px in ends:
            apart = [np.hypot(*np.subtract(end_px, match.true[key])) for key in ("start_px", "end_px")]
            at = 0 if apart[0] < apart[1] else -1
            bolt = truth["bolts"][match.true["bolts"][at]]
            radius_px = 0.5 * bolt["af_mm"] * truth["camera"]["px_per_mm_at_run"]
            off = None if axis_px is None else float(np.hypot(*np.subtract(axis_px, bolt["center_px"]))) / radius_px
            arm = true_arm_mm(truth, match.true, at)
            found.append(HeadResult(truth_path.stem, arm, clockwise, pulls is not None, off))
    return found


def summarise(heads: Sequence[HeadResult]) -> dict[str, float]:
    """Return the figures by name."""
    seen = [one for one in heads if one.clockwise is not None]
    said = [one for one in heads if one.said]
    figures: dict[str, float] = {"heads at the ends of runs read": len(heads), "heads found": len(seen)}
    if seen:
        figures[f"axis within {NEAR} radius, % of found"] = 100 * float(
            np.mean([one.off is not None and one.off < NEAR for one in seen])
        )
        figures["likelier side right, % of found"] = 100 * float(np.mean([one.right for one in seen]))
        figures["probability of it, mean, %"] = 100 * float(np.mean([one.sure for one in seen]))
    figures["sides said"] = len(said)
    figures["sides said wrongly"] = sum(not one.right for one in said)
    figures["of those said, pulling loose"] = sum(one.true_arm_mm < 0 for one in said)
    return figures


def main(arguments: Sequence[str] | None = None) -> None:
    """Print what is off, a line a head, and the summary."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.routing", description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--heads", action="store_true", help="point at the axes of the heads")
    options = parser.parse_args(arguments)
    for folder in options.folders:
        paths = sorted(folder.glob("*.json"))
        read = [results(path, options.heads) for path in paths]
        heads = [one for some in read if some is not None for one in some]
        for one in heads:
            if not one.right or not one.said:
                print(f"  {one.picture} arm {one.true_arm_mm:+.2f} mm: clockwise {one.clockwise}, said {one.said}")
        print(f"{folder}: {len(paths)} pictures, {sum(some is None for some in read)} without a reading")
        for name, figure in summarise(heads).items():
            print(f"  {name:<40} {figure:8.4g}")


if __name__ == "__main__":
    main()
