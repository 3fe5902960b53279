"""The geometry of every known card, in mm: data in ``cards/*.toml``, read here.

Points lie on the card's face: x right, y down, origin at the top left of the
artwork's outline.
"""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

#: Relative standard deviation of a home print's scale when nobody held a rule to it. Common practice, no
#: source: printers are usually within half a percent at "100 %", some are 2-3 % off.
PRINT_UNVERIFIED_U = 0.005
#: The same after a rule was read on the bar: a 100 mm bar read to half a millimetre's rectangle, and the rule itself.
PRINT_VERIFIED_U = 0.0012


class CardError(ValueError):
    """A card that is not known or whose file cannot be used; the sentence names the file and the key."""


class CardFileError(CardError):
    """The file of a card cannot be read or used."""


@dataclass(frozen=True)
class Board:
    """A checkerboard with a marker in each white square; the top left of it lies at (x_mm, y_mm)."""

    x_mm: float
    y_mm: float
    first_id: int


@dataclass(frozen=True)
class Card:
    """A reference card: one board, or two alike with a plain middle between them.

    Attributes
    ----------
    name, title : str
        What the card is called, and what it is for.
    dictionary : str
        OpenCV's name of the marker dictionary.
    first_id : int
        The first marker; the others follow row by row, board by board.
    squares_x, squares_y : int
        Squares of one board.
    square_mm, marker_mm : float
        Sides of a square and of the black edge of a marker.
    first_square_black : bool
        Whether the top left square of a board is black.
    margin_mm, foot_mm : float
        White left, right and above the boards, and below them.
    middle_mm : float
        Plain space between two boards; 0 when there is one board.
    corner_radius_mm, thickness_mm : float
        Of the cut card.
    bar_mm : float
        Length of the printed bar that a rule is held to.
    print_relative_u : float
        Relative standard deviation of the print's scale.
    """

    name: str
    title: str
    dictionary: str
    squares_x: int
    squares_y: int
    square_mm: float
    marker_mm: float
    first_id: int = 0
    first_square_black: bool = True
    margin_mm: float = 5.0
    foot_mm: float = 5.0
    middle_mm: float = 0.0
    corner_radius_mm: float = 0.0
    thickness_mm: float = 0.3
    bar_mm: float = 50.0
    print_relative_u: float = PRINT_UNVERIFIED_U

    @property
    def width_mm(self) -> float:
        """Width of the cut card."""
        return 2 * self.margin_mm + self.squares_x * self.square_mm

    @property
    def height_mm(self) -> float:
        """Height of the cut card."""
        boards_mm = len(self.boards) * self.squares_y * self.square_mm
        return self.margin_mm + boards_mm + self.middle_mm + self.foot_mm

    @property
    def boards(self) -> tuple[Board, ...]:
        """The one board, or the upper and the lower one."""
        upper = Board(self.margin_mm, self.margin_mm, self.first_id)
        if not self.middle_mm:
            return (upper,)
        lower_y_mm = self.margin_mm + self.squares_y * self.square_mm + self.middle_mm
        return upper, Board(self.margin_mm, lower_y_mm, self.first_id + len(self._squares(black=False)))

    @property
    def cell_mm(self) -> float:
        """Side of one marker cell: the bits of a row and the black border on either side."""
        return self.marker_mm / (marker_bits(self.dictionary) + 2)

    def black_squares_mm(self) -> Points:
        """Return the top left corners of all black squares, (N, 2)."""
        return np.vstack([self._at(board, self._squares(black=True)) for board in self.boards])

    def markers_mm(self) -> dict[int, Points]:
        """Return each marker's four corners, clockwise from its own top left, (4, 2), by marker id."""
        inset_mm = (self.square_mm - self.marker_mm) / 2
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * self.marker_mm + inset_mm
        found: dict[int, Points] = {}
        for board in self.boards:
            for i, corner_mm in enumerate(self._at(board, self._squares(black=False))):
                found[board.first_id + i] = corner_mm + corners
        return found

    def corners_mm(self) -> Points:
        """Return the points at which four squares meet, row by row, board by board, (N, 2)."""
        x, y = np.meshgrid(np.arange(1, self.squares_x), np.arange(1, self.squares_y))
        return np.vstack([self._at(board, np.stack([x.ravel(), y.ravel()], 1)) for board in self.boards])

    def outline_mm(self) -> Points:
        """Return the cut card's corners, clockwise from the top left, (4, 2)."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])

    def as_printed(self, measured_bar_mm: float) -> Card:
        """Return the card as it really came out of the printer, from what a rule read on its bar.

        Raises
        ------
        ValueError
            When the bar read is not within 20 % of the bar drawn.
        """
        factor = 1 / bar_correction(self, measured_bar_mm)
        sides = ("square_mm", "marker_mm", "margin_mm", "foot_mm", "middle_mm", "corner_radius_mm", "bar_mm")
        scaled: dict[str, Any] = {side: getattr(self, side) * factor for side in sides}
        return dataclasses.replace(self, print_relative_u=PRINT_VERIFIED_U, **scaled)

    def _squares(self, black: bool) -> NDArray[np.int64]:
        row, column = np.indices((self.squares_y, self.squares_x)).reshape(2, -1)
        wanted = ((row + column) % 2 == 0) == (black == self.first_square_black)
        return np.stack([column[wanted], row[wanted]], 1)

    def _at(self, board: Board, squares: NDArray[np.int64]) -> Points:
        return np.asarray(np.array([board.x_mm, board.y_mm]) + squares * self.square_mm)


def bar_correction(card: Card, measured_bar_mm: float) -> float:
    """Return the factor by which to draw larger so that the bar comes out at its stated length.

    Raises
    ------
    ValueError
        When the bar read is not within 20 % of the bar drawn: a rule in other units, or another card.
    """
    low_mm, high_mm = card.bar_mm / 1.2, card.bar_mm * 1.2
    if not low_mm <= measured_bar_mm <= high_mm:
        meant = [
            f", and for {measured_bar_mm:g} {unit} give {measured_bar_mm * mm:.4g}"
            for unit, mm in (("cm", 10.0), ("in", 25.4))
            if low_mm <= measured_bar_mm * mm <= high_mm
        ]
        raise ValueError(
            f"{measured_bar_mm:g} mm cannot be what a rule reads on the bar of card {card.name!r}, which is drawn "
            f"{card.bar_mm:g} mm long: no printer is off by a fifth; read it again in mm{''.join(meant)}"
        )
    return card.bar_mm / measured_bar_mm


def marker_bits(dictionary: str) -> int:
    """Return how many bits a row of that dictionary's markers has."""
    return int(marker_dictionary(dictionary).markerSize)


