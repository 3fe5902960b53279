"""What an archive costs: ``python -m tests.benchmarks.ledger [--rows N] [--workers] [--damaged N]``.

``--rows`` makes a ledger of invented rows and lets ``visionwire trends`` read it in a process of its own, and holds the
time of writing a row against the time of reading a picture; ``--workers`` the rate of two workers against one;
``--damaged`` archives damaged files. Every figure printed is measured while it runs.
"""

from __future__ import annotations

import argparse
import copy
import datetime
import hashlib
import io
import json
import os
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from visionwire.archive import Ledger, Settings, files, listed, run, work
from visionwire.archive.decisions import decide
from visionwire.archive.ledger import Entry
from visionwire.limits import load_limits

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
SETTINGS = Settings(load_limits("common"), 0.032)
ROWS_AT_ONCE = 20_000
COPIES, SAVED_AGAIN, REFUSED, UNREADABLE, DECIDED = 0.02, 0.002, 0.12, 0.01, 0.01
FIRST_DAY = datetime.date(2030, 1, 1)
DAYS, STATIONS, TECHNICIANS, AIRCRAFT = 3000, 17, 230, 900

# A process of its own between, small: a child's peak begins at that of whoever started it.
PEAK = """
import json, resource, subprocess, sys, time
begun = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
seconds = time.perf_counter() - begun
spent = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([done.returncode, seconds, spent.ru_utime + spent.ru_stime, spent.ru_maxrss]))
"""
VISIONWIRE = "from visionwire.cli import main; main()"


# -- a million rows -----------------------------------------------------------------------------


def read_fixtures(count: int) -> list[Entry]:
    """Read so many of the repository's pictures, so that invented rows are as large as true ones."""
    places = listed([str(PICTURES / "*.jpg")])[:count]
    return [work.read(str(files.sha256_of(place)[0]), place, SETTINGS) for place in places]


