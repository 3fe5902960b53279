"""One registry of refusal and quality codes: all their sentences; it feeds the reading, the sheet, README and the tests.

A *refusal* ends a reading; a *flag* goes with one. Each has one sentence that
says what is wrong and one that says what to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Code:
    """A code, what it means and what to do; ``{names}`` are filled with the measured figures.

    ``given`` is an option and what to do where that was given already: to be told to give it again helps nobody.
    """

    kind: Literal["refusal", "flag"]
    message: str
    advice: str
    given: tuple[str, str] | None = None


CODES: dict[str, Code] = {
    # -- refusals ---------------------------------------------------------------------------
    "unreadable": Code(
        "refusal",
        "the file cannot be read as a photograph",
        "copy the picture again, or save it as JPEG or PNG",
    ),
    "no-scale": Code(
        "refusal",
        "no reference card was found and no wire diameter was given, so nothing tells an inch from a pixel",
        "lay a printed card or a plain ID-size card beside the wire, all of it in the picture and sharp, or give the wire with --wire DIAMETER_IN or a known distance with --scale X,Y,X,Y,INCHES",
    ),
    "height-implausible": Code(
        "refusal",
        "the wire was told to lie {height_mm:g} mm over the card's face, and by this picture the camera stands about {camera_mm:.0f} mm over it",
        "check --card-below, which is how many mm the card's face lies below the wire, or take the picture from farther away with the card nearer the height of the wire",
    ),
    "other-card": Code(
        "refusal",
        "the card {asked} was not found, and the card {seen} is in view",
        "leave out --card, or give --card {seen}",
    ),
    "no-twisted-wire": Code(
        "refusal",
        "no twisted pair of wires was found in the picture",
        "hold the phone still, tap on the wire to focus, fill the frame with the safety, light it from the side, or give the ends of the run with --start X,Y --end X,Y",
        (
            "--start",
            "hold the phone still, tap on the wire to focus, fill the frame with the safety, and light it from the side",
        ),
    ),
    "run-unclear": Code(
        "refusal",
        "a pigtail was found, but no run that is clear enough to be taken for one",
        "show the whole run between the two fasteners, light it from the side, tap on it to focus, or give its ends with --start X,Y --end X,Y; if the wire is single, say --method single",
        (
            "--start",
            "show the whole run between the two fasteners, light it from the side, and tap on it to focus; if the wire is single, say --method single",
        ),
    ),
    "wire-not-a-ruler": Code(
        "refusal",
        "no reference card was found, and the wire's outline is too blurred or unclear to take the scale from its diameter",
        "tap on the wire to focus, and lay a printed card or a plain ID-size card beside the wire, all of it in the picture",
    ),
    "not-twisted": Code(
        "refusal",
        "what lies between the two ends given does not look like a twisted pair of wires",
        "check that --start and --end lie on the wire at the two ends of one twisted run, in pixels of the upright picture",
    ),
    "twist-unclear": Code(
        "refusal",
        "the twist between the two ends given is too blurred or too faint to be followed from one to the other",
        "hold the phone still, tap on the wire to focus, keep at least 10 cm away, and light the wire from the side",
    ),
    "twist-too-small": Code(
        "refusal",
        "one twist spans {px_per_twist:.1f} px; at least {needed_px:.0f} are needed",
        "move to about {percent:.0f} % of the distance",
    ),
    "run-in-single": Code(
        "refusal",
        "a twisted run is in the picture, which the method for single wire does not read",
        "leave out --method single",
    ),
    "no-twisted-end": Code(
        "refusal",
        "no twisted end as short as a pigtail was found, from which single wire is read",
        "turn the part or the phone until the twisted end lies in plain view, or leave --method out for double twist",
    ),
    "scale-implausible": Code(
        "refusal",
        "at the scale given the wire would be {diameter_px:.0f} px wide, too wide for a run to fit into the picture",
        "check --wire, which is in inches, and take the picture from farther away",
        ("--scale", "check the two points and the distance between them, which is in inches"),
    ),
    "too-few-twists": Code(
        "refusal",
        "only {twists:.1f} twists are in view; at least {needed:.0f} are needed to measure a run",
        "show the whole run between the two fasteners",
    ),
    "card-too-small": Code(
        "refusal",
        "one cell of the card's markers spans {cell_px:.1f} px; at least {needed_px:.0f} are needed",
        "move to about {percent:.0f} % of the distance",
    ),
    "card-too-tilted": Code(
        "refusal",
        "the card is seen tilted by {tilt_deg:.0f} degrees; at most {limit_deg:.0f} can be measured",
        "hold the phone square over the card and the wire",
    ),
    "turnbuckle-not-pointed": Code(
        "refusal",
        "a turnbuckle is read between two points on its long axis, and none were given",
        "point with --start X,Y --end X,Y, one near each terminal's outer end, in pixels of the upright picture",
    ),
    "no-wraps": Code(
        "refusal",
        "no wire wrapped round the shank was found at both ends between the two points given",
        "check that --start and --end lie on the turnbuckle's long axis at its outer ends, and show both shanks sharp",
    ),
    "wraps-too-small": Code(
        "refusal",
        "one wrap spans {spacing_px:.1f} px; at least {needed_px:.0f} are needed",
        "move to about {percent:.0f} % of the distance",
    ),
    # -- flags ------------------------------------------------------------------------------
    "scale-from-id1": Code(
        "flag",
        "the scale comes from the outline of a plain ID-size card",
        "use a printed card for a tighter result",
    ),
    "scale-from-two-points": Code(
        "flag",
        "the scale comes from two points and the distance given between them, and holds only where the picture is square to the wire",
        "use a printed card for a tighter result",
    ),
    "scale-from-wire": Code(
        "flag",
        "the scale comes from the wire's own outline and the diameter given, and every figure is as wrong as that diameter",
        "measure the wire, and lay a printed card beside it for a tighter result",
    ),
    "scale-not-as-card": Code(
        "flag",
        "by --scale the two points lie {given_in:.3f} in apart, and by the card {card} in view {card_in:.3f}; --scale was taken",
        "check {causes}, or leave out --scale to measure by the card",
    ),
    "card-tilted": Code(
        "flag",
        "the card is seen tilted by {tilt_deg:.0f} degrees",
        "hold the phone square over the card and the wire",
    ),
    "card-bent": Code(
        "flag",
        "the card's corners lie {residual_px:.1f} px from a flat card, which is taken out as far as they tell how it bends",
        "lay the card flat, and print it on stiff stock",
    ),
    "lens-bends": Code(
        "flag",
        "the lens bends straight lines: what lies in the picture's corners is shown {percent:.0f} % too {way} its middle, "
        "which is taken out as far as the card tells it",
        "use the phone's main camera, not its wide one, and keep card and wire near the middle of the picture",
    ),
    "blurred": Code(
        "flag",
        "the picture is {how}",
        "hold the phone still, tap on the wire to focus, and give more light; get nearer if you can, but not under 10 cm (the blur is {blur_px:.1f} px; under {enough_px:.1f} px would do)",
    ),
    "moved": Code(
        "flag",
        "phone or part moved {way} while the picture was taken",
        "brace the phone, give more light, or use its timer (it is smeared by {smear_px:.1f} px; under {enough_px:.1f} px would do)",
    ),
    "over-exposed": Code(
        "flag",
        "the wire is burnt out to white",
        "tap on the wire and slide the brightness down, or light it from another side (it is burnt out by {percent:.0f} %; under {enough:.0f} % would do)",
    ),
    "under-exposed": Code(
        "flag",
        "the wire is too dark",
        "give more light, or tap on the wire and slide the brightness up ({percent:.0f} % of it is black, and its bright side has {level:.0f} % of full brightness; under {enough:.0f} % black and at least {enough_level:.0f} % would do)",
    ),
    "card-far": Code(
        "flag",
        "the card lies {lengths:.1f} of its own lengths away from the run, where its scale is less sure; under {enough:.1f} would do",
        "lay the card right beside the wire",
    ),
    "small-twist": Code(
        "flag",
        "one twist of {run} spans {px_per_twist:.0f} px; {needed_px:.0f} give full trust",
        "move to about {percent:.0f} % of the distance{card}",
    ),
    "few-twists": Code(
        "flag",
        "{run} shows {twists:.1f} twists; {needed:.0f} give full trust",
        "if there is more of it, show the whole run between the two fasteners",
    ),
    "run-cut-off": Code(
        "flag",
        "run {run:.0f} ends at the picture's edge, and what lies beyond it is neither measured nor called",
        "show the whole run between the two fasteners",
    ),
    "pigtail-cut-off": Code(
        "flag",
        "the pigtail ends at the picture's edge, and twists beyond it are not counted",
        "show the whole pigtail",
    ),
    "uneven-twist": Code(
        "flag",
        "the twist of {run} is uneven, {least:.1f} to {most:.1f} per inch",
        "keep the pliers' pull and turn steady; the profile shows where it crowds",
    ),
    "shorter-than-an-inch": Code(
        "flag",
        "the run is shorter than an inch, so no one-inch window is reported",
        "judge it by its mean",
    ),
    "wire-diameter-not-measured": Code(
        "flag",
        "the wire's diameter could not be read off its outline",
        "light the wire so that it stands out from its background",
    ),
    "hole-not-located": Code(
        "flag",
        "no hole is seen {where} of {run}",
        "check the gap there from hole to twist by eye against the manual: it is not measured",
    ),
    "end-beyond-twist": Code(
        "flag",
        "an end given lies beyond the twist, which was measured to where it ends",
        "look at the marked picture to see where that is",
    ),
    "perhaps-no-wire": Code(
        "flag",
        "what lies between the two ends given may be no twisted pair of wires, so nothing is called",
        "look at the marked picture to see what was read",
    ),
    "long-series": Code(
        "flag",
        "{fasteners:.0f} fasteners stand in a row, more than one wire may hold by the limit set",
        "see that they are not all on one wire",
    ),
    "single-wire": Code(
        "flag",
        "single wire has no twist between the fasteners, so a count there is not applicable",
        "check direction and tension by eye",
    ),
    "pattern-not-traced": Code(
        "flag",
        "the pattern of the single wire could not be followed from the twisted end and back, so it is not measured",
        "show the whole pattern and the twisted end in one picture, from straight above, and lit evenly",
    ),
    "look-here": Code(
        "flag",
        "something stands out on run {run:.0f}, {at_in:.1f} in from its start ({what})",
        "look there with a glass; it is not judged",
    ),
    "wire-not-as-given": Code(
        "flag",
        "the wire looks {seen_in:.3f} in thick, not the {given_in:.3f} given, so the scale is in doubt",
        "check {causes}, and read again",
    ),
    "card-below-wire": Code(
        "flag",
        "the wire looks {seen_in:.3f} in thick, not the {given_in:.3f} given, as it would with the card too far below it, so the scale is in doubt",
        "check {causes}, and read again",
    ),
    "height-without-card": Code(
        "flag",
        "it was told how far the card lies below the wire, and no card was found",
        "lay all of it in the picture, sharp and without glare",
    ),
    "finders-disagree": Code(
        "flag",
        "the two ways of finding wire disagree: only one of them takes this for a twisted pair",
        "look at the marked picture to see that it is the wire, or give its ends with --start X,Y --end X,Y",
        ("--start", "look at the marked picture to see that it is the wire"),
    ),
    "find-in-doubt": Code(
        "flag",
        "it is only {belief:.0f} % sure that what was read is the wire, rightly followed, too little for a call of conforming",
        "look at the marked picture (--sheet DIR): where its ticks follow the wire, take another picture from nearer, lit from the side; where they do not, give the ends of the run with --start X,Y --end X,Y",
        (
            "--start",
            "look at the marked picture (--sheet DIR): where its ticks follow the wire, take another picture from nearer, lit from the side; where they do not, put --start and --end on the wire",
        ),
    ),
    "run-in-doubt": Code(
        "flag",
        "what may be another run is seen at {x:.0f}, {y:.0f}, only {belief:.0f} % sure to be twisted wire, and is not read",
        "look there: if it is a run, take another picture from nearer, lit from the side, or read it with --start X,Y --end X,Y",
        ("--start", "look there: if it is a run, take another picture from nearer, lit from the side"),
    ),
    "picture-mirrored": Code(
        "flag",
        "the card is seen mirrored, as front cameras show it; the lay is given as on the part",
        "take pictures with the rear camera",
    ),
    "several-safeties": Code(
        "flag",
        "the picture shows {count:.0f} safeties; their runs are all read, and the pigtail of the first",
        "take one photograph of each for its own record",
    ),
    "wraps-same-hand": Code(
        "flag",
        "the wire looks wrapped in one direction at both ends of the turnbuckle",
        "look again: it has to be wrapped in opposite directions",
    ),
    "wraps-hand-unclear": Code(
        "flag",
        "the direction of the wraps at end {end:.0f} is not clear from the slant of the wire",
        "check by eye that the two ends are wrapped in opposite directions",
    ),
    "threads-not-counted": Code(
        "flag",
        "the threads that show outside the barrel are not counted",
        "check by eye that no more show than the manual allows",
    ),
    "routing-loosens": Code(
        "flag",
        "the wire of run {run:.0f} looks as if it pulled a fastener loose",
        "see that it leaves each head on the side that tightens it, and that --tightens says which way these threads tighten",
    ),
    "head-not-used": Code(
        "flag",
        "a head given stands over half an inch from both ends of every run, so nothing was held against it",
        "give the middle of a head that a run ends at with --head X,Y, in pixels of the upright picture",
    ),
    "routing-not-judged": Code(
        "flag",
        "whether run {run:.0f} pulls both fasteners tight is not clear",
        "give the middle of each of its heads with --head X,Y, or check it by eye",
        ("--head", "see that each --head lies on the middle of a head at an end of the run, or check it by eye"),
    ),
    "runs-not-as-planned": Code(
        "flag",
        "the number of runs in view is {runs:.0f}, and that of the plan {planned:.0f}",
        "show the whole safety in one picture, and check that the plan is of this one",
    ),
    "span-not-as-planned": Code(
        "flag",
        "the span of run {run:.0f} is {value:.2f} ± {u95:.2f} in, and the plan has {planned:.2f}, give or take {play:.2f}",
        "check that the plan is of this safety; if it is, measure where the fasteners stand and plan again",
    ),
    "twists-not-as-planned": Code(
        "flag",
        "run {run:.0f} has {value:.1f} ± {u95:.1f} twists, and the plan allows {low:.0f} to {high:.0f}",
        "check that the plan is of this safety and count them on the marked picture; if it is so, {mend}",
    ),
    "wire-not-as-planned": Code(
        "flag",
        "the wire of run {run:.0f} looks {value:.3f} ± {u95:.3f} in thick, and the plan has {planned:.3f}",
        "measure the wire; if it is another size, take that of the plan, or plan again with --wire",
    ),
    "near-a-limit": Code(
        "flag",
        "of {section} a limit lies within the ± of what was measured, so it is not called",
        "{by_hand}, or take another picture {retaken}",
    ),
    "pigtail-not-measured": Code(
        "flag",
        "the pigtail at {x:.0f}, {y:.0f} was counted by a trained network alone: it shows too few twists, or too unclear "
        "ones, for its pattern to be measured",
        "count it by eye too, or take another picture from nearer, with the pigtail in plain view and sharp",
    ),
    "pigtail-told-twice": Code(
        "flag",
        "of the pigtail at {x:.0f}, {y:.0f} the pattern tells {phase:.1f} twists and a trained network {network:.1f}, "
        "so one of them is wrong",
        "count it by eye, or take another picture from nearer, with the pigtail in plain view and sharp",
    ),
    "pigtail-not-counted": Code(
        "flag",
        "a pigtail is seen at {x:.0f}, {y:.0f}, about as long as {twists} of the run beside it, but its own cannot be "
        "counted, so it is not judged",
        "count it by eye, or take another picture from nearer, with the pigtail in plain view and sharp",
    ),
    "pigtail-looks-short": Code(
        "flag",
        "a pigtail is seen at {x:.0f}, {y:.0f}, about as long as {twists} of the run beside it where {least} are asked "
        "for, but its own cannot be counted, so the safety is not called conforming",
        "count it by eye, or take another picture from nearer, with the pigtail in plain view and sharp",
    ),
    "pigtail-not-seen": Code(
        "flag",
        "no pigtail was found in plain view",
        "turn the part or the phone until the pigtail lies in plain view; one that does, count by eye",
    ),
}


#: What most likely hid the wire from a picture in which none was found, and what to do first where that is not the
#: first of what is advised anyway.
CAUSES = {
    "blurred": (
        "likely because it is blurred (by {blur_px:.1f} px; under {enough_px:.1f} px would do)",
        "",
    ),
    "moved": (
        "likely because of a movement (which smeared the card by {smear_px:.1f} px; under {enough_px:.1f} px would do)",
        "brace the phone, give more light, or use its timer; then ",
    ),
    "over-exposed": (
        "likely because of too much light ({percent:.0f} % of it is burnt out to white)",
        "tap on the wire and slide the brightness down, or light it from another side; then ",
    ),
    "under-exposed": (
        "likely because of too little light (nine tenths of it have under {level:.0f} % of full brightness)",
        "give more light, or tap on the wire and slide the brightness up; then ",
    ),
}


#: What is done about a run that has fewer twists than planned, and about one that has more.
UNDER_TWISTED = (
    "the wire is under-twisted: twist it on while its ends are still free, else cut it out and twist new wire"
)
OVER_TWISTED = "the wire is over-twisted, and is never untwisted: cut it out and twist new wire as planned"


#: What a person reads in the place of a code whose own words do not say it; the last ones are an archive's.
NAMES = {
    "other-card": "another card in view",
    "run-in-single": "twisted run in view",
    "turnbuckle-not-pointed": "turnbuckle not pointed at",
    "no-wraps": "no wraps found",
    "scale-from-id1": "scale from a plain card",
    "scale-from-wire": "scale from the wire",
    "scale-not-as-card": "distance and card disagree",
    "over-exposed": "over-exposed",
    "under-exposed": "under-exposed",
    "card-far": "card far away",
    "end-beyond-twist": "an end beyond the twist",
    "perhaps-no-wire": "perhaps no twisted wire",
    "look-here": "something stands out",
    "height-without-card": "height told without a card",
    "wraps-same-hand": "wrapped the same way at both ends",
    "wraps-hand-unclear": "direction of the wraps unclear",
    "routing-loosens": "wire pulls loose",
    "changed": "changed while it was read",
    "too-large": "too large for the memory",
    "worker-died": "ended unexpectedly",
}


def name_of(code: str) -> str:
    """Return what a person reads in the place of a code."""
    return NAMES.get(code, code.replace("-", " "))
