"""A ledger of readings made up by hand: what is made of it is tested without reading a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.visionwire.archive.small import Made
from visionwire.archive import Ledger
from visionwire.archive.files import FIELDS
from visionwire.archive.ledger import Entry


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Make a ledger of photographs by path."""

    def make(photos: dict[str, dict[str, Any]], name: str = "a.db") -> Ledger:
        book = Ledger(tmp_path / name)
        book.use("s")
        for path, one in photos.items():
            sha256 = one.get("sha256", path)
            book.put_files([(path, sha256, 1, "", *(one.get(field) for field in FIELDS), None)])
            if "state" in one:
                code = one.get("code")
                says = one.get("message")
                book.put_entry(Entry(sha256, one["state"], code, says, one.get("mark"), one.get("record", {})), "s")
        return book

    return make
