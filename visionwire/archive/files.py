"""Which files an archive holds, and what their names and a table say of them."""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from visionwire.errors import ArchiveError

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
FIELDS = ("technician", "station", "aircraft", "taken")
CHUNK_BYTES = 1 << 20


def listed(words: Iterable[str]) -> list[Path]:
    """Return the photographs that words name, sorted, each once.

    Parameters
    ----------
    words : iterable of str
        A folder means every picture under it, ``@FILE`` the paths in a text file, one a line; a pattern with ``*`` what
        it matches; anything else that file, whatever its suffix.

    Raises
    ------
    ArchiveError
        If a word names nothing.
    """
    found: set[Path] = set()
    for word in words:
        if word.startswith("@"):
            found |= set(_from_list(Path(word[1:])))
        elif any(sign in word for sign in "*?["):
            base = Path(word).anchor or "."
            pattern = word.removeprefix(base) if Path(word).is_absolute() else word
            found |= {path for path in Path(base).glob(pattern) if path.is_file()}
        elif (path := Path(word)).is_dir():
            found |= {one for one in path.rglob("*") if one.suffix.lower() in SUFFIXES and one.is_file()}
        elif path.exists():
            found.add(path)
        else:
            raise ArchiveError(f"{word} is no folder and no file; check the path")
    return sorted(found)


def _from_list(path: Path) -> list[Path]:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ArchiveError(
            f"the list {path} cannot be read ({error}); give a text file with one path a line"
        ) from error
    return [Path(line.strip()) for line in lines if line.strip()]


def sha256_of(path: Path) -> tuple[str | None, int, str]:
    """Return the file's SHA-256 and size, or None, 0 and why it cannot be read."""
    digest, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as file:
            while chunk := file.read(CHUNK_BYTES):
                digest.update(chunk)
                size += len(chunk)
    except OSError as error:
        return None, 0, f"the file cannot be read ({error.strerror}); check it and its permissions"
    return digest.hexdigest(), size, ""


def pattern_of(text: str | None) -> re.Pattern[str] | None:
    """Return the expression of a folder pattern such as ``{station}/{technician}/*``.

    Raises
    ------
    ArchiveError
        If it names a field that is not known.
    """
    if text is None:
        return None
    parts = []
    for part in re.split(r"(\{[^}]*\}|\*)", text):
        if part.startswith("{"):
            if part[1:-1] not in FIELDS:
                raise ArchiveError(f"--pattern has {part}; it knows {{{'}, {'.join(FIELDS)}}}")
            parts.append(f"(?P<{part[1:-1]}>[^/]+)")
        else:
            parts.append("[^/]*" if part == "*" else re.escape(part))
    return re.compile("".join(parts) + "$")


def from_path(path: Path, pattern: re.Pattern[str] | None) -> dict[str, str]:
    """Return what a path says by the pattern, which is held against its end."""
    found = None if pattern is None else pattern.search(path.as_posix())
    return {} if found is None else found.groupdict()


def from_table(path: Path | None) -> dict[str, dict[str, str]]:
    """Return what a CSV says of files, by the name or path in its first column; missing is missing.

    Raises
    ------
    ArchiveError
        If the file cannot be read or has none of the known columns.
    """
    if path is None:
        return {}
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ArchiveError(f"the table {path} cannot be read ({error}); give a CSV in UTF-8") from error
    columns = list(rows[0]) if rows else []
    if not set(columns[1:]) & set(FIELDS):
        raise ArchiveError(
            f"the table {path} has none of the columns {', '.join(FIELDS)} after its first, which names the photograph"
        )
    return {
        row[columns[0]]: {field: row[field] for field in FIELDS if row.get(field)} for row in rows if row[columns[0]]
    }
