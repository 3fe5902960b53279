"""How the wire itself is exposed: what of it is burnt out to white, what is lost in black, how bright it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.section import Section

#: So far to either side of the spine, in wire diameters, the strip shows wire wherever the twist stands.
ON_WIRE_D = 0.5
#: Grey levels of 255 from which, and up to which, nothing is told apart any more.
WHITE, BLACK = 250.0, 5.0


@dataclass(frozen=True)
class Exposure:
    """Of the wire's pixels, shares of 1 that are clipped at either end, and grey levels of 255.

    Attributes
    ----------
    white_share, black_share : float
    bright_level : float
        Exceeded by a tenth of the pixels.
    """

    white_share: float
    black_share: float
    bright_level: float


def on_wire(section: Section) -> Exposure:
    """Return how the wire of a twisted section is exposed."""
    strip = section.strip
    return exposure_of(strip.values[np.abs(strip.across_d) <= ON_WIRE_D, section.first : section.last + 1])


def exposure_of(values: NDArray[np.floating]) -> Exposure:
    """Return how grey levels, 0 to 255, of any shape are exposed."""
    return Exposure(
        white_share=float((values >= WHITE).mean()),
        black_share=float((values <= BLACK).mean()),
        bright_level=float(np.quantile(values, 0.9)),
    )