@lru_cache(maxsize=16)
def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """Return one of OpenCV's own marker dictionaries by its name.

    Raises
    ------
    CardError
        When OpenCV has no dictionary of that name.
    """
    code = getattr(cv2.aruco, name, None) if name.startswith("DICT_") else None
    if code is None:
        raise CardError(f"{name!r} is not one of OpenCV's marker dictionaries, such as DICT_5X5_100")
    return cv2.aruco.getPredefinedDictionary(code)


def known_cards() -> tuple[str, ...]:
    """Return the names of the cards that come with the package."""
    folder = resources.files("calibration") / "cards"
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


@lru_cache(maxsize=32)
def load_card(name_or_path: str | Path) -> Card:
    """Return a known card by name, or the one described in a TOML file.

    Raises
    ------
    CardError
        When there is no such card.
    CardFileError
        When its file cannot be read, or what it says does not describe a card.
    """
    if name_or_path in known_cards():
        text = (resources.files("calibration") / "cards" / f"{name_or_path}.toml").read_text("utf-8")
        return _parse(text, str(name_or_path), f"{name_or_path}.toml")
    path = Path(name_or_path)
    if path.suffix != ".toml":
        near = difflib.get_close_matches(str(name_or_path), known_cards(), 1)
        raise CardError(
            f"there is no card {str(name_or_path)!r}{f' (did you mean {near[0]}?)' if near else ''}; known are "
            f"{', '.join(known_cards())}, or give a .toml file"
        )
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise CardFileError(
            f"card file {path} cannot be read ({reason}); check its path, or use one of {', '.join(known_cards())}"
        ) from error
    return _parse(text, path.stem, str(path))


