"""Years of photographs: every file one row of a ledger, whatever happens to the machine."""

from visionwire.archive.files import listed
from visionwire.archive.ledger import Ledger
from visionwire.archive.run import Progress, run
from visionwire.archive.settings import Settings

__all__ = ["Ledger", "Progress", "Settings", "listed", "run"]
