"""What was stated of painted scenes beside what is true of them, one row a scene; the figures are `confidence`'s.

``python -m tests.benchmarks.coverage FOLDER [FOLDER ...] --rows FILE.csv [--jobs N]`` reads every picture of the
folders, the wire's diameter given, and every third one (number % 3 == 2) with the ends of its first run as well. Scenes
already in FILE are not read again. ``python -m tests.benchmarks.coverage --from FILE.csv`` prints the figures.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import os
import re
import sys
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2

from tests.benchmarks import report
from visionwire.judge import COVERAGE_95
from visionwire.measure import measure
from visionwire.reading import Check, Reading, Refusal, Run

Row = dict[str, str]
Values = dict[str, Any]

IN_VIEW = 0.9
TERM = "term_"
#: Columns before and after the terms of the budget, which are named by whatever names occur in it.
FIRST = (
    *("scene", "ends_given"),
    *("card", "tilt_deg", "px_per_twist", "defocus_coc_px", "motion_blur_px", "noise", "surface", "material"),
    *("wire_in", "true_length_in", "strong_nonuniform", "true_tpi", "true_lay"),
    *("true_pigtail_twists", "true_pigtail_in", "pigtail_visible", "runs_conform"),
    *("code", "call", "confidence", "all_conform", "wrong_finds", "not_runs"),
    *("source", "tpi", "u"),
)
LAST = (
    *("probability_conforming", "run_call", "low", "high", "twists", "length_in", "lay"),
    *("wire_diameter_in", "wire_diameter_in_u95"),
    *("pigtail", "pigtail_twists", "pigtail_u95", "pigtail_probability", "pigtail_call", "pigtail_low", "pigtail_high"),
    "flags",
)


# -- one scene ----------------------------------------------------------------------------------


def scene_of(truth_path: Path) -> str:
    """Return the name of a scene: its folder's and its own."""
    return f"{truth_path.resolve().parent.name}/{truth_path.stem}"


def number_of(scene: str) -> int:
    """Return the number that a scene's name ends with; 0 where there is none."""
    found = re.search(r"(\d+)$", scene)
    return int(found.group()) if found else 0


def row_of(truth_path: Path) -> Row:
    """Read one picture and return its row; what failed altogether has "error-" and the kind of error as its code."""
    scene = scene_of(truth_path)
    truth: report.Truth = json.loads(truth_path.read_text(encoding="utf-8"))
    first, given = truth["runs"][0], number_of(scene) % 3 == 2
    start, end = (_whole(first[key]) if given else None for key in ("start_px", "end_px"))
    values: Values = {"scene": scene, "ends_given": given, **_truth(truth)}
    try:
        answer = measure(truth_path.parent / truth["image"]["file"], wire=truth["wire"]["d_in"], start=start, end=end)
    except Exception as error:  # one picture must not end a run of hours; the figures count it
        traceback.print_exc()
        return _written({**values, "code": f"error-{type(error).__name__}"})
    return _written({**values, **_said(scene, truth, answer)})


def _whole(point_px: Sequence[float]) -> tuple[float, float]:
    """Return a place as someone would point at it, at whole pixels."""
    return float(round(point_px[0])), float(round(point_px[1]))


def _truth(truth: report.Truth) -> Values:
    first, flags, tail = truth["runs"][0], truth["flags"], truth.get("pigtail", {})
    return {
        "card": truth["card"]["type"],
        "px_per_twist": first["px_per_twist"],
        **{
            name: flags.get(name, 0.0)
            for name in ("tilt_deg", "defocus_coc_px", "motion_blur_px", "noise", "surface", "strong_nonuniform")
        },
        "material": truth["wire"]["material"],
        "wire_in": truth["wire"]["d_in"],
        "true_length_in": first["length_in"],
        "true_tpi": first["mean_tpi"],
        "true_lay": first["lay"],
        "true_pigtail_twists": tail.get("count"),
        "true_pigtail_in": tail.get("length_in"),
        "pigtail_visible": tail.get("visible_fraction", 0.0),
    }


def _said(scene: str, truth: report.Truth, answer: Reading | Refusal) -> Values:
    if isinstance(answer, Refusal):
        return {"code": answer.code}
    result = report.compare(scene, truth, answer, truth["runs"][:1], 0.0)
    got, lines = result.runs[0].got, [run["spine_px"] for run in truth["runs"]]
    diameter_px = truth["wire"]["d_px"]
    off = sum(all(report._on(run.spine_px, line, diameter_px) < 0.5 for line in lines) for run in answer.runs)
    return {
        "call": answer.call,
        "confidence": answer.confidence,
        "all_conform": math.prod(check.probability_conforming for check in answer.checks),
        "wrong_finds": result.wrong_finds,
        "not_runs": off,
        "runs_conform": _runs_conform(truth, answer),
        "source": answer.scale.source,
        "flags": " ".join(answer.flags),
        **({} if got is None else _run(got, _check(answer, "density", f"run {answer.runs.index(got) + 1}"))),
        **_pigtail(truth, result, answer),
    }


def _check(answer: Reading, rule: str, section: str) -> Check | None:
    return next((one for one in answer.checks if (one.rule, one.section) == (rule, section)), None)


def _within(value: float, check: Check) -> bool:
    low, high = -math.inf if check.low is None else check.low, math.inf if check.high is None else check.high
    return low <= value <= high


