"""JSON Schemas of the two kinds of file, for editors and other programs.

They describe the form of a file as it is written: quantities are text with a pattern, keys are those of the file.
What the form cannot say (a script exists, units belong together) only `asflown check` tells.
"""

from __future__ import annotations

from typing import Any, Literal

from asflown.scenario.base import Model
from asflown.scenario.meanings import key_of, meaning, models_below
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.model import Scenario, VehicleFile
from asflown.units import json_pattern

FileKind = Literal["scenario", "vehicle"]
DIALECT = "https://json-schema.org/draft/2020-12/schema"

_NUMBER_KEYS = ("gt", "ge", "lt", "le", "minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum")


def json_schema(kind: FileKind) -> dict[str, Any]:
    """The schema of a scenario file or of a vehicle file, as plain data."""
    model = Scenario if kind == "scenario" else VehicleFile
    described = _described(model.model_json_schema(by_alias=True), model)
    schema: dict[str, Any] = {"$schema": DIALECT, **_cleaned(described)}
    if kind == "scenario":
        schema["properties"]["extends"] = {
            "type": "string",
            "description": "another file that this one is laid on",
        }
        del schema["required"]  # what is missing may stand in the extended file
        schema["anyOf"] = [{"required": ["extends"]}, {"required": ["asflown", "name", "script", "expect"]}]
        _limits_by_measure(schema)
    return schema


def _described(schema: dict[str, Any], model: type[Model]) -> dict[str, Any]:
    """With what each key means, which editors show beside it."""
    for name, below in models_below(model).items():
        properties = (schema if below is model else schema["$defs"][name])["properties"]
        for field in below.model_fields:
            if text := meaning(below, field):
                properties[key_of(below, field)].setdefault("description", text)
    return schema


def _cleaned(part: Any) -> Any:
    """Defaults are in SI, which a file may not write; bounds of numbers mean nothing for text."""
    if isinstance(part, list):
        return [_cleaned(entry) for entry in part]
    if not isinstance(part, dict):
        return part
    drop = {"default", "title"} | (set(_NUMBER_KEYS) if part.get("type") == "string" else set())
    if "properties" in part:
        properties = {key: _cleaned(entry) for key, entry in part["properties"].items()}
        return {
            **{k: _cleaned(v) for k, v in part.items() if k not in drop | {"properties"}},
            "properties": properties,
        }
    return {key: _cleaned(entry) for key, entry in part.items() if key not in drop}


def _limits_by_measure(schema: dict[str, Any]) -> None:
    """Each measure has limits in its own units, and there are no other measures."""
    definitions = schema["$defs"]
    del definitions["Limit"]
    measures = definitions["Expect"]["properties"]["measures"]
    definitions["Expect"]["properties"]["measures"] = {
        "type": "object",
        "description": measures["description"],
        "additionalProperties": _own_limit(),
        "properties": {name: _limit(name) for name in MEASURES},
    }


def _own_limit() -> dict[str, Any]:
    """The limits of a measure worded by a formula, which alone says what kind of quantity it is."""
    limit = _limits_in({"type": "string"}, "a measure of one's own")
    formula = {"type": "string", "examples": ["p95(abs(climb_rate)) at leg 3"]}
    return {**limit, "properties": {"formula": formula, **limit["properties"]}, "required": ["formula"]}


def _limit(name: str) -> dict[str, Any]:
    measure = MEASURES[name]
    quantity = {
        "type": "string",
        "pattern": json_pattern(measure.dimension),
        "examples": [measure.dimension.example],
    }
    return _limits_in(quantity, measure.describes)


def _limits_in(quantity: dict[str, Any], describes: str) -> dict[str, Any]:
    ends = {"type": "array", "prefixItems": [quantity, quantity], "minItems": 2, "maxItems": 2}
    return {
        "type": "object",
        "description": describes,
        "additionalProperties": False,
        "properties": {"at_most": quantity, "at_least": quantity, "between": ends, "scale": quantity},
        "oneOf": [{"required": ["at_most"]}, {"required": ["at_least"]}, {"required": ["between"]}],
    }