_NUMBERS = {
    "squares_x", "squares_y", "square_mm", "marker_mm", "first_id", "margin_mm", "foot_mm", "middle_mm",
    "corner_radius_mm", "thickness_mm", "bar_mm", "print_relative_u",
}  # fmt: skip
_WHOLE = {"squares_x", "squares_y", "first_id"}
_NEEDED = ("squares_x", "squares_y", "square_mm", "marker_mm", "dictionary")
_ABOVE_ZERO = {"squares_x", "squares_y", "square_mm", "marker_mm", "thickness_mm", "bar_mm", "print_relative_u"}


def _parse(text: str, name: str, file: str) -> Card:
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise CardFileError(f"card file {file} is not TOML: {error}") from error
    for key in _NEEDED:
        if key not in data:
            raise CardFileError(f"card file {file} lacks the key {key!r}; add it: a card needs {', '.join(_NEEDED)}")
    for key, value in data.items():
        _check(key, value, file)
    first_square = data.pop("first_square", "black")
    data.setdefault("margin_mm", 5.0)
    data.setdefault("foot_mm", data["margin_mm"])
    data.setdefault("bar_mm", min(100.0, data["squares_x"] * data["square_mm"]))
    values: dict[str, Any] = {"name": name, "title": name, **data}
    card = Card(first_square_black=first_square == "black", **values)
    _check_whole(card, file)
    return card


def _check(key: str, value: Any, file: str) -> None:
    where = f"card file {file}: key {key!r}"
    if key in _NUMBERS:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
            raise CardFileError(f"{where} must be a number, not {value!r}")
        if key in _WHOLE and not isinstance(value, int):
            raise CardFileError(f"{where} must be a whole number, not {value!r}")
        if value < 0 or (key in _ABOVE_ZERO and value == 0):
            raise CardFileError(f"{where} must be above zero, not {value!r}")
    elif key == "first_square":
        if value not in ("black", "white"):
            raise CardFileError(f"{where} must be 'black' or 'white', not {value!r}")
    elif key in ("name", "title", "dictionary"):
        if not isinstance(value, str):
            raise CardFileError(f"{where} must be a text, not {value!r}")
    else:
        raise CardFileError(f"{where} is not known; known are {', '.join(sorted(_NUMBERS | {'title', 'dictionary'}))}")


def _check_whole(card: Card, file: str) -> None:
    where = f"card file {file}: key"
    try:
        markers = len(marker_dictionary(card.dictionary).bytesList)
    except CardError as error:
        raise CardFileError(f"{where} 'dictionary': {error}") from error
    if not 0.3 * card.square_mm <= card.marker_mm < card.square_mm:
        raise CardFileError(f"{where} 'marker_mm' is {card.marker_mm:g}; it must be 0.3 to 1 times square_mm")
    if min(card.squares_x, card.squares_y) < 2 or card.squares_x * card.squares_y > 2000:
        raise CardFileError(f"{where} 'squares_x' and 'squares_y' must be at least 2, and 2000 squares at most")
    last_id = max(card.markers_mm())
    if last_id >= markers:
        raise CardFileError(
            f"{where} 'first_id': the card needs markers up to {last_id}, {card.dictionary} has {markers}"
        )
    if card.bar_mm > card.width_mm:
        raise CardFileError(f"{where} 'bar_mm' is {card.bar_mm:g}; the card is only {card.width_mm:g} mm wide")
