"""Whether what readings state of themselves is true: figures of the rows that `coverage` keeps, and of nothing else.

Scenes of an even number may be fitted to; those of an odd one stay untouched, and what a fit is worth is told on them.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtr

from tests.benchmarks.coverage import IN_VIEW, number_of
from tests.benchmarks.scoring import (
    Share,
    brier,
    calibration_error,
    conformal_factor,
    reliability,
    risk_coverage,
    share_of,
)
from visionwire.budget import WIRE_U
from visionwire.cues import LEAST_PROBABILITY_WIRE
from visionwire.helix import COMMON_SIZES_IN
from visionwire.judge import COVERAGE_95
from visionwire.safety import LONGEST_PIGTAIL_IN

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Rows = dict[str, NDArray[Any]]

TEXTS = {
    *("scene", "card", "surface", "material", "true_lay", "code", "call", "source", "run_call", "lay"),
    *("pigtail", "pigtail_call", "flags"),
}
#: What scale is taken from: a printed card or one of the size of a bank card, or the wire's own diameter.
SOURCES = {"card": ("card", "id1"), "wire": ("wire",)}


def load(path: Path) -> Rows:
    """Return a file of rows by column: text as it stands, all else as float, NaN where nothing stands."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    if not rows:
        raise SystemExit(f"{path} has no rows; make some with python -m tests.benchmarks.coverage FOLDER --rows {path}")
    return {
        name: np.array([row[name] if name in TEXTS else float(row[name] or "nan") for row in rows]) for name in rows[0]
    }


def chosen(rows: Rows, mask: Mask) -> Rows:
    """Return those rows alone."""
    return {name: values[mask] for name, values in rows.items()}


def fitted(rows: Rows) -> Mask:
    """Return which rows may be fitted to: those of the scenes with an even number."""
    return np.array([number_of(scene) % 2 == 0 for scene in rows["scene"]])


# -- whether a wire told wrongly is seen ----------------------------------------------------------


def wires_doubted(rows: Rows) -> dict[str, Share]:
    """Return how often `cues` would doubt the wire's size, were the true one told, the next thicker or the thinner.

    Of rows read by a card, whose wire has one of the common sizes.
    """
    by_card = chosen(rows, of_source(rows, "card") & np.isfinite(rows["wire_diameter_in"]))
    sizes, seen_in = np.array(COMMON_SIZES_IN), by_card["wire_diameter_in"]
    true = np.abs(sizes[:, None] - by_card["wire_in"]).argmin(0)
    u = np.hypot(by_card["wire_diameter_in_u95"] / COVERAGE_95 / seen_in, WIRE_U)
    doubted = {}
    for name, step in (("true", 0), ("next thicker", 1), ("next thinner", -1)):
        there = (true + step >= 0) & (true + step < len(sizes))
        off = np.log(seen_in[there] / sizes[true[there] + step])
        doubted[name] = share_of(chdtrc(1, (off / u[there]) ** 2) < LEAST_PROBABILITY_WIRE)
    return doubted


# -- how often an interval holds the truth ------------------------------------------------------


def scores(rows: Rows) -> Floats:
    """Return how many of its standard deviations every density is off; NaN where none was read."""
    return np.asarray(np.abs(rows["tpi"] - rows["true_tpi"]) / rows["u"])


def pigtail_scores(rows: Rows) -> Floats:
    """Return the same of the pigtail's count; NaN where it is not the true one, or not in view as a whole."""
    off = np.abs(rows["pigtail_twists"] - rows["true_pigtail_twists"]) / (rows["pigtail_u95"] / COVERAGE_95)
    return np.where((rows["pigtail"] == "true") & (rows["pigtail_visible"] >= IN_VIEW), off, np.nan)


def of_source(rows: Rows, source: str) -> Mask:
    """Return which rows have their scale from a card, or from the wire."""
    return np.isin(rows["source"], SOURCES[source])


