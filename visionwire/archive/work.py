"""One photograph of an archive, read in a worker process that may be ended."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire.archive import files, ticks
from visionwire.archive.ledger import Entry
from visionwire.archive.reasons import to_do
from visionwire.archive.settings import Settings
from visionwire.errors import ArchiveError, VisionwireError
from visionwire.measure import measure_with_evidence
from visionwire.photo import read_photo
from visionwire.reading import Refusal

FINGERPRINT_SIDE = 8
#: Codes that say something of a file and nothing of the content that was to be read: the next run tries again.
OF_THE_FILE = ("changed", "not-reached")
#: Codes of a picture that ended for want of time, or of memory: with more of that it is read again. Of what a process
#: died is not known; memory is the likeliest, and the next run tries again whatever it allows.
SHORT_OF_TIME, SHORT_OF_MEMORY, DIED = "took-too-long", "too-large", "worker-died"
#: What these are counted as: they may be read yet, unlike what is unreadable.
ENDED = {
    SHORT_OF_TIME: "ended for want of time",
    SHORT_OF_MEMORY: "ended for want of memory",
    DIED: "ended unexpectedly",
}
#: What files are counted as, in the order of a line of totals.
COUNTED = ("reading", "refusal", *ENDED.values(), "unreadable", "waiting")


def read(sha256: str, place: str, settings: Settings, arrived: Callable[[], None] = lambda: None) -> Entry:
    """Read one photograph, by path or URL; whatever goes wrong becomes its entry.

    ``arrived`` is called once its bytes are here.
    """
    try:
        data = files.bytes_at(place)
        arrived()
        photo = read_photo(data, place)
        if photo.sha256 != sha256:
            return unreadable(sha256, "changed", "the file changed while the archive was read; run it again")
        result, evidence = measure_with_evidence(
            photo,
            limits=settings.limits,
            wire_in=settings.wire_in,
            card=settings.card,
            finders=settings.finders,
            method=settings.method,
            tightens=settings.tightens,
            height_mm=settings.height_mm,
        )
        mark = fingerprint(photo.pixels)
    except MemoryError:
        return unreadable(
            sha256, "too-large", "the picture needs more memory than it may have; give more with --memory"
        )
    except ArchiveError as error:  # a line that broke must not stand as what is known of the picture
        return unreadable(sha256, "not-reached", str(error).replace(place, "the file"))
    except VisionwireError as error:
        return unreadable(sha256, "unreadable", str(error).replace(place, "the file"))
    except Exception as error:  # one picture must never stop the rest
        words = " ".join(f"{type(error).__name__}: {error}".split())
        return unreadable(sha256, "unreadable", f"this should not have happened ({words}); tell the maintainers")
    record = result.to_dict()
    record["photo"].pop("name")  # copies of one content have many names
    if isinstance(result, Refusal):
        return Entry(sha256, "refusal", result.code, f"{result.message}; {to_do(result.advice)}", mark, record)
    return Entry(sha256, "reading", None, None, mark, record, {} if evidence is None else ticks.kept(evidence))


def unreadable(sha256: str, code: str, message: str) -> Entry:
    """Return the entry of a photograph that could not be read."""
    return Entry(sha256, "unreadable", code, message, None, {"code": code, "message": message})


def ends(states: Mapping[str, int], reasons: Mapping[str, int]) -> dict[str, int]:
    """Return files by state with those apart of which the reading ended (`ENDED`); ``reasons`` has files by code."""
    counts = Counter(states)
    for code, words in ENDED.items():
        counts[words] += reasons.get(code, 0)
        counts["unreadable"] -= reasons.get(code, 0)
    return {one: counts[one] for one in COUNTED if counts[one] > 0}


def fingerprint(pixels: NDArray[np.uint8]) -> str:
    """Return 64 bits, in hexadecimal, that a picture keeps when it is saved again, smaller or by another program.

    Each bit says whether brightness rises from one cell of a 9 by 8 grid to the next: the difference hash, from memory.
    """
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (FINGERPRINT_SIDE + 1, FINGERPRINT_SIDE), interpolation=cv2.INTER_AREA).astype(int)
    bits = (np.diff(small, axis=1) > 0).ravel()
    return f"{int(''.join('1' if bit else '0' for bit in bits), 2):016x}"


def serve(pipe: Connection, settings: Settings, most_bytes: int) -> None:
    """Read what comes through the pipe until it closes."""
    cv2.setNumThreads(1)  # one worker, one core: as many as there are cores would stand in each other's way
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (most_bytes, most_bytes))
    with contextlib.suppress(EOFError, ConnectionError, KeyboardInterrupt):  # who gave the work may be gone
        while True:
            sha256, place, wire_in = pipe.recv()
            pipe.send(read(sha256, place, settings.of_wire(wire_in), lambda: pipe.send(None)))
