"""How well the wraps of turnbuckles are counted, on pictures with truth.

``python -m tests.benchmarks.turnbuckle FOLDER [--no-wire] [--off D]``

FOLDER is what ``python -m fixtures.turnbuckle FOLDER --count N --seed S`` painted. The two points given lie on the
axis at either end, off it by up to D wire diameters at random.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from visionwire import measure
from visionwire.reading import Refusal

LEAST = 4
SEED = 5


@dataclass(frozen=True)
class One:
    """The wraps at one end: as they are and as they were read."""

    name: str
    true_turns: float
    true_hand: str
    turns: float
    u95: float
    hand: str | None
    call: str


def read_picture(path: Path, with_wire: bool, off_d: float, rng: np.random.Generator) -> list[One] | Refusal:
    """Read one picture, pointed at, and set both ends beside their truth."""
    truth: dict[str, Any] = json.loads(path.read_text())
    ends = np.array([truth["turnbuckle"]["start_px"], truth["turnbuckle"]["end_px"]])
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    ends += rng.uniform(-off_d, off_d, (2, 1)) * truth["wire"]["d_px"] * np.array([-along[1], along[0]])
    last = np.array([truth["image"]["width"], truth["image"]["height"]]) - 1
    start, end = (tuple(float(v) for v in np.clip(point, 0, last)) for point in ends)
    wire = truth["wire"]["d_in"] if with_wire or truth["card"]["type"] == "none" else None
    result = measure(path.with_suffix(".jpg"), wire=wire, start=start, end=end, method="wraps")  # type: ignore[arg-type]
    if isinstance(result, Refusal):
        return result
    return [
        One(path.stem, true["turns"], true["hand"], one.turns, one.turns_u95, one.hand, one.call)
        for true, one in zip(truth["wraps"], result.wraps, strict=True)
    ]


def summarise(read: Sequence[One]) -> dict[str, float]:
    """Return the figures, shares in per cent."""
    true, seen = np.array([one.true_turns for one in read]), np.array([one.turns for one in read])
    off, u95 = seen - true, np.array([one.u95 for one in read])
    clear = np.abs(true % 1 - 0.5) > 0.15
    said = [one.hand == one.true_hand for one in read if one.hand is not None]
    short = [one for one in read if one.true_turns < LEAST]
    enough = [one for one in read if one.true_turns >= LEAST]
    return {
        "coils read": len(read),
        "median bias, turns": float(np.median(off)),
        "median error, turns": float(np.median(np.abs(off))),
        "nearest whole exact, fraction not within 0.15 of a half, %": 100 * float(
            np.mean(np.round(seen[clear]) == np.round(true[clear]))
        ),
        "within half a turn, %": 100 * float(np.mean(np.abs(off) < 0.5)),
        "truth inside the 95 % interval, %": 100 * float(np.mean(np.abs(off) <= u95)),
        "median 95 % uncertainty, turns": float(np.median(u95)),
        "hand said, %": 100 * len(said) / len(read),
        "hand right of those said, %": 100 * float(np.mean(said)) if said else float("nan"),
        "truly under 4 turns": len(short),
        "called conforming, truly under 4": sum(one.call == "conforming" for one in short),
        "truly 4 or more": len(enough),
        "called conforming, truly 4 or more": sum(one.call == "conforming" for one in enough),
        "called nonconforming, truly 4 or more": sum(one.call == "nonconforming" for one in enough),
    }  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Print one line a picture that is off by half a turn or refused, and the summary."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.turnbuckle", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--no-wire", action="store_true", help="the wire's diameter is given only where no card is")
    parser.add_argument("--off", type=float, default=0.5, help="how far off the axis is pointed, wire diameters")
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(SEED)
    read: list[One] = []
    paths = sorted(options.folder.glob("*.json"))
    refused = 0
    for path in paths:
        result = read_picture(path, not options.no_wire, options.off, rng)
        if isinstance(result, Refusal):
            refused += 1
            print(f"  {path.stem}: {result.code}")
            continue
        read += result
        for one in result:
            if abs(one.turns - one.true_turns) >= 0.5 or one.hand not in (one.true_hand, None):
                print(f"  {one.name}: {one.true_turns:.2f} {one.true_hand} -> {one.turns:.2f} {one.hand or '?'}")
    print(f"{len(paths)} pictures, {refused} refused")
    for name, figure in summarise(read).items() if read else ():
        print(f"  {name:<60} {figure:8.4g}")


if __name__ == "__main__":
    main()