def factors(rows: Rows) -> dict[str, float]:
    """Return the conformal factor of either source of scale and of the pigtail's count, from even scenes alone."""
    even, off = fitted(rows), scores(rows)
    found = {name: conformal_factor(off[even & of_source(rows, name) & np.isfinite(off)]) for name in SOURCES}
    tails = pigtail_scores(rows)
    return {**found, "pigtail": conformal_factor(tails[even & np.isfinite(tails)])}


def factor_of(rows: Rows, by_source: Mapping[str, float]) -> Floats:
    """Return the factor (N,) of every row's density; 1 where nothing was read."""
    return np.select([of_source(rows, name) for name in SOURCES], [by_source[name] for name in SOURCES], 1.0)


def conditions(rows: Rows) -> dict[str, Mask]:
    """Return, by what they share, which rows are to be looked at together."""
    blur = rows["defocus_coc_px"] / rows["px_per_twist"]
    twists = rows["true_tpi"] * rows["true_length_in"]
    short = (rows["true_length_in"] < 1.25) | (twists < 10)
    moved, uneven, size = rows["motion_blur_px"] > 0, rows["strong_nonuniform"] == 1, rows["px_per_twist"]
    metal = rows["material"] != "insulated"
    return {
        "all": np.full(len(blur), True),
        "bare metal": metal,
        "insulated wire": ~metal,
        "nothing pointed at": rows["ends_given"] == 0,
        "ends given": rows["ends_given"] == 1,
        "scale from a card": of_source(rows, "card"),
        "scale from the wire": of_source(rows, "wire"),
        "blur under 0.1 twist": blur < 0.1,
        "blur over 0.1 twist": blur >= 0.1,
        "still": ~moved,
        "moved": moved,
        "tilt under 15 degrees": rows["tilt_deg"] < 15,
        "tilt over 15 degrees": rows["tilt_deg"] >= 15,
        "long run": ~short,
        "under 1.25 in or 10 twists": short,
        "even twist": ~uneven,
        "uneven twist": uneven,
        "under 20 px a twist": size < 20,
        "20 to 40 px a twist": (size >= 20) & (size <= 40),
        "over 40 px a twist": size > 40,
        **_by_folder(rows["scene"]),
    }


def _by_folder(scenes: Any) -> dict[str, Mask]:
    """Return, where scenes were painted into more folders than one, those of each."""
    folders = np.array([scene.split("/")[0] for scene in scenes])
    names = sorted(set(folders.tolist()))
    return {name: folders == name for name in names} if len(names) > 1 else {}


def coverage_table(rows: Rows, scores: Floats, reach: Floats | float = COVERAGE_95) -> dict[str, Share]:
    """Return, by condition, how often the truth is within so many deviations, of rows that have a score."""
    read = np.isfinite(scores)
    return {name: share_of((scores <= reach)[read & mask]) for name, mask in conditions(rows).items()}


# -- how true a probability is ------------------------------------------------------------------


def _within(value: Floats, low: Floats, high: Floats) -> Mask:
    """Return what is inside its limits; a missing limit allows all."""
    return np.asarray(
        (value >= np.where(np.isnan(low), -np.inf, low)) & (value <= np.where(np.isnan(high), np.inf, high))
    )


def run_probability(rows: Rows, by_source: Mapping[str, float] | None = None) -> tuple[Floats, Mask]:
    """Return the probability of conformity stated of every run read, and whether its true density conforms.

    With factors it is the probability that the multiplied deviations would have given.
    """
    rows = chosen(rows, np.isfinite(rows["probability_conforming"]))
    true = _within(rows["true_tpi"], rows["low"], rows["high"])
    if by_source is None:
        return rows["probability_conforming"], true
    u = rows["u"] * factor_of(rows, by_source)
    below_high = np.where(np.isnan(rows["high"]), 1.0, ndtr((rows["high"] - rows["tpi"]) / u))
    below_low = np.where(np.isnan(rows["low"]), 0.0, ndtr((rows["low"] - rows["tpi"]) / u))
    return np.maximum(below_high - below_low, 0.0), true


