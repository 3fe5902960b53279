"""What of a picture's quality stands between a run and full trust, and how little more would do.

Blur, a movement, the exposure of the wire, and a card too far away: each is measured,
and flagged only where it does harm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.plane import Plane
from visionwire import exposure, quality, sharpness
from visionwire.reading import Refusal
from visionwire.section import Section
from visionwire.sharpness import Blur

Floats = NDArray[np.float64]

#: Standard deviations of the blur that a twist must span for full trust, and under which little can be told at all.
FULL_SIGMAS, LEAST_SIGMAS = 11.0, 6.0
#: Edges near the wire so much sharper than the card mean that the card alone is out of focus: where both were
#: blurred alike, painted, none were.
SHARPER_SHARE = 0.6
#: A movement is noted from this share of a twist, and from so many px and of its own standard deviations: on
#: painted pictures that were held still none reached 1.8 px.
LARGEST_SMEAR, NOTED_SMEAR_PX, SMEAR_SIGMAS = 0.1, 2.0, 3.0
#: Cosine and sine of 30 degrees: so near to a direction a movement goes by its name.
NEAR_COS, NEAR_SIN = np.cos(np.pi / 6), np.sin(np.pi / 6)
#: Of painted runs, exposed ever more and ever less, a quarter lost half a percent of the count from a third of the
#: wire burnt out, or a tenth of the wire no brighter than this; under that they lost less, and most lost all beyond
#: four fifths burnt out.
LARGEST_WHITE, LARGEST_BLACK, LEAST_BRIGHT = 0.3, 0.2, 25.0
#: Longer sides of the card from it to the run's middle: there the noise of its corners alone makes half a percent
#: of length for one picture in four, as much as the print that nobody held a rule to.
FARTHEST_CARDS = 1.5
#: Twists left to the picture's edge, going straight on: of the kept pictures, runs had at most 0.6 where cropped and at
#: least 2 where whole; pigtails, which end free, at most 0.25 (but for two) and at least 0.3 (but for one).
LEAST_ROOM_RUN, LEAST_ROOM_PIGTAIL = 0.8, 0.28
#: Of a picture in which no wire was found, burnt out so far: there the wire is burnt out too, as a rule.
MOSTLY_WHITE = 0.5
#: How many twists of a usual safety would span a picture without a scale.
USUAL_TWISTS_ACROSS = 40.0
#: How much nearer a picture is asked for than would just do, and how much room what must stay in view is left.
MARGIN = 1.1
CARD_CLOSER = (
    ", with the card right beside the wire so that it stays in view, or give the picture as the phone took it, "
    "not made smaller"
)


def run_flags(luminance: NDArray[np.float32], plane: Plane, run: Section, card_blur: Blur | None) -> list[quality.Flag]:
    """Return the flags of the picture's quality at one run.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    plane : Plane
        What gives the scale.
    run : Section
        The twisted run.
    card_blur : Blur or None
        From `sharpness.on_card`; where there is none, or the card alone is out of focus, the sharpest edges near
        the run tell the blur.
    """
    moved = None if card_blur is None else _moved(card_blur, run)
    blur_px = _blur_px(luminance, run, card_blur, moved is not None)
    found = [moved, None if blur_px is None else _blurred(blur_px, run), *_exposed(run), _card_far(plane, run)]
    return [one for one in found if one is not None]


def with_likely_cause(
    refusal: Refusal, luminance: NDArray[np.float32], plane: Plane | None, px_per_twist: float | None
) -> Refusal:
    """Return the refusal of a picture in which no wire was found with what most likely hid it, if that shows.

    Parameters
    ----------
    refusal : Refusal
        What is to name it.
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    plane : Plane or None
        What gives the scale; the corners of a printed card tell blur and movement, else the sharpest edges tell blur.
    px_per_twist : float or None
        What a twist of a usual safety would span at that scale.
    """
    seen = exposure.exposure_of(luminance)
    if seen.bright_level < LEAST_BRIGHT:
        return quality.because(refusal, "under-exposed", level=max(100 * seen.bright_level / 255, 1.0))
    if seen.white_share > MOSTLY_WHITE:
        return quality.because(refusal, "over-exposed", percent=100 * seen.white_share)
    # What is blurred beyond full trust is missed as a rule: of five kept pictures, blurred so 26 times, 25 times.
    enough_px = (px_per_twist or max(luminance.shape) / USUAL_TWISTS_ACROSS) / FULL_SIGMAS
    card = None if plane is None else sharpness.on_card(luminance, plane)
    if card is not None and card.smear_px2 > max(enough_px**2, SMEAR_SIGMAS * card.smear_u_px2):
        smear = {"smear_px": card.smear_px, "enough_px": LARGEST_SMEAR * FULL_SIGMAS * enough_px}
        return quality.because(refusal, "moved", **smear)
    blur_px = sharpness.anywhere(luminance) if card is None else card.sigma_px
    if blur_px is None or blur_px <= enough_px:
        return refusal
    return quality.because(refusal, "blurred", blur_px=blur_px, enough_px=enough_px)


def run_cut_off(run: Section, image_size: tuple[int, int]) -> bool:
    """Say whether a run of a picture so wide and high, px, ends at its edge, and so may go on beyond it."""
    # One that runs out of the picture at a slant loses its outline first, a diameter aside, and is lost there.
    return _leaves(run, image_size, LEAST_ROOM_RUN, run.strip.diameter_px)


def pigtail_cut_off(tail: Section, image_size: tuple[int, int]) -> bool:
    """Say whether a pigtail of a picture so wide and high, px, ends at its edge, and so may go on beyond it."""
    return _leaves(tail, image_size, LEAST_ROOM_PIGTAIL, 0.0)


def nearer(
    px: float, least_px: float, full_px: float, in_view_px: Floats, image_size: tuple[int, int]
) -> tuple[float, bool]:
    """Return to how many percent of its distance the phone should move, and whether all then stays in view.

    As near as full trust asks or as what must stay in view allows, whichever is farther, but as near as the least.

    Parameters
    ----------
    px : float
        What a twist, say, spans now.
    least_px, full_px : float
        What it must span, and what gives full trust.
    in_view_px : (N, 2) float array
        What must stay in the picture, such as the run and the card's outline.
    image_size : (int, int)
        Width and height, px.
    """
    room = float((np.array(image_size) / np.maximum(np.ptp(in_view_px, axis=0), 1.0)).min()) / MARGIN
    least, full = MARGIN * least_px / px, MARGIN * full_px / px
    return float(np.clip(100 / min(full, max(room, least)), 1.0, 100.0)), room >= least


def with_card_px(line_px: Floats, plane: Plane | None) -> Floats:
    """Return points and, where a card gives the scale, its outline: what a picture taken nearer must show."""
    return line_px if plane is None or plane.outline_px is None else np.vstack([line_px, plane.outline_px])


def _blur_px(luminance: NDArray[np.float32], run: Section, card_blur: Blur | None, moved: bool) -> float | None:
    """Return the blur at the wire; what a movement told of adds to it is left out."""
    on_card_px = None if card_blur is None else card_blur.still_px if moved else card_blur.sigma_px
    if on_card_px is not None and on_card_px <= run.px_per_twist / FULL_SIGMAS:
        return on_card_px
    near_px = sharpness.near_line(luminance, run.spine_px, run.strip.diameter_px, run.px_per_twist)
    if on_card_px is None or (near_px is not None and near_px < SHARPER_SHARE * on_card_px):
        return near_px
    return on_card_px


def _blurred(blur_px: float, run: Section) -> quality.Flag | None:
    enough_px = run.px_per_twist / FULL_SIGMAS
    if blur_px <= enough_px:
        return None
    how = "blurred" if run.px_per_twist >= LEAST_SIGMAS * blur_px else "badly blurred"
    return quality.flag("blurred", how=how, blur_px=blur_px, enough_px=enough_px)


def _moved(blur: Blur, run: Section) -> quality.Flag | None:
    enough_px = max(LARGEST_SMEAR * run.px_per_twist, NOTED_SMEAR_PX)
    if blur.smear_px <= enough_px or blur.smear_px2 < SMEAR_SIGMAS * blur.smear_u_px2:
        return None
    way = way_of(blur.direction, run.spine_px[-1] - run.spine_px[0])
    return quality.flag("moved", smear_px=blur.smear_px, way=way, enough_px=enough_px)


def way_of(direction: Floats, along: Floats) -> str:
    """Say in words which way a movement went: by the wire where it is along or across that, or by the picture.

    Parameters
    ----------
    direction : (2,) float array
        Unit vector of the movement, (x, y), y downwards; either way is as good.
    along : (2,) float array
        From one end of the run to the other.
    """
    cosine = abs(float(direction @ along)) / max(float(np.hypot(*along)), 1e-9)
    if cosine > NEAR_COS:
        return "along the wire"
    if cosine < NEAR_SIN:
        return "across the wire"
    x, y = np.abs(direction)
    if x > NEAR_COS:
        return "sideways"
    if y > NEAR_COS:
        return "up and down"
    return "from upper left to lower right" if direction[0] * direction[1] > 0 else "from lower left to upper right"


def _leaves(one: Section, image_size: tuple[int, int], twists: float, margin_px: float) -> bool:
    """Say whether a section that went straight on at either end for so many twists would come so near the edge."""
    for spine_px in (one.spine_px[::-1], one.spine_px):
        ahead = spine_px[-1] - spine_px[-1 - min(len(spine_px) - 1, round(len(spine_px) / one.twists))]
        beyond = spine_px[-1] + twists * one.px_per_twist * ahead / max(float(np.hypot(*ahead)), 1e-9)
        if (beyond < margin_px).any() or (beyond > np.array(image_size) - 1 - margin_px).any():
            return True
    return False


def _exposed(run: Section) -> list[quality.Flag]:
    seen, flags = exposure.on_wire(run), []
    if seen.white_share > LARGEST_WHITE:
        figures = {"percent": 100 * seen.white_share, "enough": 100 * LARGEST_WHITE}
        flags.append(quality.flag("over-exposed", **figures))
    if seen.black_share > LARGEST_BLACK or seen.bright_level < LEAST_BRIGHT:
        figures = {"percent": 100 * seen.black_share, "level": 100 * seen.bright_level / 255}
        enough = {"enough": 100 * LARGEST_BLACK, "enough_level": 100 * LEAST_BRIGHT / 255}
        flags.append(quality.flag("under-exposed", **figures, **enough))
    return flags


def _card_far(plane: Plane, run: Section) -> quality.Flag | None:
    if plane.outline_px is None or plane.source not in ("card", "id1"):
        return None
    far = card_lengths(plane, run.spine_px)
    return None if far <= FARTHEST_CARDS else quality.flag("card-far", lengths=far, enough=FARTHEST_CARDS)


def card_lengths(plane: Plane, line_px: Floats) -> float:
    """Return the mean distance of a line (N, 2) from the card's outline, in longer sides of the card."""
    assert plane.outline_px is not None
    outline_mm, line_mm = plane.to_mm(plane.outline_px), plane.to_mm(line_px)
    low, high = outline_mm.min(0), outline_mm.max(0)
    off_mm = np.maximum(np.maximum(low - line_mm, line_mm - high), 0.0)
    return float(np.linalg.norm(off_mm, axis=1).mean() / (high - low).max())
