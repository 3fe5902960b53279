"""What stops a command from outside, and the exit status that it then ends with."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType

# 128 + the signal's number, as shells have it.
INTERRUPTED, BROKEN_PIPE, TERMINATED = 130, 141, 143


class Terminated(KeyboardInterrupt):
    """SIGTERM, as ``kill`` and a machine that shuts down send it: what holds for Ctrl-C holds for it."""


@contextlib.contextmanager
def terminated_as_interrupted() -> Iterator[None]:
    """Let SIGTERM end what is inside as Ctrl-C does; what comes after the first is not heeded while that ends."""

    def end(number: int, frame: FrameType | None) -> None:
        """Heed no other and stop."""
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        raise Terminated

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