def truly_conforms(rows: Rows) -> Mask:
    """Return whether the whole picture truly conforms, as far as its checks go.

    The density of every true run in view is within the limits and, where the reading checked a pigtail, so is the
    whole number nearest to the true count. What else was checked (the span) all painted safeties keep.
    """
    low, high = rows["pigtail_low"], rows["pigtail_high"]
    checked = np.isfinite(low) | np.isfinite(high)
    count = np.floor(rows["true_pigtail_twists"] + 0.5)
    return np.asarray((rows["runs_conform"] == 1) & (~checked | _within(count, low, high)))


def mistaken(rows: Rows) -> Mask:
    """Return whether a reading judged what is not there: a run on no true run (a pigtail, say), or no true pigtail."""
    return np.asarray((rows["wrong_finds"] > 0) | (rows["not_runs"] > 0) | (rows["pigtail"] == "wrong"))


def settled_wrong(rows: Rows) -> Mask:
    """Return whether the likelier of conforming and not (which is the call where one is given) is wrong."""
    return np.asarray(((rows["all_conform"] >= 0.5) != truly_conforms(rows)) | mistaken(rows))


def called_wrong(rows: Rows) -> tuple[Mask, Mask]:
    """Return which rows have a call, and which of those calls are wrong: not the truth, or of what is not there."""
    called = np.isin(rows["call"], ("conforming", "nonconforming"))
    wrong = ((rows["call"] == "conforming") != truly_conforms(rows)) | mistaken(rows)
    return called, called & wrong


def usual_wire(rows: Rows) -> Mask:
    """Return which scenes show what is found on a part: bare metal, and no pigtail that is as long as a run.

    The painter also lays insulated wire of two colours, and pigtails of up to 1.8 in, twice what any limit allows;
    from `visionwire.safety.LONGEST_PIGTAIL_IN` on a pigtail is known by its cut end alone.
    """
    return np.asarray((rows["material"] != "insulated") & ~(rows["true_pigtail_in"] > LONGEST_PIGTAIL_IN))


# -- printed ------------------------------------------------------------------------------------


def _print_coverage(title: str, rows: Rows, off: Floats, factor: Floats) -> None:
    print(f"\n{title}: scenes, and % whose 95 % interval holds the truth (95 % bounds)")
    print(f"  {'':<27} {'every scene, as stated':<31} {'odd scenes, as stated':<31} odd scenes, after the factor")
    odd = ~fitted(rows)
    tables = (
        coverage_table(rows, off),
        coverage_table(chosen(rows, odd), off[odd]),
        coverage_table(chosen(rows, odd), off[odd], COVERAGE_95 * factor[odd]),
    )
    for name in tables[0]:
        print(f"  {name:<27} " + " ".join(f"{table[name]!s:<31}" for table in tables).rstrip())


def _print_probability(title: str, probability: Floats, true: Mask) -> None:
    if not len(probability):
        return
    error, squared = calibration_error(probability, true), brier(probability, true)
    print(f"  {title}: {len(true)}, expected calibration error {error:.4f}, Brier score {squared:.4f}")
    for one in reliability(probability, true):
        print(f"    stated {100 * one.mean:6.1f} %   true, of   {one.true}")


def _print_calls(rows: Rows) -> None:
    called, wrong = called_wrong(rows)
    read = rows["code"] == ""
    print(f"  scenes {len(read)}, read {read.sum()}, called {called.sum()}")
    conforms, off = truly_conforms(rows), mistaken(rows)
    for title, share in (
        ("calls given, of the scenes", share_of(called)),
        ("calls given, of those read", share_of(called[read])),
        ("called conforming: truly not (false accepts)", share_of(~conforms[rows["call"] == "conforming"])),
        ("called nonconforming: truly is (false rejects)", share_of(conforms[rows["call"] == "nonconforming"])),
        ("called what is not there (wrong too)", share_of(off[called])),
        ("calls wrong, all in all", share_of(wrong[called])),
    ):
        print(f"  {title:<47} {share} %")
    _print_probability("confidence against the call being right", rows["confidence"][called], ~wrong[called])
    if read.any():
        among, risk = risk_coverage(rows["confidence"][read], settled_wrong(rows)[read])
        print(f"  risk-coverage, all that was read: area {risk.mean():.4f}")
        for part in (0.25, 0.5, 0.75, 1.0):
            at = max(0, int(np.ceil(part * len(among))) - 1)
            print(f"    the most confident {100 * part:3.0f} %: {100 * risk[at]:5.1f} % wrong")


