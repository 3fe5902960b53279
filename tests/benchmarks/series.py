"""How well a series is read: ``python -m tests.benchmarks.series FOLDER``.

FOLDER is painted by ``python -m fixtures.series FOLDER --count N --seed S``. Every figure printed is worked out from
readings made while it runs, the wire's diameter given and nothing pointed at.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fixtures.helix import MM_PER_IN
from tests.benchmarks.report import PictureResult, read_picture
from visionwire.reading import Reading

WITHIN = 0.03


@dataclass(frozen=True)
class Result:
    """One picture with its series."""

    picture: PictureResult

    @property
    def reading(self) -> Reading | None:
        """The reading, if there is one."""
        return self.picture.answer if isinstance(self.picture.answer, Reading) else None

    @property
    def all_found(self) -> bool:
        """Whether every run is found, and nothing else."""
        found = [run.got for run in self.picture.runs if run.got is not None]
        return self.reading is not None and len(found) == len(self.picture.runs) == len(self.reading.runs)

    @property
    def in_order(self) -> bool:
        """Whether the runs found are numbered in their order along the wire, from either end."""
        if self.reading is None:
            return False
        places = [self.reading.runs.index(run.got) for run in self.picture.runs if run.got is not None]
        return places in (sorted(places), sorted(places, reverse=True))

    @property
    def fields_right(self) -> bool:
        """Whether the series has as many runs and fasteners as there are."""
        if self.reading is None:
            return False
        series, true = self.reading.series, self.picture.truth["runs"]
        return series.runs == len(true) and series.fasteners == len(true) + 1

    @property
    def span_held(self) -> bool:
        """Whether the longest span lies within its 95 % interval."""
        if self.reading is None or not self.reading.runs:
            return False
        true = self.picture.truth["runs"]
        longest = max(run["length_in"] + (run["gap_start_mm"] + run["gap_end_mm"]) / MM_PER_IN for run in true)
        got = max(self.reading.runs, key=lambda run: run.span_in)
        return abs(self.reading.series.longest_span_in - longest) <= got.span_in_u95

    @property
    def counts(self) -> list[float]:
        """Relative error of the twists of every run found."""
        return [run.got.twists / run.true["twists"] - 1 for run in self.picture.runs if run.got is not None]


def summarise(results: Sequence[Result]) -> dict[str, float]:
    """Return the figures by name."""
    errors = np.array([error for one in results for error in one.counts])
    figures: dict[str, float] = {
        "pictures": len(results),
        "refused": sum(one.reading is None for one in results),
        "every run found and nothing else": sum(one.all_found for one in results),
        "in order along the wire": sum(one.in_order for one in results),
        "runs and fasteners of the series right": sum(one.fields_right for one in results),
        "its longest span within the 95 % interval": sum(one.span_held for one in results),
        "wrong finds": sum(one.picture.wrong_finds for one in results),
        "runs": sum(len(one.picture.runs) for one in results),
        "runs found": len(errors),
        "pigtails found": sum(one.picture.pigtail is not None for one in results),
    }
    if len(errors):
        figures[f"twists within {100 * WITHIN:.0f} %, % of runs found"] = 100 * float(np.mean(np.abs(errors) < WITHIN))
        figures["twists, |error|, median, %"] = 100 * float(np.median(np.abs(errors)))
    return figures


def row(one: Result) -> str:
    """Return one picture in a line."""
    truth = one.picture.truth
    head = f"{one.picture.name} {truth['flags']['series']:<5} {len(truth['runs'])} runs"
    if one.reading is None:
        return f"{head} refused: {one.picture.answer.code}"
    counts = ", ".join(
        f"{run.true['twists']:.1f} -> {'not found' if run.got is None else f'{run.got.twists:.1f}'}"
        for run in one.picture.runs
    )
    wrong = [
        word
        for word, right in (("RUNS", one.all_found), ("ORDER", one.in_order), ("SERIES", one.fields_right))
        if not right
    ]
    return f"{head} {counts}; {one.reading.series.fasteners} fasteners {' '.join(wrong)}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Print one line a picture and the summary."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.series", description=__doc__)
    parser.add_argument("folder", type=Path)
    results = []
    for path in sorted(parser.parse_args(arguments).folder.glob("*.json")):
        results.append(Result(read_picture(path, hinted=False)))
        print("  " + row(results[-1]), flush=True)
    for name, figure in summarise(results).items():
        print(f"  {name:<50} {figure:8.4g}")


if __name__ == "__main__":
    main()
