"""How fast, how near and how honest: ``python -m tests.benchmarks.report [FOLDER ...] [--accuracy] [--speed]``.

Every figure printed is worked out from readings made while it runs. A folder holds
NAME.jpg + NAME.json as fixtures/README.md describes, and may hold ``negatives/``.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire.budget import MM_PER_IN
from visionwire.measure import measure
from visionwire.photo import open_photo, read_photo
from visionwire.reading import Pigtail, Reading, Refusal, Run
from visionwire.scan import BOTH, Finder

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
TOLERANCE_D = 2.5
GROSS = 1.4
SPEED_SIZE_PX = (4000, 3000)

Floats = NDArray[np.float64]
Truth = dict[str, Any]


# -- matching a reading with the truth ----------------------------------------------------------


@dataclass(frozen=True)
class RunResult:
    """One true run, and what the reading says of it (``None``: not found)."""

    true: Truth
    got: Run | None

    @property
    def error(self) -> float:
        """Density measured less the true one, twists per inch."""
        assert self.got is not None
        return self.got.twists_per_inch - float(self.true["mean_tpi"])

    @property
    def relative_error(self) -> float:
        """That error over the true density."""
        return self.error / float(self.true["mean_tpi"])

    @property
    def covered(self) -> bool:
        """Whether the stated 95 % interval holds the true density."""
        assert self.got is not None
        return abs(self.error) <= self.got.twists_per_inch_u95

    @property
    def gross(self) -> bool:
        """Whether the density is off by a factor."""
        return not 1 / GROSS < 1 + self.relative_error < GROSS

    @property
    def lay_right(self) -> bool:
        """Whether the hand is the true one."""
        return self.got is not None and self.got.lay == self.true["lay"]

    @property
    def gap_errors_in(self) -> list[float]:
        """Of each gap from a hole to the twist that is measured, how far it is off, inches."""
        assert self.got is not None
        true = [self.true.get(key) for key in ("gap_start_mm", "gap_end_mm")]
        start, end = (np.linalg.norm(np.array(self.got.spine_px[k]) - self.true["start_px"]) for k in (0, -1))
        read = (self.got.gap_start_in, self.got.gap_end_in)
        pairs = zip(read if start <= end else read[::-1], true, strict=True)
        return [abs(got - mm / MM_PER_IN) for got, mm in pairs if got is not None and mm is not None]


@dataclass(frozen=True)
class PictureResult:
    """One picture: its truth, its reading or refusal, and how they match."""

    name: str
    truth: Truth
    answer: Reading | Refusal
    runs: tuple[RunResult, ...]
    wrong_finds: int
    pigtail: Pigtail | None
    seconds: float

    @property
    def false_accepts(self) -> int:
        """Density checks called conforming on a run whose true mean is outside the limits, and on no run at all."""
        if isinstance(self.answer, Refusal):
            return 0
        wrong = 0
        for check in self.answer.checks:
            if check.rule == "density" and check.call == "conforming":
                got = self.answer.runs[int(check.section.split()[1]) - 1]
                true = next((run for run in self.truth.get("runs", []) if _match([got], run, self._diameter_px)), None)
                low, high = check.low or 0.0, check.high or np.inf
                wrong += true is None or not low <= true["mean_tpi"] <= high
        return wrong

    @property
    def diameter_error(self) -> float | None:
        """How far off the wire's diameter is, over the true one; None where the outline does not give it."""
        read = [run.got.wire_diameter_in for run in self.runs if run.got is not None]
        seen = next((one for one in read if one is not None), None)
        return None if seen is None else abs(seen / float(self.truth["wire"]["d_in"]) - 1)

    @property
    def _diameter_px(self) -> float:
        return float(self.truth["wire"]["d_px"])


def read_picture(
    truth_path: Path,
    hinted: bool,
    finders: tuple[Finder, ...] = BOTH,
    wire_in: float | None = None,
    named: bool = True,
    heights: bool = False,
) -> PictureResult:
    """Measure one picture, the wire's diameter given unless not ``named``, with or without the ends of its first run.

    ``wire_in`` is the diameter given where the picture has no wire; ``heights`` says how far the card lies below the
    wire, to a millimetre.
    """
    truth: Truth = json.loads(truth_path.read_text())
    runs = truth.get("runs", [])
    start, end = (tuple(runs[0][key]) if hinted and runs else None for key in ("start_px", "end_px"))
    photo, wire = truth_path.parent / truth["image"]["file"], truth["wire"]["d_in"] if runs and named else wire_in
    begun = time.perf_counter()
    below_mm = truth.get("card", {}).get("below_wire_mm") if heights else None
    height_mm = None if below_mm is None else round(below_mm)
    answer = measure(photo, wire=wire, start=start, end=end, finders=finders, height_mm=height_mm)
    seconds = time.perf_counter() - begun
    return compare(truth_path.stem, truth, answer, runs[:1] if hinted else runs, seconds)


