"""The JSON of a reading and of a refusal, key by key as the design has it."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import jsonschema
import pytest

from visionwire.codes import CODES
from visionwire.quality import refuse
from visionwire.reading import Reading, Refusal


def exactly(**properties: Any) -> dict[str, Any]:
    """Return the schema of an object with these keys, all of them, and no others."""
    return {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}


def or_null(schema: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [schema, {"type": "null"}]}


NUMBER = {"type": "number"}
NUMBER_OR_NULL = {"type": ["number", "null"]}
TEXT = {"type": "string"}
LIST_OF_TEXT = {"type": "array", "items": TEXT}
PROBABILITY = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
CALL = {"enum": ["conforming", "nonconforming", "undecided"]}
LAY = {"enum": ["S", "Z", None]}
POINT = {"type": "array", "items": NUMBER, "minItems": 2, "maxItems": 2}
POINTS = {"type": "array", "items": POINT}
DENSITY_AT = exactly(twists_per_inch=NUMBER, u95=NUMBER, at_in=NUMBER)
PHOTO = exactly(
    name=TEXT,
    sha256={"type": "string", "pattern": "^[0-9a-f]{64}$"},
    width_px={"type": "integer"},
    height_px={"type": "integer"},
    taken={"type": ["string", "null"]},
)
RUN = exactly(
    twists=NUMBER,
    twists_u95=NUMBER,
    length_in=NUMBER,
    twists_per_inch=NUMBER,
    twists_per_inch_u95=NUMBER,
    least_in_any_inch=or_null(DENSITY_AT),
    most_in_any_inch=or_null(DENSITY_AT),
    profile={"type": "array", "items": DENSITY_AT},
    lay=LAY,
    bow_in=NUMBER,
    gap_start_in=NUMBER_OR_NULL,
    gap_start_in_u95=NUMBER_OR_NULL,
    gap_end_in=NUMBER_OR_NULL,
    gap_end_in_u95=NUMBER_OR_NULL,
    span_in=NUMBER,
    span_in_u95=NUMBER,
    evenness={"type": ["string", "null"]},
    wire_diameter_in=NUMBER_OR_NULL,
    wire_diameter_in_u95=NUMBER_OR_NULL,
    budget={"type": "array", "items": exactly(term=TEXT, twists_per_inch_u=NUMBER, share=NUMBER)},
    copper_probability=or_null(PROBABILITY),
    look_here={"type": "array", "items": exactly(at_in=NUMBER, at_px=POINT, what=TEXT)},
    start_px=POINT,
    end_px=POINT,
    spine_px=POINTS,
    probability_conforming=PROBABILITY,
    call=CALL,
    flags=LIST_OF_TEXT,
)
PIGTAIL = exactly(
    twists=NUMBER,
    twists_u95=NUMBER,
    count_probabilities={"type": "object", "patternProperties": {"^[0-9]+$": NUMBER}, "additionalProperties": False},
    length_in=NUMBER,
    lay=LAY,
    spine_px=POINTS,
    probability_conforming=PROBABILITY,
    call=CALL,
    flags=LIST_OF_TEXT,
)
CHECK = exactly(
    rule=TEXT,
    section=TEXT,
    value=NUMBER,
    u95=NUMBER,
    unit=TEXT,
    low=NUMBER_OR_NULL,
    high=NUMBER_OR_NULL,
    probability_conforming=NUMBER,
    call=CALL,
    source=TEXT,
)
WRAPS = exactly(
    turns=NUMBER,
    turns_u95=NUMBER,
    hand=LAY,
    threads_showing={"type": ["integer", "null"]},
    axis_px=POINTS,
    probability_conforming=PROBABILITY,
    call=CALL,
    flags=LIST_OF_TEXT,
)
PULL = {"enum": ["tightens", "loosens", None]}
ROUTING = exactly(
    start_pulls=PULL,
    end_pulls=PULL,
    probability=NUMBER_OR_NULL,
    start_tightens_probability=NUMBER_OR_NULL,
    end_tightens_probability=NUMBER_OR_NULL,
    start_axis_px=or_null(POINT),
    end_axis_px=or_null(POINT),
)
READING = exactly(
    format={"const": "visionwire.reading/1"},
    photo=PHOTO,
    scale=exactly(
        source={"enum": ["card", "id1", "two-points", "wire"]},
        card={"type": ["string", "null"]},
        px_per_inch=NUMBER,
        relative_u=NUMBER,
        tilt_deg=NUMBER_OR_NULL,
        residual_px=NUMBER_OR_NULL,
    ),
    runs={"type": "array", "items": RUN},
    pigtail=or_null(PIGTAIL),
    series=exactly(
        runs={"type": "integer"},
        fasteners={"type": "integer"},
        longest_span_in=NUMBER,
        wire_in=NUMBER_OR_NULL,
        wire_in_u95=NUMBER_OR_NULL,
    ),
    checks={"type": "array", "items": CHECK},
    call=CALL,
    confidence={"type": "number", "minimum": 0, "maximum": 1},
    advice=LIST_OF_TEXT,
    flags=LIST_OF_TEXT,
    made_by={"type": "object", "required": ["visionwire"]},
    pattern=or_null(
        exactly(corners={"type": "integer"}, length_in=NUMBER, length_in_u95=NUMBER, corners_px=POINTS, spine_px=POINTS)
    ),
    wraps={"type": "array", "items": WRAPS},
    routing=or_null({"type": "array", "items": ROUTING}),
)
REFUSAL = exactly(format={"const": "visionwire.refusal/1"}, photo=or_null(PHOTO), code=TEXT, message=TEXT, advice=TEXT)


def plain(result: Reading | Refusal) -> Any:
    """Take the result through JSON, where NaN has no place."""
    return json.loads(json.dumps(result.to_dict(), allow_nan=False))


def test_a_reading_has_the_keys_of_the_design_and_no_others(reading: Reading) -> None:
    jsonschema.validate(plain(reading), READING)
    assert next(iter(reading.to_dict())) == "format"


def test_what_was_not_measured_is_null(reading: Reading) -> None:
    bare = dataclasses.replace(
        reading.runs[0], least_in_any_inch=None, lay=None, wire_diameter_in=None, wire_diameter_in_u95=None
    )
    record = plain(dataclasses.replace(reading, runs=(bare,), pigtail=None))
    jsonschema.validate(record, READING)
    assert record["pigtail"] is None
    assert [record["runs"][0][key] for key in ("least_in_any_inch", "lay", "wire_diameter_in", "gap_end_in")] == [
        None
    ] * 4


def test_the_schema_bites(reading: Reading) -> None:
    record = plain(reading)
    record["runs"][0]["extra"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(record, READING)


def test_numbers_keep_six_decimals(reading: Reading) -> None:
    record = plain(dataclasses.replace(reading, confidence=1 / 3))
    assert record["confidence"] == 0.333333
    assert record["runs"][0]["twists"] == reading.runs[0].twists


def test_records_are_flat_and_one_a_section(reading: Reading) -> None:
    records = reading.to_records()
    assert [one["section"] for one in records] == ["run 1", *(["pigtail"] if reading.pigtail else [])]
    for record in records:
        assert record["photo"] == reading.photo.name and record["call"] == reading.call
        assert not any(isinstance(value, (dict, list, tuple)) for value in record.values())
    assert records[0]["twists_per_inch"] == pytest.approx(reading.runs[0].twists_per_inch, abs=1e-6)
    assert records[0]["section_call"] == reading.runs[0].call


@pytest.mark.parametrize("code", [code for code, entry in CODES.items() if entry.kind == "refusal"])
def test_every_refusal_fills_its_sentences_and_is_false(code: str) -> None:
    figures = dict.fromkeys(
        (
            "px_per_twist",
            "needed_px",
            "percent",
            "height_mm",
            "camera_mm",
            "twists",
            "needed",
            "cell_px",
            "tilt_deg",
            "limit_deg",
            "diameter_px",
            "spacing_px",
            "asked",
            "seen",
        ),
        7.0,
    )
    refusal = refuse(code, **figures)
    assert not refusal and refusal.code == code
    assert "{" not in refusal.message + refusal.advice
    jsonschema.validate(plain(refusal), REFUSAL)


def test_a_refusal_carries_its_photograph(refusal: Refusal) -> None:
    record = plain(refusal)
    jsonschema.validate(record, REFUSAL)
    assert record["photo"]["name"] == "threads.jpg"
