"""Which files an archive holds, by path or URL, and what their names and a table say of them."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path, PurePath
from typing import IO, Any

from visionwire.archive import urls
from visionwire.errors import ArchiveError, UsageError
from visionwire.lengths import wire_diameter_in
from visionwire.photo import MAX_BYTES, Photo, read_photo
from visionwire.tables import faults_words, not_opened, with_point, written_in

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
FIELDS = ("technician", "station", "aircraft", "taken")
#: The column of a table that tells a photograph's wire.
WIRE = "wire_in"
#: What it says in that column of a wire that was told before and is not so.
NO_WIRE = "none"
CHUNK_BYTES = 1 << 20
#: Of a pattern: a part that is told; two parts that may be anything, with nothing between them.
FIELD = re.compile(r"\{[^{}]*\}")
SIDE_BY_SIDE = re.compile(r"\}[{*]|\*\{")


def listed(words: Iterable[str]) -> list[str]:
    """Return the photographs that words name, sorted, each once.

    Parameters
    ----------
    words : iterable of str
        A folder means every picture under it, ``@FILE`` the paths or URLs in a text file, one a line; a pattern with
        ``*`` what it matches, unless a folder or file is called so; anything else that file, whatever its suffix. A URL
        is one of these elsewhere.

    Raises
    ------
    ArchiveError
        If a word names nothing, or a name cannot be kept, as no text in UTF-8.
    """
    found: set[str] = set()
    for word in words:
        if word in ("", "@"):  # a variable of a shell that holds nothing: as a path it would be the folder one is in
            raise ArchiveError("a name is empty; give a folder, a file or a URL")
        if word.startswith("@"):
            found |= set(_from_list(Path(word[1:])))
        elif urls.is_url(word):
            found |= set(urls.listed(word, SUFFIXES))
        elif (path := Path(word)).is_dir():
            found |= {str(one) for one in path.rglob("*") if one.suffix.lower() in SUFFIXES and one.is_file()}
        elif path.exists():  # before it is taken for a pattern: a[1].jpg is what a second copy is called
            found.add(str(path))
        elif _is_pattern(word):
            found |= set(_matched(word))
        else:
            raise ArchiveError(f"{word} is no folder and no file; check the path")
    odd = sorted(path for path in found if not _is_text(path))
    if odd:
        more = f" and {len(odd) - 1} more" if len(odd) > 1 else ""
        raise ArchiveError(f"the name {odd[0]}{more} is not text in UTF-8, which a ledger keeps; rename such files")
    return sorted(found)


def _matched(pattern: str) -> list[str]:
    base = Path(pattern).anchor or "."
    if any("**" in part and part != "**" for part in Path(pattern).parts):  # versions of Python differ in what it means
        raise ArchiveError(f"{pattern} is no pattern: ** stands for folders, alone between slashes; mend it")
    found = [str(path) for path in Path(base).glob(pattern.removeprefix(Path(pattern).anchor)) if path.is_file()]
    if not found:
        raise ArchiveError(f"{pattern} matches no file; check the pattern, and the folder that it begins with")
    return found


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _is_pattern(word: str) -> bool:
    return any(sign in word for sign in "*?[")


def gone(known: Iterable[str], words: Iterable[str], found: Iterable[str]) -> list[str]:
    """Return the paths that are no longer there, of those known and under the folders among some words.

    Of a URL that is not listed nothing tells whether it is gone or was not to be had; ``found`` need no look.
    """
    folders = [Path(word) for word in words if not word.startswith("@") and not urls.is_url(word)]
    folders = [folder for folder in folders if folder.is_dir()]
    there = set(found)
    return sorted(
        place
        for place in known
        if place not in there
        and not urls.is_url(place)
        and any(_is_under(Path(place), folder) for folder in folders)
        and _is_gone(Path(place))
    )


def _is_under(path: Path, folder: Path) -> bool:
    return path.is_relative_to(folder) and ".." not in path.relative_to(folder).parts


def _is_gone(path: Path) -> bool:
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except (OSError, ValueError):  # such as a folder that may not be looked into
        return False
    return False


def _from_list(path: Path) -> list[str]:
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise not_opened("list", path, error) from error
    except UnicodeDecodeError as error:
        raise ArchiveError(
            f"the list {path} is not text in UTF-8; give a text file in UTF-8 with one path a line"
        ) from error
    words = [line.strip() for line in lines if line.strip()]
    for url in {word.partition("://")[0]: word for word in words if urls.is_url(word)}.values():
        urls.require(url)
    return [word if urls.is_url(word) else str(Path(word)) for word in words]


def photo_at(place: str) -> Photo:
    """Return the photograph at a path or URL.

    Raises
    ------
    ArchiveError
        If its bytes cannot be had, which says nothing of the picture.
    PhotoError
        If they are no picture that can be read.
    """
    return read_photo(bytes_at(place), place)


def bytes_at(place: str) -> bytes:
    """Return what is at a path or URL, or more than a photograph may have of it.

    Raises
    ------
    ArchiveError
        If it cannot be had.
    """
    data = bytearray()
    with _opened(place) as file:
        while len(data) <= MAX_BYTES and (chunk := file.read(CHUNK_BYTES)):
            data += chunk
    return bytes(data)


def sha256_of(place: str) -> tuple[str | None, int, str]:
    """Return the SHA-256 and size of what is at a path or URL, or None, 0 and why it cannot be read."""
    try:
        with _opened(place) as file:
            return (*_digest(file), "")
    except ArchiveError as error:
        return None, 0, str(error).replace(place, "the file")


@contextlib.contextmanager
def _opened(place: str) -> Iterator[IO[bytes]]:
    if urls.is_url(place):
        with urls.opened(place) as file:
            yield file
        return
    try:
        with Path(place).open("rb") as file:
            yield file
    except FileNotFoundError as error:
        raise ArchiveError(f"{place} is not there, as if it was moved or deleted; check its path") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ArchiveError(f"{place} cannot be read ({reason}); check it and its permissions") from error


def _digest(file: IO[bytes]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def absolute(place: str) -> str:
    """Return a place as a process elsewhere knows it."""
    return place if urls.is_url(place) else str(Path(place).absolute())


def name_of(place: str) -> str:
    """Return the name of the file at a path or URL."""
    return _as_path(place).name


def _as_path(place: str) -> PurePath:
    return urls.path_of(place) if urls.is_url(place) else Path(place)


def pattern_of(text: str | None) -> re.Pattern[str] | None:
    """Return the expression of a folder pattern such as ``{station}/{technician}/*``.

    Raises
    ------
    UsageError
        If it names a field that is not known or one twice, has a brace too few, ends before the photograph's name, or
        leaves open where a field ends.
    """
    if text is None:
        return None
    if re.search(r"[{}]", FIELD.sub("", text)):
        raise UsageError(f"--pattern is {text!r} with a brace too many or too few; write each part as {{station}}")
    fields = FIELD.findall(text)
    if len(set(fields)) < len(fields):
        raise UsageError(f"--pattern is {text!r} and has a part twice; put * in the place of one of them")
    name = text.rpartition("/")[2]
    if "*" not in name and not name.lower().endswith(SUFFIXES):
        # Held against the end of a path, it would take the photograph's own name for a person or a place.
        raise UsageError(
            f"--pattern is {text!r} and ends before the photograph's name; end it with /*, such as "
            f"{text.rstrip('/') or '{station}'}/*"
        )
    if SIDE_BY_SIDE.search(text):
        raise UsageError(
            f"--pattern is {text!r}, where nothing says where one part ends and the next begins; put a / or other "
            "letters between {...} and *"
        )
    parts = []
    for part in re.split(rf"({FIELD.pattern}|\*)", text):
        if part.startswith("{"):
            if part[1:-1] not in FIELDS:
                raise UsageError(f"--pattern has {part}; it knows {{{'}, {'.join(FIELDS)}}}")
            parts.append(f"(?P<{part[1:-1]}>[^/]+)")
        else:
            parts.append("[^/]*" if part == "*" else re.escape(part))
    return re.compile("".join(parts) + "$")


def from_path(place: str, pattern: re.Pattern[str] | None) -> dict[str, str]:
    """Return what a path or URL says by the pattern, which is held against its end."""
    found = None if pattern is None else pattern.search(_as_path(place).as_posix())
    return {} if found is None else found.groupdict()


def told_by(places: Iterable[str], pattern: re.Pattern[str]) -> dict[str, Counter[str]]:
    """Return how often a pattern finds which name of each of its fields in paths or URLs."""
    told: dict[str, Counter[str]] = {name: Counter() for name in pattern.groupindex}
    for place in places:
        for name, value in from_path(place, pattern).items():
            told[name][value] += 1
    return told


@dataclass(frozen=True)
class Table:
    """What a CSV says of files: by the name or path in its first column; ``unused`` are columns that are not known.

    ``wires_in`` are their wires' diameters, in; None takes back what was told before. ``ambiguous`` are names that
    files of several contents have, which stand for none of these (`unambiguous`).
    """

    rows: dict[str, dict[str, str]]
    unused: tuple[str, ...] = ()
    wires_in: dict[str, float | None] = field(default_factory=dict)
    ambiguous: frozenset[str] = frozenset()

    def of(self, place: str) -> dict[str, str]:
        """Return what it says of a path or URL: by its name, or before that by all of it."""
        told: dict[str, str] = {}
        for word in reversed(self._words(place)):
            told |= self.rows.get(word, {})
        return told

    def wire_in(self, place: str) -> float | None:
        """Return the diameter that it says of a path or URL, in; as `of`."""
        return next((self.wires_in[word] for word in self._words(place) if word in self.wires_in), None)

    def takes_back_wire(self, place: str) -> bool:
        """Whether it takes back the wire that was told of a path or URL."""
        return self.wire_in(place) is None and any(word in self.wires_in for word in self._words(place))

    def tells_wire(self, place: str) -> bool:
        """Whether it tells the wire of a path or URL, or takes it back."""
        return self.wire_in(place) is not None or self.takes_back_wire(place)

    def changes(self, place: str, before: Mapping[str, Any]) -> bool:
        """Whether it tells of a path or URL something else than what was recorded, by column; new is not changed."""
        told: dict[str, Any] = dict(self.of(place))
        if self.tells_wire(place):
            told[WIRE] = self.wire_in(place)
        return any(before.get(name) not in (None, value) for name, value in told.items())

    def changes_wire(self, place: str, before: Mapping[str, Any], usual_in: float | None) -> bool:
        """Whether by it a path or URL has another wire than by what was recorded; the usual one where none is told."""
        return self.tells_wire(place) and (self.wire_in(place) or usual_in) != (before[WIRE] or usual_in)

    def without_photograph(self, places: Iterable[str]) -> list[str]:
        """Return the names in its first column that are of none of these paths or URLs."""
        known = {word for place in places for word in _as_written(place)}
        return [name for name in self.rows if name not in known]

    def without_row(self, places: Iterable[str]) -> list[str]:
        """Return the paths or URLs that no row names."""
        return [place for place in places if not any(word in self.rows for word in self._words(place))]

    def unambiguous(self, places: Iterable[str]) -> tuple[Table, dict[str, list[str]]]:
        """Return it with what is ambiguous left out, and by each such name the paths or URLs that it could be of.

        A name alone is ambiguous where files of that name differ in content: cameras use a name again in every folder.
        Of a file whose path is no more than that name it still tells.
        """
        alike: dict[str, list[str]] = {}
        for place in places:
            _, name = _as_written(place)
            if name in self.rows:
                alike.setdefault(name, []).append(place)
        several = {
            name: [place for place in some if _spelled(place) != name]
            for name, some in alike.items()
            if len(some) > 1 and len({sha256_of(place)[0] for place in some}) > 1
        }
        return dataclasses.replace(self, ambiguous=frozenset(several)), several

    def _words(self, place: str) -> list[str]:
        """Return the words by which a row may name a path or URL, the surest first: all of it, and its name."""
        whole, name = _as_written(place)
        return [whole] if name in self.ambiguous else [whole, name]


def ending_so(name: str, places: Iterable[str]) -> list[str]:
    """Return the paths or URLs that are a path of a row as seen from another folder: one ends with the other."""
    tail = f"/{name}"
    return [
        place
        for place in places
        if "/" in name and (_spelled(place).endswith(tail) or tail.endswith(f"/{_spelled(place)}"))
    ]


def _as_written(place: str) -> tuple[str, str]:
    """Return a path or URL and the name of its file as a `Table` has them."""
    return _spelled(place), _spelled(name_of(place))


def _spelled(name: str) -> str:
    """Return a name in one spelling: some systems part accents from letters, or write a slash the other way round."""
    return unicodedata.normalize("NFC", name).replace("\\", "/").removeprefix("./")


def from_table(path: Path) -> Table:
    """Read a CSV as `written_in`; an empty cell says nothing.

    Raises
    ------
    ArchiveError
        If the file cannot be read, has none of the known columns, names a photograph twice or none in a row, or has
        dates or diameters that are none: all of these are said at once, each with its line.
    """
    known = (*FIELDS, WIRE)
    table = written_in("table", path, known)
    first, columns = (table.columns or ("",))[0], table.columns[1:]
    if first in known:
        raise ArchiveError(f"the table {path} begins with its column {first}; put the one that names photographs first")
    if not set(columns) & set(known):
        named_so = ", ".join(filter(None, table.columns))
        raise ArchiveError(
            f"the table {path} has none of the columns {', '.join(known)} after a first that names the photograph; its "
            f"columns are {named_so}, and should be such as photo, technician, taken"
        )
    named: set[str] = set()
    wires_in: dict[str, float | None] = {}
    faults = list(table.faults)
    rows = [(line, {**row, first: _spelled(row[first])}) for line, row in table.rows]
    for line, row in rows:
        if not row[first]:
            faults.append((line, "it names no photograph; write which one it is of, or take the row out"))
        elif row[first] in named:
            faults.append((line, f"{row[first]!r} is named a second time; keep one row"))
        named.add(row[first])
        if row.get("taken") and not _is_date(row["taken"]):
            faults.append((line, f"taken is {row['taken']!r}; write it as 2031-03-10 or 2031-03-10T09:40"))
        if row.get(WIRE):
            try:
                wires_in[row[first]] = _wire_in(row[WIRE])
            except UsageError as error:  # it knows not that a wire may be taken back
                faults.append((line, f"{error}, or {NO_WIRE} to take back one told before"))
    if faults:
        raise ArchiveError(*faults_words("table", path, faults))
    told = {row[first]: {name: row[name] for name in FIELDS if row.get(name)} for _, row in rows}
    return Table(
        told,
        tuple(dict.fromkeys(column for column in columns if column and column not in known)),
        wires_in,
    )


def _wire_in(text: str) -> float | None:
    return None if text.strip().lower() == NO_WIRE else wire_diameter_in(WIRE, with_point(text))


def _is_date(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return re.match(r"\d{4}-\d{2}-\d{2}", text) is not None