def compare(
    name: str, truth: Truth, answer: Reading | Refusal, wanted: Sequence[Truth], seconds: float
) -> PictureResult:
    """Match the sections of an answer with the wanted runs and the true pigtail."""
    if isinstance(answer, Refusal):
        return PictureResult(name, truth, answer, tuple(RunResult(run, None) for run in wanted), 0, None, seconds)
    diameter_px = truth.get("wire", {}).get("d_px", 10.0)
    matched = tuple(RunResult(run, _match(answer.runs, run, diameter_px)) for run in wanted)
    true_lines = [run["spine_px"] for run in truth.get("runs", [])]
    if "pigtail" in truth:
        true_lines.append(truth["pigtail"]["spine_px"])
    wrong = sum(all(_on(run.spine_px, line, diameter_px) < 0.5 for line in true_lines) for run in answer.runs)
    tail = None if answer.pigtail is None or "pigtail" not in truth else answer.pigtail
    if tail is not None and not _same(tail.spine_px, truth["pigtail"]["spine_px"], diameter_px):
        tail = None
    return PictureResult(name, truth, answer, matched, wrong, tail, seconds)


def _match(found: Iterable[Run], true: Truth, diameter_px: float) -> Run | None:
    return next((run for run in found if _same(run.spine_px, true["spine_px"], diameter_px)), None)


def _same(found_px: Any, true_px: Any, diameter_px: float) -> bool:
    """Whether at least half of either line lies on the other."""
    return _on(found_px, true_px, diameter_px) >= 0.5 and _on(true_px, found_px, diameter_px) >= 0.5


def _on(line_px: Any, other_px: Any, diameter_px: float) -> float:
    own, other = _even(line_px), _even(other_px)
    apart = np.linalg.norm(own[:, None] - other[None], axis=2).min(1)
    return float((apart < TOLERANCE_D * diameter_px).mean())


def _even(line_px: Any, points: int = 60) -> Floats:
    line = np.asarray(line_px, float)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.linspace(0, along[-1], points)
    return np.column_stack([np.interp(at, along, line[:, k]) for k in (0, 1)])


# -- accuracy -----------------------------------------------------------------------------------


def summarise(results: Sequence[PictureResult]) -> dict[str, float]:
    """Return the figures of a set of pictures by name; a figure that has no readings to stand on is left out."""
    runs = [run for result in results for run in result.runs if run.true["visible_fraction"] >= 0.9]
    found = [run for run in runs if run.got is not None]
    figures: dict[str, float] = {
        "pictures": len(results),
        "refused": sum(isinstance(result.answer, Refusal) for result in results),
        "runs in view": len(runs),
        "runs found": len(found),
        "wrong finds": sum(result.wrong_finds for result in results),
        "called conforming, truly outside": sum(result.false_accepts for result in results),
        "seconds a picture, median": statistics.median(result.seconds for result in results),
    }
    if found:
        relative = np.array([run.relative_error for run in found])
        figures |= {
            "bias, median, %": 100 * float(np.median(relative)),
            "scatter, 1.4826 median deviation, %": 148.26 * float(np.median(np.abs(relative - np.median(relative)))),
            "|error|, median, %": 100 * float(np.median(np.abs(relative))),
            "|error|, 95th percentile, %": 100 * float(np.quantile(np.abs(relative), 0.95)),
            "off by a factor": sum(run.gross for run in found),
            "stated U95, median, %": 100
            * statistics.median(
                run.got.twists_per_inch_u95 / run.got.twists_per_inch for run in found if run.got is not None
            ),
            "lay right, %": 100 * float(np.mean([run.lay_right for run in found])),
            "95 % interval holds the truth, %": 100 * float(np.mean([run.covered for run in found])),
        }
        gaps = [error for run in found for error in run.gap_errors_in]
        figures |= {"gap to a hole, |error|, median, in": float(np.median(gaps))} if gaps else {}
    diameters = [result.diameter_error for result in results if result.diameter_error is not None]
    if diameters:
        figures["wire diameter, |error|, median, %"] = 100 * float(np.median(diameters))
    return figures | _pigtails(results) | _ends(results)


