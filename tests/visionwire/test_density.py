"""Density: phase from end to end over length, its windows and its bow, on a section set by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from calibration.without_card import two_points
from visionwire import budget
from visionwire.density import Density, density_of
from visionwire.judge import COVERAGE_95
from visionwire.section import Section
from visionwire.strip import Strip

PX_PER_IN = 100.0
COUNT_U = 0.06


@dataclass(frozen=True, eq=False)
class Counted:
    """What a density asks of a twist: the count between two columns and its uncertainty."""

    at: np.ndarray

    def twists(self, first: int = 0, last: int = -1) -> float:
        return float(self.at[last] - self.at[first])

    def twists_u(self, first: int = 0, last: int = -1) -> float:
        return COUNT_U


def made(twists_at_in: np.ndarray, points_px: np.ndarray, first: int = 0, last: int | None = None) -> Density:
    """Return the density of a section whose every column has a known place and count."""
    columns = len(points_px)
    strip = Strip(np.zeros((25, columns)), np.linspace(-1.2, 1.2, 25), points_px, np.zeros((columns, 2)), 0.125, 8.0)
    plane = two_points((0, 0), (1000, 0), 254.0)
    ruler = budget.beside(plane, None, (1000, 600))
    last = columns - 1 if last is None else last
    return density_of(Section(strip, Counted(twists_at_in), first, last), ruler)  # type: ignore[arg-type]


def straight(length_in: float, columns: int = 601) -> np.ndarray:
    return np.column_stack([PX_PER_IN * np.linspace(0, length_in, columns), np.full(columns, 50.0)])


def test_fourteen_twists_over_two_inches_are_seven_an_inch() -> None:
    density = made(np.linspace(0.3, 14.3, 601), straight(2.0))
    assert density.twists == pytest.approx(14)
    assert density.length_in == pytest.approx(2.0)
    assert density.twists_per_inch == pytest.approx(7.0)
    assert density.bow_in == pytest.approx(0.0, abs=1e-9)


def test_uncertainties_of_count_and_length_add_in_quadrature() -> None:
    density = made(np.linspace(0, 14, 601), straight(2.0))
    relative = np.hypot(COUNT_U / 14, density.relative_length_u)
    assert density.twists_per_inch_u == pytest.approx(7.0 * relative, rel=0.03)
    assert density.twists_per_inch_u > 7.0 * density.relative_length_u


def test_a_mean_is_not_pulled_to_the_middle() -> None:
    # 4 twists in the first inch and 10 in the second: 7 over all, whatever the middle does.
    at = np.linspace(0, 2, 601)
    density = made(np.where(at < 1, 4 * at, 4 + 10 * (at - 1)), straight(2.0))
    assert density.twists_per_inch == pytest.approx(7.0)
    least, most = density.extremes()  # type: ignore[misc]
    assert least.twists_per_inch == pytest.approx(4.0, rel=0.02)
    assert least.at_in == pytest.approx(0.5, abs=0.02)
    assert most.twists_per_inch == pytest.approx(10.0, rel=0.02)
    assert most.at_in == pytest.approx(1.5, abs=0.02)


def test_the_profile_shows_the_step() -> None:
    at = np.linspace(0, 2, 601)
    profile = made(np.where(at < 1, 4 * at, 4 + 10 * (at - 1)), straight(2.0)).profile()
    early = [one.twists_per_inch for one in profile if one.at_in < 0.74]
    late = [one.twists_per_inch for one in profile if one.at_in > 1.26]
    assert early == pytest.approx(np.full(len(early), 4.0), rel=0.03)
    assert late == pytest.approx(np.full(len(late), 10.0), rel=0.03)
    assert all(one.u95 > 0 for one in profile)
    assert np.all(np.diff([one.at_in for one in profile]) > 0)


def test_a_run_under_an_inch_has_no_one_inch_window() -> None:
    assert made(np.linspace(0, 6, 601), straight(0.8)).extremes() is None
    assert made(np.linspace(0, 7, 601), straight(1.001)).extremes() is not None


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(1.0, 3.0), st.lists(st.floats(2, 14), min_size=2, max_size=9))
def test_the_mean_lies_between_the_least_and_the_most(length_in: float, densities: list[float]) -> None:
    along = np.linspace(0, 1, 601)
    twists = np.interp(along, np.linspace(0, 1, len(densities) + 1), np.cumsum([0.0, *densities])) * length_in
    density = made(twists / len(densities), straight(length_in))
    least, most = density.extremes()  # type: ignore[misc]
    assert least.twists_per_inch <= density.twists_per_inch <= most.twists_per_inch


def test_where_every_inch_holds_fewer_than_the_mean_the_most_is_that_of_the_whole_run() -> None:
    # 1.5 in, of which half an inch at either end holds 9 and the half between 3: any inch holds 6, the run 7 per inch.
    density = made(np.interp(np.linspace(0, 1.5, 601), [0, 0.5, 1, 1.5], [0, 4.5, 6, 10.5]), straight(1.5))
    least, most = density.extremes()  # type: ignore[misc]
    assert least.twists_per_inch == pytest.approx(6.0, rel=0.01)
    assert (most.twists_per_inch, most.at_in) == (density.twists_per_inch, pytest.approx(0.75))
    assert most.u95 == pytest.approx(COVERAGE_95 * density.twists_per_inch_u)


def test_a_place_where_twists_crowd_is_never_the_whole_run() -> None:
    # As above, with 14 at the ends and 1 between: 7.5 in any inch, 9.7 over all.
    density = made(np.interp(np.linspace(0, 1.5, 601), [0, 0.5, 1, 1.5], [0, 7, 7.5, 14.5]), straight(1.5))
    assert density.evenness() is None and density.crowded() is None


def test_what_is_flagged_as_uneven_is_what_is_said_of_places() -> None:
    # 4 in the first inch, then 8: the most in any inch is 8, wherever the mean of the whole lies.
    density = made(np.interp(np.linspace(0, 2.2, 601), [0, 1, 2.2], [0, 4, 13.6]), straight(2.2))
    least, most = density.crowded()  # type: ignore[misc]
    assert (least.at_in, least.twists_per_inch) == (pytest.approx(0.5, abs=0.03), pytest.approx(4.0, rel=0.03))
    assert most.twists_per_inch == pytest.approx(8.0, rel=0.03) and most.at_in > 1.4
    assert density.evenness() is not None and made(np.linspace(0, 6, 601), straight(0.8)).crowded() is None


def test_a_short_window_is_less_sure_than_the_whole() -> None:
    density = made(np.linspace(0, 14, 601), straight(2.0))
    assert density.window(1.0, 0.5).u95 > density.window(1.0, 1.0).u95 > COVERAGE_95 * density.twists_per_inch_u


def test_bow_is_the_largest_distance_from_the_chord() -> None:
    # An arc of sagitta 0.1 in over a 2 in chord: s = r - sqrt(r^2 - 1), r = (1 + s^2) / (2 s).
    radius = (1 + 0.1**2) / 0.2
    angle = np.linspace(-np.arcsin(1 / radius), np.arcsin(1 / radius), 601)
    arc = PX_PER_IN * np.column_stack([1 + radius * np.sin(angle), radius * np.cos(angle) - radius + 1])
    density = made(np.linspace(0, 14, 601), arc)
    assert density.bow_in == pytest.approx(0.1, rel=1e-3)
    assert density.length_in == pytest.approx(2 * radius * np.arcsin(1 / radius), rel=1e-3)
    assert density.length_in > 2.0


def test_only_what_lies_between_the_ends_counts() -> None:
    density = made(np.linspace(0, 14, 601), straight(2.0), first=150, last=450)
    assert density.twists == pytest.approx(7.0)
    assert density.length_in == pytest.approx(1.0)
    assert density.window(0.5, 0.5).twists_per_inch == pytest.approx(7.0, rel=0.02)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.floats(3, 14), st.floats(1.0, 6.0))
def test_an_even_twist_is_even_in_every_window(twists_per_inch: float, length_in: float) -> None:
    density = made(np.linspace(0, twists_per_inch * length_in, 1201), straight(length_in, 1201))
    least, most = density.extremes()  # type: ignore[misc]
    assert least.twists_per_inch == pytest.approx(twists_per_inch, rel=1e-2)
    assert most.twists_per_inch == pytest.approx(twists_per_inch, rel=1e-2)
    assert [one.twists_per_inch for one in density.profile()] == pytest.approx(
        np.full(len(density.profile()), twists_per_inch), rel=2e-2
    )


@pytest.mark.parametrize(
    ("twists_at", "said"),
    [
        (lambda at: 12 * at - 2 * at**2, "near the start"),
        (lambda at: 4 * at + 2 * at**2, "near the end"),
        (lambda at: 7 * at + 1.2 * np.sin(np.pi * (at - 1)), "1.0 in from the start"),
    ],
)
def test_where_twists_crowd_is_said(twists_at: Callable[[np.ndarray], np.ndarray], said: str) -> None:
    at = np.linspace(0, 2, 601)
    sentence = made(twists_at(at), straight(2.0)).evenness()
    assert sentence is not None and said in sentence


def test_even_twist_needs_no_sentence() -> None:
    assert made(np.linspace(0, 14, 601), straight(2.0)).evenness() is None


def test_drawing_lots_agrees_with_an_independent_library_to_first_order() -> None:
    """Monte Carlo (JCGM 101:2008) beside the first order of the package ``uncertainties``."""
    density = made(np.linspace(0, 14, 601), straight(2.0))
    terms = density.terms
    assert terms["ends"] == 0  # of ends that were given
    count = ufloat(density.twists, terms["phase"] * density.twists)
    length = density.length_in
    for term in density.length_terms.values():
        length = length * ufloat(1, term)
    assert (count / length).std_dev == pytest.approx(density.twists_per_inch_u, rel=0.03)
    assert sum(term**2 for term in terms.values()) == pytest.approx(
        ((count / length).std_dev / density.twists_per_inch) ** 2
    )