def _runs_conform(truth: report.Truth, answer: Reading) -> bool | None:
    """Return whether every true run in view is within the limits of the density checks; None where there are none."""
    check = next((one for one in answer.checks if one.rule == "density"), None)
    seen = [run["mean_tpi"] for run in truth["runs"] if run["visible_fraction"] >= IN_VIEW]
    return None if check is None else all(_within(tpi, check) for tpi in seen)


def _run(run: Run, check: Check | None) -> Values:
    return {
        "tpi": run.twists_per_inch,
        "u": run.twists_per_inch_u95 / COVERAGE_95,
        **{TERM + one.term: one.twists_per_inch_u / run.twists_per_inch for one in run.budget},
        "probability_conforming": run.probability_conforming,
        "run_call": run.call,
        "low": None if check is None else check.low,
        "high": None if check is None else check.high,
        "twists": run.twists,
        "length_in": run.length_in,
        "lay": run.lay,
        "wire_diameter_in": run.wire_diameter_in,
        "wire_diameter_in_u95": run.wire_diameter_in_u95,
    }


def _pigtail(truth: report.Truth, result: report.PictureResult, answer: Reading) -> Values:
    """Return the pigtail read: "true" where it is the true one, "part" where it lies on it, else "wrong"."""
    if answer.pigtail is None:
        return {}
    check = _check(answer, "pigtail-twists", "pigtail")
    kind = "true"
    if result.pigtail is None:
        line = truth.get("pigtail", {}).get("spine_px")
        on = 0.0 if line is None else report._on(answer.pigtail.spine_px, line, truth["wire"]["d_px"])
        kind = "part" if on >= 0.5 else "wrong"
    return {
        "pigtail": kind,
        "pigtail_twists": answer.pigtail.twists,
        "pigtail_u95": answer.pigtail.twists_u95,
        "pigtail_probability": answer.pigtail.probability_conforming,
        "pigtail_call": answer.pigtail.call,
        "pigtail_low": None if check is None else check.low,
        "pigtail_high": None if check is None else check.high,
    }


def _written(values: Values) -> Row:
    return {name: _text(value) for name, value in values.items()}


def _text(value: Any) -> str:
    """Return a value as a row has it: five digits, truth as 1 or 0, what is missing empty."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    return value if isinstance(value, str) else f"{value:.5g}"


# -- the file of rows ---------------------------------------------------------------------------


def columns_of(rows: Sequence[Row]) -> tuple[str, ...]:
    """Return the columns that a set of rows needs, the budget's terms in the order of their names."""
    return (*FIRST, *sorted({name for row in rows for name in row if name.startswith(TERM)}), *LAST)


def read_rows(path: Path) -> list[Row]:
    """Return the rows of a file; none where there is no file, and without a last line that was cut short."""
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text[: text.rfind("\n") + 1])))


def write_rows(path: Path, rows: Sequence[Row]) -> None:
    """Write all rows at once in the order of their scenes, never leaving half a file."""
    columns, beside = columns_of(rows), path.with_name(path.name + ".part")
    ordered = sorted(rows, key=lambda row: row["scene"])
    lines = [_line(one, columns) for one in [dict(zip(columns, columns, strict=True)), *ordered]]
    beside.write_text("".join(lines), encoding="utf-8")
    beside.replace(path)


def _line(row: Row, columns: Sequence[str]) -> str:
    held = io.StringIO()
    csv.writer(held, lineterminator="\n").writerow([row.get(name, "") for name in columns])
    return held.getvalue()


def _alone() -> None:
    cv2.setNumThreads(1)


def make_rows(folders: Sequence[Path], path: Path, jobs: int) -> int:
    """Read every scene that the file does not have yet, row by row into it, and return how many were read."""
    rows = read_rows(path)
    done = {row["scene"] for row in rows}
    scenes = {scene_of(one): one for folder in folders for one in sorted(folder.glob("*.json"))}
    if not scenes:
        raise SystemExit(f"{folders[0]} has no NAME.json; paint some with python -m fixtures.quick {folders[0]}")
    wanted = [one for name, one in scenes.items() if name not in done]
    write_rows(path, rows)
    columns = columns_of(rows)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_alone) as pool:
        reads = [pool.submit(row_of, one) for one in wanted]
        for count, read in enumerate(as_completed(reads), 1):
            rows.append(read.result())
            if set(rows[-1]) - set(columns):  # a term of the budget that no row had so far
                columns = columns_of(rows)
                write_rows(path, rows)
            else:
                with path.open("a", encoding="utf-8") as file:
                    file.write(_line(rows[-1], columns))
            if count % 50 == 0 or count == len(wanted):
                print(f"{count} of {len(wanted)} read", file=sys.stderr, flush=True)
    write_rows(path, rows)
    return len(wanted)


def main(arguments: Sequence[str] | None = None) -> None:
    """Make rows, or print their figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.coverage", description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--rows", type=Path, help="file that the rows of the folders go into")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes that read")
    parser.add_argument("--from", dest="source", type=Path, help="file of rows to print the figures of")
    options = parser.parse_args(arguments)
    if options.source is None and (options.rows is None or not options.folders):
        parser.error("give folders and --rows FILE.csv, or --from FILE.csv")
    if options.rows is not None:
        make_rows(options.folders, options.rows, options.jobs)
    if options.source is not None:
        from tests.benchmarks import confidence

        confidence.print_figures(confidence.load(options.source))


if __name__ == "__main__":
    main()