def _ends(results: Sequence[PictureResult]) -> dict[str, float]:
    """Return how far off the ends of sections lie along the wire, twists; positive where they are read too far out."""
    off: dict[str, list[float]] = {"ends of runs": [], "pigtails at the head": [], "cut ends": []}
    for result in results:
        for run in result.runs:
            if run.got is not None:
                off["ends of runs"] += _beyond(run.got.spine_px, run.true)
        if result.pigtail is not None:
            near, cut = _beyond(result.pigtail.spine_px, result.truth["pigtail"])
            off["pigtails at the head"].append(near)
            off["cut ends"].append(cut)
    figures = {}
    for name, errors in off.items():
        if errors:
            figures[f"{name}, bias, median, twists"] = float(np.median(errors))
            figures[f"{name}, |error|, 90th percentile, twists"] = float(np.quantile(np.abs(errors), 0.9))
    return figures


def _beyond(found_px: Any, true: Truth) -> list[float]:
    """Return by how many twists the first and the last end of a true line are read too far out."""
    line, found = np.asarray(true["spine_px"], float), np.asarray(found_px, float)
    if np.hypot(*(found[0] - line[0])) > np.hypot(*(found[-1] - line[0])):
        found = found[::-1]
    tenth, outward = len(line) // 10 + 1, []
    for end, inside, got in ((line[0], line[tenth], found[0]), (line[-1], line[-1 - tenth], found[-1])):
        ahead = (end - inside) / np.hypot(*(end - inside))
        outward.append(float((got - end) @ ahead) / float(true["px_per_twist"]))
    return outward


def _pigtails(results: Sequence[PictureResult]) -> dict[str, float]:
    seen = [one for one in results if one.truth.get("pigtail", {}).get("visible_fraction", 0) >= 0.9]
    found = [(one.pigtail, one.truth["pigtail"]["count"]) for one in seen if one.pigtail is not None]
    figures: dict[str, float] = {"pigtails in view": len(seen), "pigtails found": len(found)}
    if found:
        errors = np.array([abs(got.twists - true) for got, true in found])
        figures["pigtail count, |error|, median, twists"] = float(np.median(errors))
        figures["pigtail count within half a twist, %"] = 100 * float(np.mean(errors <= 0.5))
        figures["pigtail 95 % interval holds the truth, %"] = 100 * float(
            np.mean(errors <= [got.twists_u95 for got, _ in found])
        )
    return figures


def _row(result: PictureResult) -> str:
    if isinstance(result.answer, Refusal):
        return f"{result.name:<20} {result.seconds:5.1f} s  refused: {result.answer.code}"
    parts = []
    for run in result.runs:
        true = f"{run.true['mean_tpi']:.2f} {run.true['lay']}"
        if run.got is None:
            parts.append(f"{true} not found")
        else:
            off = "" if run.covered else " OUTSIDE"
            got = f"{run.got.twists_per_inch:.2f} +- {run.got.twists_per_inch_u95:.2f} {run.got.lay}"
            parts.append(f"{true} -> {got} ({100 * run.relative_error:+.1f} %{off})")
    if "pigtail" in result.truth:
        count = "not found" if result.pigtail is None else f"{result.pigtail.twists:.1f}"
        parts.append(f"tail {result.truth['pigtail']['count']:.1f} -> {count}")
    wrong = f"  {result.wrong_finds} WRONG FIND" if result.wrong_finds else ""
    return f"{result.name:<20} {result.seconds:5.1f} s  {'; '.join(parts)}; {result.answer.call}{wrong}"


def print_accuracy(
    folder: Path, hinted: bool, finders: tuple[Finder, ...] = BOTH, named: bool = True, heights: bool = False
) -> None:
    """Print one line a picture and the summary; where the wire is not named, of the pictures with a card."""
    told = f"{'ends of the first run given' if hinted else 'nothing pointed at'}, wire {'' if named else 'not '}named"
    told += ", height over the card told" if heights else ""
    print(f"\n{folder.name}, {told}, {'+'.join(finders)}")
    results = []
    for path in sorted(folder.glob("*.json")):
        if not named and json.loads(path.read_text())["card"]["type"] == "none":
            continue
        results.append(read_picture(path, hinted, finders, named=named, heights=heights))
        print("  " + _row(results[-1]), flush=True)
    for name, figure in summarise(results).items():
        print(f"  {name:<50} {figure:8.4g}")