def invented(rows: int, models: Sequence[Entry], seed: int = 7) -> Iterator[tuple[list[Any], list[Entry], list[str]]]:
    """Yield rows of files, their readings and the contents decided on, some thousands at a time."""
    rng = np.random.default_rng(seed)
    readings = [one for one in models if one.state == "reading"]
    for start in range(0, rows, ROWS_AT_ONCE):
        numbers = range(start, min(start + ROWS_AT_ONCE, rows))
        chance = rng.random((len(numbers), 4))
        figures = rng.normal((7.0, 4.4), (0.5, 0.8), (len(numbers), 2))
        told: list[Any] = []
        entries: list[Entry] = []
        decided: list[str] = []
        for number, (copied, again, came, drawn), (density, twists) in zip(numbers, chance, figures, strict=True):
            who = number * 7919 % TECHNICIANS
            day = FIRST_DAY + datetime.timedelta(number * DAYS // rows)
            place = f"bay {who % STATIONS}/technician {who}"
            words = (f"technician {who}", f"bay {who % STATIONS}", f"tail {number % AIRCRAFT}")
            path = f"/archive/{day.year}/{place}/{number:07d}.jpg"
            copy_of = entries and copied < COPIES
            sha256 = entries[-1].sha256 if copy_of else hashlib.sha256(str(number).encode()).hexdigest()
            told.append((path, sha256, 3_000_000, "", *words, f"{day.isoformat()}T08:00:00", None))
            if copy_of:
                continue
            mark = entries[-1].fingerprint if entries and again < SAVED_AGAIN else sha256[:16]
            if came < UNREADABLE:
                entries.append(work.unreadable(sha256, "unreadable", "the file is damaged; copy it again"))
            elif came < UNREADABLE + REFUSED:
                record = {"code": "no-scale", "message": "no scale is in view", "advice": "lay a card beside the wire"}
                entries.append(Entry(sha256, "refusal", "no-scale", record["message"], mark, record))
            else:
                model = readings[number % len(readings)]
                record = _with(model.record, float(density), float(twists), float(drawn))
                entries.append(Entry(sha256, "reading", None, None, mark, record, model.ticks))
                if came > 1 - DECIDED:
                    decided.append(sha256)
        yield told, entries, decided


def _with(model: dict[str, Any], density: float, twists: float, drawn: float) -> dict[str, Any]:
    record = copy.copy(model)
    probability = min(1.0, max(0.0, 1.5 * drawn - 0.05))
    record["call"] = "conforming" if probability > 0.95 else "nonconforming" if probability < 0.05 else "undecided"
    record["checks"] = [{**check, "probability_conforming": probability} for check in model["checks"]]
    record["runs"] = [{**model["runs"][0], "twists_per_inch": density}, *model["runs"][1:]]
    if model["pigtail"] is not None:
        record["pigtail"] = {**model["pigtail"], "twists": twists}
    return record


def write_invented(path: Path, rows: int, models: Sequence[Entry]) -> None:
    """Write a ledger of invented rows."""
    book = Ledger(path)
    book.base.execute("PRAGMA synchronous = OFF")  # nothing is lost with it
    book.base.execute("PRAGMA cache_size = -400000")
    key = SETTINGS.sha256
    book.use(key)
    for told, entries, decided in invented(rows, models):
        book.put_files(told)
        book.put_entries(entries, key)
        for sha256 in decided:
            decide(book, sha256, "accept", "looked at", "A. Person", "2031-05-06T07:08:09+00:00")
    book.close()


def trends_of_rows(path: Path, *more: str) -> tuple[float, float, float]:
    """Return seconds, seconds of a core, and peak MB of ``visionwire trends`` on a ledger, in a process of its own."""
    words = [sys.executable, "-c", VISIONWIRE, "trends", str(path), *more]
    done = subprocess.run([sys.executable, "-c", PEAK, *words], capture_output=True, check=True, text=True)
    status, seconds, of_a_core, peak_kib = json.loads(done.stdout)
    if status != 0:
        raise SystemExit(f"visionwire trends ended with {status}: {done.stderr}")
    return seconds, of_a_core, peak_kib * 1024 / 1e6


def print_rows(folder: Path, rows: int) -> None:
    """Print what a ledger of invented rows takes to write, to keep and to look at."""
    path, page = folder / "invented.db", folder / "trends.html"
    begun = time.perf_counter()
    write_invented(path, rows, read_fixtures(3))
    wrote_s = time.perf_counter() - begun
    size = path.stat().st_size
    print(f"{rows} invented rows: {size / 1e6:.0f} MB, {size / rows:.0f} bytes a row, written in {wrote_s:.0f} s")
    for name, more in (("trends", ()), ("trends --html", ("--html", str(page)))):
        seconds, of_a_core, peak_mb = trends_of_rows(path, *more)
        print(f"  {name:<15} {seconds:6.1f} s ({of_a_core:.1f} s of a core), {peak_mb:4.0f} MB at most", flush=True)
    print(f"  the page has {page.stat().st_size / 1e3:.0f} kB")


# -- overhead and workers -----------------------------------------------------------------------


def overhead(folder: Path, pictures: int, writes: int = 25) -> tuple[float, float]:
    """Return the median seconds of reading a picture and of writing its two rows, taken in turns."""
    reading, writing = [], []
    book = Ledger(folder / "overhead.db")
    for place in listed([str(PICTURES / "*.jpg")])[:pictures]:
        sha256, size, _ = files.sha256_of(place)
        begun = time.perf_counter()
        entry = work.read(str(sha256), place, SETTINGS)
        reading.append(time.perf_counter() - begun)
        for number in range(writes):
            other = hashlib.sha256(f"{sha256} {number}".encode()).hexdigest()
            row = (f"{place} {number}", other, size, "", *[None] * 5)
            begun = time.perf_counter()
            book.put_files([row])
            book.put_entry(Entry(other, entry.state, None, None, entry.fingerprint, entry.record, entry.ticks), "s")
            writing.append(time.perf_counter() - begun)
    book.close()
    return statistics.median(reading), statistics.median(writing)


def rate(folder: Path, places: list[str], jobs: int) -> float:
    """Return pictures a second, the workers' start counted in."""
    book = Ledger(folder / f"{jobs}-{time.monotonic_ns()}.db")
    begun = time.perf_counter()
    run(places, book, SETTINGS, jobs=jobs)
    seconds = time.perf_counter() - begun
    book.close()
    return len(places) / seconds


def print_overhead(folder: Path) -> None:
    """Print the share of a picture's time that its rows take."""
    reading_s, writing_s = overhead(folder, 8)
    share = 100 * writing_s / reading_s
    print(f"reading a picture {reading_s:.3f} s, writing its rows {1e3 * writing_s:.2f} ms: {share:.2f} %")


def print_workers(folder: Path, pictures: int | None) -> None:
    """Print the rate of two workers against one."""
    places = listed([str(PICTURES)])[:pictures]
    one, two = (rate(folder, places, jobs) for jobs in (1, 2))
    share = two / (2 * one)
    print(
        f"{len(places)} pictures: one worker {60 * one:.1f} a minute, two {60 * two:.1f}, {share:.2f} of twice"
        f" (load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores)"
    )


# -- damaged files ------------------------------------------------------------------------------

KINDS = ("cut short", "bits flipped", "renamed", "empty", "bomb")


def small_pictures(size_px: int = 160) -> list[bytes]:
    """Return a few of the repository's pictures, small, as JPEG and PNG."""
    kept = []
    for place in listed([str(PICTURES / "*.jpg")])[:3]:
        for kind in ("JPEG", "PNG"):
            image = Image.open(place).convert("RGB")
            image.thumbnail((size_px, size_px))
            data = io.BytesIO()
            image.save(data, kind)
            kept.append(data.getvalue())
    return kept


def bomb(rng: np.random.Generator) -> bytes:
    """Return a PNG of a few bytes that says it is enormous."""
    data = io.BytesIO()
    Image.fromarray(np.full((16, 16, 3), 90, np.uint8)).save(data, "PNG")
    whole = data.getvalue()
    return whole[:16] + struct.pack(">II", *(int(side) for side in rng.integers(20_000, 2_000_000, 2))) + whole[24:]


def damage(folder: Path, count: int, seed: int = 11) -> dict[str, int]:
    """Write damaged files, every one another content but for the empty ones; return how many of each kind."""
    rng, good = np.random.default_rng(seed), small_pictures()
    folder.mkdir()
    counts = dict.fromkeys(KINDS, 0)
    for number in range(count):
        kind, data = KINDS[number % len(KINDS)], good[number % len(good)]
        suffix = ".jpg" if data.startswith(b"\xff\xd8") else ".png"
        if kind == "cut short":
            data = data[: int(rng.integers(1, len(data)))]
        elif kind == "bits flipped":
            flipped = bytearray(data)
            for at in rng.integers(0, len(data), int(rng.integers(1, 30))):
                flipped[at] ^= 1 << int(rng.integers(8))
            data = bytes(flipped)
        elif kind == "renamed":
            suffix = (".tif", ".webp", ".heic", ".jpg")[int(rng.integers(4))]
            data = data if rng.random() < 0.2 else rng.bytes(int(rng.integers(1, 5000)))
        else:
            data = b"" if kind == "empty" else bomb(rng)
        (folder / f"{number:06d}{suffix}").write_bytes(data)
        counts[kind] += 1
    return counts


def print_damaged(folder: Path, count: int, jobs: int) -> None:
    """Archive damaged files and print what came of them, by kind and by state."""
    kinds = damage(folder / "damaged", count)
    book = Ledger(folder / "damaged.db")
    begun = time.perf_counter()
    run(listed([str(folder / "damaged")]), book, SETTINGS, jobs=jobs)
    seconds = time.perf_counter() - begun
    columns, rows = book.rows()
    came: dict[str, dict[str, int]] = {kind: {} for kind in KINDS}
    total, odd = 0, []
    for row in (dict(zip(columns, values, strict=True)) for values in rows):
        total += 1
        states = came[KINDS[int(Path(row["path"]).stem) % len(KINDS)]]
        what = row["state"] if row["code"] in (None, row["state"]) else f"{row['state']} ({row['code']})"
        states[what] = states.get(what, 0) + 1
        if "should not have happened" in (row["message"] or ""):
            odd.append((row["path"], row["message"]))
    book.close()
    print(f"{count} damaged files, {total} rows, {seconds:.0f} s, {len(odd)} of them not foreseen")
    for kind, states in came.items():
        words = ", ".join(f"{n} {what}" for what, n in sorted(states.items(), key=lambda pair: -pair[1]))
        print(f"  {kind:<13} {kinds[kind]:6d}: {words}")
    for path, message in odd[:10]:
        print(f"  {path}: {message}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print what is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.ledger", description=__doc__)
    parser.add_argument("--rows", type=int, help="rows of the invented ledger; also prints the overhead")
    parser.add_argument("--workers", action="store_true", help="two workers against one")
    parser.add_argument("--pictures", type=int, help="how many of the repository's pictures the workers read")
    parser.add_argument("--damaged", type=int, help="how many damaged files")
    parser.add_argument("--jobs", type=int, default=1, help="workers for the damaged files")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        if options.rows is not None:
            print_rows(folder, options.rows)
            print_overhead(folder)
        if options.workers:
            print_workers(folder, options.pictures)
        if options.damaged is not None:
            print_damaged(folder, options.damaged, options.jobs)


if __name__ == "__main__":
    main()
