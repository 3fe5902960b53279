"""visionwire reads a photograph of safety wire and says its twists per inch."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from visionwire.measure import measure as measure

__version__ = "0.1.0"
__all__ = ["__version__", "measure"]


def __getattr__(name: str) -> object:
    """Import the measuring code only once it is asked for: it takes a while (PEP 562)."""
    if name == "measure":
        from visionwire.measure import measure

        return measure
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
