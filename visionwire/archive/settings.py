"""By what an archive is read; the same settings and the same content give the same row."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass

from calibration import Card
from visionwire import __version__
from visionwire.limits import LimitSet
from visionwire.measure import Method
from visionwire.reading import Tightens
from visionwire.scan import BOTH, Finder

#: Raised whenever the same picture comes to be read otherwise: a ledger gone on with is then read anew.
READINGS = 19
#: What readings depend on and no option says.
VERSION = "the version of visionwire"


@dataclass(frozen=True)
class Settings:
    """Limits, wire, card, finders, method, which way fasteners tighten and how far below cards lie, as in `measure`.

    ``limits_file`` is where the set was read from, if from a file; readings do not depend on it.
    """

    limits: LimitSet
    wire_in: float | None = None
    card: Card | None = None
    finders: tuple[Finder, ...] = BOTH
    method: Method = "double"
    tightens: Tightens | None = None
    height_mm: float | None = None
    limits_file: str | None = None

    def of_wire(self, wire_in: float | None) -> Settings:
        """Return them for a photograph whose wire was told; as they are where it was not."""
        return self if wire_in is None else dataclasses.replace(self, wire_in=wire_in)

    @property
    def told(self) -> dict[str, str]:
        """What the readings depend on, by the option that says it: so that two runs can be told apart in words."""
        card = None if self.card is None else hashlib.sha256(repr(self.card).encode()).hexdigest()
        return {
            "--limits": f"{self.limits.name} {self.limits.sha256}",
            "--wire": str(self.wire_in),
            "--card": str(card),
            "--finder": " ".join(self.finders),
            "--method": self.method,
            "--tightens": str(self.tightens),
            VERSION: f"{__version__} {READINGS}",
            # Named only where given: ledgers made before there was such an option are gone on with.
            **({} if self.height_mm is None else {"--card-below": f"{self.height_mm:g}"}),
        }

    @property
    def sha256(self) -> str:
        """Hash of all that a reading depends on beside its photograph: what a set of limits is called is not of it."""
        depends_on = {**self.told, "--limits": self.limits.sha256}
        return hashlib.sha256(json.dumps(depends_on, sort_keys=True).encode()).hexdigest()
