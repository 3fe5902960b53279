"""The cards' geometry, worked out with a pencil."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration import CardError, CardFileError, known_cards, load_card

PLAIN = """
dictionary = "DICT_4X4_50"
squares_x = 3
squares_y = 2
square_mm = 10
marker_mm = 6
"""


def test_known_cards() -> None:
    assert known_cards() == ("chart", "lane", "pocket")


def test_chart_by_pencil() -> None:
    chart = load_card("chart")
    assert (chart.width_mm, chart.height_mm, chart.thickness_mm) == (80, 40, 0.3)
    corners = chart.corners_mm()
    # 6 x 2 points at which four squares meet; the first lies a margin and a square from both edges.
    assert corners.shape == (12, 2)
    assert corners[0].tolist() == [15, 15]
    assert corners[5].tolist() == [65, 15]
    assert corners[6].tolist() == [15, 25]
    markers = chart.markers_mm()
    assert sorted(markers) == list(range(10))
    # First square black: marker 0 sits in the second square, 1.5 mm inside it.
    assert markers[0].tolist() == [[16.5, 6.5], [23.5, 6.5], [23.5, 13.5], [16.5, 13.5]]
    assert markers[3][0].tolist() == [6.5, 16.5]
    assert chart.cell_mm == 1.0


def test_lane_leaves_its_middle_plain() -> None:
    lane = load_card("lane")
    upper, lower = lane.boards
    assert lower.y_mm - (upper.y_mm + 2 * lane.square_mm) == 14.0
    y_mm = np.vstack(list(lane.markers_mm().values()))[:, 1]
    assert not ((y_mm > 21.0) & (y_mm < 35.0)).any()
    # 152.4 mm are six inches.
    assert np.ptp(lane.corners_mm()[:, 0]) > 6 * 25.4 - 2 * lane.square_mm


def test_no_two_known_cards_share_a_marker() -> None:
    ids = [set(load_card(name).markers_mm()) for name in known_cards()]
    assert len({load_card(name).dictionary for name in known_cards()}) == 1
    assert sum(len(some) for some in ids) == len(set.union(*ids))


def test_card_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(PLAIN + 'first_square = "white"\nmargin_mm = 4\n')
    mine = load_card(file)
    assert mine.name == "mine"
    assert (mine.width_mm, mine.height_mm) == (38, 28)
    assert mine.black_squares_mm().tolist() == [[14, 4], [4, 14], [24, 14]]
    assert mine.markers_mm()[0][0].tolist() == [6, 6]
    assert mine.cell_mm == 1.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (PLAIN.replace("squares_x = 3", ""), "lacks the key 'squares_x'; add it: a card needs squares_x, squares_y"),
        (PLAIN.replace("squares_x = 3", "squares_x = 3.5"), "'squares_x' must be a whole number"),
        (PLAIN.replace("square_mm = 10", 'square_mm = "ten"'), "'square_mm' must be a number"),
        (PLAIN.replace("square_mm = 10", "square_mm = -10"), "'square_mm' must be above zero"),
        (PLAIN.replace("square_mm = 10", "square_mm = nan"), "'square_mm' must be a number"),
        (PLAIN.replace("marker_mm = 6", "marker_mm = 11"), "'marker_mm' is 11"),
        (PLAIN.replace("DICT_4X4_50", "DICT_9X9_50"), "'dictionary'"),
        (PLAIN + "first_id = 48", "'first_id': the card needs markers up to 50"),
        (PLAIN + 'first_square = "red"', "'first_square' must be 'black' or 'white'"),
        (PLAIN + "bar_mm = 90", "'bar_mm' is 90"),
        (PLAIN + "colour = 3", "'colour' is not known"),
        (PLAIN.replace("squares_x = 3", "squares_x = 1"), "'squares_x' and 'squares_y' must be at least 2"),
        ("squares_x = ", "is not TOML"),
    ],
)
def test_a_bad_file_is_named_with_its_key(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(text)
    with pytest.raises(CardFileError) as caught:
        load_card(file)
    assert str(file) in str(caught.value)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_names_and_missing_files(tmp_path: Path) -> None:
    with pytest.raises(CardError, match="no card 'ruler'; known are chart, lane, pocket"):
        load_card("ruler")
    with pytest.raises(CardFileError, match=r"cannot be read \(No such file .*\); check its path, or use one of chart"):
        load_card(tmp_path / "none.toml")
    with pytest.raises(CardError, match=r"no card 'pockets' \(did you mean pocket\?\); known are"):
        load_card("pockets")


def test_a_print_that_came_out_small() -> None:
    pocket = load_card("pocket")
    real = pocket.as_printed(79.2)
    assert real.square_mm == pytest.approx(9.9)
    assert real.corners_mm()[0] == pytest.approx(pocket.corners_mm()[0] * 0.99)
    assert real.print_relative_u < pocket.print_relative_u
    with pytest.raises(ValueError, match=r"read it again in mm, and for 3\.1 in give 78\.74$"):
        pocket.as_printed(3.1)