def _print_worst(rows: Rows, off: Floats, count: int = 10) -> None:
    print(f"\nthe {count} densities furthest off, in standard deviations")
    for one in [k for k in np.argsort(-np.nan_to_num(off)) if np.isfinite(off[k])][:count]:
        true, got, u = (rows[name][one] for name in ("true_tpi", "tpi", "u"))
        scene, source = rows["scene"][one], rows["source"][one]
        print(f"  {scene:<22} {source:<5} true {true:6.2f}, read {got:6.2f} +- {COVERAGE_95 * u:4.2f}: {off[one]:5.1f}")


def print_figures(rows: Rows) -> None:
    """Print all figures of a set of rows."""
    off, tails, by_source = scores(rows), pigtail_scores(rows), factors(rows)
    codes = Counter(str(code) for code in rows["code"] if code)
    print(
        f"{len(off)} scenes; not read: " + (", ".join(f"{many} {code}" for code, many in codes.most_common()) or "none")
    )
    print("\nstated 95 % uncertainty and |error|, medians, % of the density")
    for name in SOURCES:
        mask = of_source(rows, name) & np.isfinite(off)
        if mask.any():
            stated = np.median(100 * COVERAGE_95 * rows["u"][mask] / rows["tpi"][mask])
            error = np.median(100 * np.abs(rows["tpi"] / rows["true_tpi"] - 1)[mask])
            print(f"  scale from the {name:<5} {mask.sum():5d}  stated {stated:5.2f}  |error| {error:5.2f}")
    in_view = np.isfinite(off) & (rows["pigtail_visible"] >= IN_VIEW)
    wrong_by = np.abs(rows["pigtail_twists"] - rows["true_pigtail_twists"])[in_view]
    counted = np.isfinite(wrong_by)
    near = 100 * np.mean(wrong_by[counted] <= 0.5)
    print(f"\npigtails beside runs read: {counted.sum()} of {len(wrong_by)} counted, {near:.1f} % within half a twist")
    print("\nwhere the scale is a card's, the wire's diameter as seen contradicts the size told, were that")
    for name, share in wires_doubted(rows).items():
        print(f"  the {name:<14} {share} %")
    print("\nfactor that the standard deviation has to be multiplied with, from the even scenes (split conformal)")
    for name, factor in by_source.items():
        print(f"  {name:<8} {factor:6.3f}")
    _print_coverage("density", rows, off, factor_of(rows, by_source))
    _print_coverage("pigtail's count", rows, tails, np.full(len(tails), by_source["pigtail"]))
    odd = chosen(rows, ~fitted(rows))
    print("\nprobability that the run's density conforms")
    _print_probability("every scene, as stated", *run_probability(rows))
    _print_probability("odd scenes, as stated", *run_probability(odd))
    if np.isfinite([by_source[name] for name in SOURCES]).all():
        _print_probability("odd scenes, after the factor", *run_probability(odd, by_source))
    usual = usual_wire(rows)
    for title, part in (
        ("every scene", rows),
        (f"bare metal, pigtail of {LONGEST_PIGTAIL_IN:g} in at most", chosen(rows, usual)),
        ("of these the odd scenes", chosen(rows, usual & ~fitted(rows))),
    ):
        print(f"\nthe call of the whole picture, {title}")
        _print_calls(part)
    _print_worst(rows, off)
