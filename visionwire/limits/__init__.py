"""Named limits, each figure with its source; one TOML file a set, beside this file."""

from visionwire.limits.sets import (
    Count,
    DecisionRule,
    DensityBand,
    Length,
    LimitSet,
    Series,
    by_diameter,
    density_band,
    known_limits,
    limits_toml,
    load_limits,
    said_by,
    twists_allowed,
)

__all__ = [
    "Count",
    "DecisionRule",
    "DensityBand",
    "Length",
    "LimitSet",
    "Series",
    "by_diameter",
    "density_band",
    "known_limits",
    "limits_toml",
    "load_limits",
    "said_by",
    "twists_allowed",
]
