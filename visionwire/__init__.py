"""visionwire reads a photograph of safety wire and says its twists per inch."""

from __future__ import annotations

import sys
from types import ModuleType
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


class _Package(ModuleType):
    """Keeps ``visionwire.measure`` the function: importing the module of that name would else overwrite it."""

    def __setattr__(self, name: str, value: object) -> None:
        if name == "measure" and isinstance(value, ModuleType):
            value = value.measure
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