def print_negatives(folder: Path, finders: tuple[Finder, ...] = BOTH, wire_in: float | None = None) -> None:
    """Print how many look-alikes are refused; a wire named lets those without a card be searched too."""
    results = [read_picture(path, False, finders, wire_in) for path in sorted(folder.glob("*.json"))]
    refused = [one for one in results if isinstance(one.answer, Refusal)]
    print(f"\n{folder.name}: {len(refused)} of {len(results)} refused")
    for one in results:
        print("  " + _row(replace(one, runs=())))


# -- speed --------------------------------------------------------------------------------------


def twelve_megapixels(truth_path: Path) -> bytes:
    """Return a picture scaled to fill 4000 x 3000 as far as it goes, the rest its own edge, as JPEG."""
    truth: Truth = json.loads(truth_path.read_text())
    pixels = open_photo(truth_path.parent / truth["image"]["file"]).pixels
    scale = min(SPEED_SIZE_PX[0] / pixels.shape[1], SPEED_SIZE_PX[1] / pixels.shape[0])
    large = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    down, right = SPEED_SIZE_PX[1] - large.shape[0], SPEED_SIZE_PX[0] - large.shape[1]
    large = cv2.copyMakeBorder(large, 0, down, 0, right, cv2.BORDER_REPLICATE)
    return cv2.imencode(".jpg", cv2.cvtColor(large, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()


def size_px(data: bytes) -> tuple[int, int]:
    """Return width and height of a picture, px."""
    height, width = read_photo(data, "picture").pixels.shape[:2]
    return width, height


def time_reading(data: bytes, rounds: int) -> tuple[float, float]:
    """Return the median seconds of decoding and of the whole reading, taken in turns after one of each unmeasured."""
    decoding, reading = [], []
    for turn in range(rounds + 1):
        begun = time.perf_counter()
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        between = time.perf_counter()
        measure(read_photo(data, "picture"))
        done = time.perf_counter()
        if turn:
            decoding.append(between - begun)
            reading.append(done - between)
    return statistics.median(decoding), statistics.median(reading)


PEAK = """
import resource, sys
from visionwire.measure import measure
measure(sys.stdin.buffer.read())
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def peak_memory_mb(data: bytes) -> float:
    """Return the most memory, MB, that a process of its own holds while reading (ru_maxrss, KiB on Linux)."""
    done = subprocess.run([sys.executable, "-c", PEAK], input=data, capture_output=True, check=True)
    return float(done.stdout) * 1024 / 1e6


def print_speed(truth_paths: Sequence[Path], rounds: int) -> None:
    """Print time and memory of a reading at 12 megapixels."""
    print(f"\n{SPEED_SIZE_PX[0]} x {SPEED_SIZE_PX[1]} px JPEG, warm, medians of {rounds} in turns, one process")
    print(f"  {'picture':<20} {'decode, s':>10} {'reading, s':>11} {'reading / decode':>17} {'peak, MB':>9}")
    for path in truth_paths:
        data = twelve_megapixels(path)
        decode_s, reading_s = time_reading(data, rounds)
        ratio, peak_mb = reading_s / decode_s, peak_memory_mb(data)
        print(
            f"  {path.stem:<20} {decode_s:10.4f} {reading_s:11.3f} {ratio:17.1f} {peak_mb:9.0f}",
            flush=True,
        )


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.report", description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path, default=[PICTURES])
    parser.add_argument("--accuracy", action="store_true", help="accuracy only")
    parser.add_argument("--speed", action="store_true", help="speed only")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--finder", choices=("both", *BOTH), default="both", help="who looks for the wire")
    parser.add_argument("--unnamed", action="store_true", help="do not name the wire's diameter")
    parser.add_argument("--heights", action="store_true", help="say how far the card lies below the wire")
    parser.add_argument("--wire", type=float, help="diameter named where a look-alike has no wire, inches")
    options = parser.parse_args(arguments)
    both = options.accuracy == options.speed
    finders = BOTH if options.finder == "both" else (options.finder,)
    for folder in options.folders:
        if options.accuracy or both:
            for hinted in (False, True) if any(folder.glob("*.json")) else ():
                print_accuracy(folder, hinted, finders, not options.unnamed, options.heights)
            if (folder / "negatives").is_dir():
                print_negatives(folder / "negatives", finders, options.wire)
        if options.speed or both:
            print_speed(sorted(folder.glob("*.json"))[:3], options.rounds)


if __name__ == "__main__":
    main()
