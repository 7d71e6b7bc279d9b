"""The pages of scenario and vehicle files: every key, how its value is written, its default and what it means.

Made from the models that read the files and from their JSON Schema; a section for each part of a file.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from asflown.cli.pages.markdown import anchor, made_by, table
from asflown.scenario.base import Model
from asflown.scenario.meanings import key_of, meaning, models_below
from asflown.scenario.model import Scenario, VehicleFile
from asflown.scenario.schema import FileKind
from asflown.units import UNITS, Dimension, json_pattern

HEADS = ("key", "written as", "default", "what it means")
_DIMENSIONS = {json_pattern(dimension): dimension for dimension in Dimension}
_PLAIN = {"integer": "whole number", "number": "number", "boolean": "`true` or `false`"}
_EXTENDS = (
    "`extends`",
    "text",
    "–",
    "Another file that this one is laid on: what stands here replaces what stands there.",
)


def page(kind: FileKind) -> str:
    """The whole page of one kind of file."""
    model = Scenario if kind == "scenario" else VehicleFile
    schema = model.model_json_schema(by_alias=True)
    places = _places(schema, model.__name__)
    lines = [f"# {kind.capitalize()} files", "", made_by(f"{kind}-file"), "", *_opening(kind), ""]
    for name, below in models_below(model).items():
        part = schema if below is model else schema["$defs"][name]
        lines += [f"## {places[name]}", "", " ".join((below.__doc__ or "").split()), ""]
        rows = [_row(below, field, part, places) for field in below.model_fields]
        lines += table(HEADS, [_EXTENDS, *rows] if below is Scenario else rows)
        lines += [""]
    return "\n".join(lines).rstrip() + "\n"


def _opening(kind: FileKind) -> list[str]:
    return [
        f"`*.{kind}.yaml`. Numbers carry their units; an unknown key is an error. For an editor:",
        f"`asflown check --schema {kind}`. Units and signals: [signals and units](signals-and-units.md).",
    ]


def _places(schema: dict[str, Any], root: str) -> dict[str, str]:
    """Where each model first stands in a file, by its name: `conditions.wind.gusts[]`."""
    places = {root: "The file"}
    todo = [(root, schema, "")]
    while todo:
        _, part, prefix = todo.pop(0)
        for key, entry in part.get("properties", {}).items():
            for name, marks in _refs(entry):
                if name not in places:
                    places[name] = f"{prefix}{key}{marks}"
                    todo.append((name, schema["$defs"][name], f"{prefix}{key}{marks}."))
    doubled = [place for place in places.values() if list(places.values()).count(place) > 1]
    return {name: f"{place} ({name})" if place in doubled else place for name, place in places.items()}


def _refs(entry: Any, marks: str = "") -> Iterator[tuple[str, str]]:
    """The models an entry leads to, each with the marks of lists and names on the way."""
    if not isinstance(entry, dict):
        return
    if "$ref" in entry:
        yield entry["$ref"].rpartition("/")[2], marks
    for one in [*entry.get("anyOf", ()), *entry.get("oneOf", ()), *entry.get("prefixItems", ())]:
        yield from _refs(one, marks)
    yield from _refs(entry.get("items"), f"{marks}[]")
    yield from _refs(entry.get("additionalProperties"), f"{marks}.NAME")


def _row(
    model: type[Model], field: str, part: dict[str, Any], places: dict[str, str]
) -> tuple[str, str, str, str]:
    info, key = model.model_fields[field], key_of(model, field)
    entry = part["properties"][key]
    default = _default(info, entry, in_degrees=field.endswith("_deg"))
    measured = _dimension(entry) is not None
    example = default if measured and info.default else _written(entry, places)  # one within the bounds
    bounds = _bounds(info, entry, in_degrees=field.endswith("_deg"))
    return f"`{key}`", f"{example}{bounds}", default, meaning(model, field)


def _written(entry: dict[str, Any], places: dict[str, str]) -> str:
    """How a value looks in a file."""
    if "$ref" in entry:
        place = places[entry["$ref"].rpartition("/")[2]]
        return f"[keys](#{anchor(place)})"
    if "enum" in entry or "const" in entry:
        return " or ".join(f"`{value}`" for value in entry.get("enum", [entry.get("const")]))
    if several := entry.get("anyOf") or entry.get("oneOf"):
        words = dict.fromkeys(_written(one, places) for one in several if one.get("type") != "null")
        return " or ".join(words)
    if entry.get("type") in {"array", "object"}:
        return _gathered(entry, places)
    return f"`{entry['examples'][0]}`" if "examples" in entry else _PLAIN.get(entry.get("type", ""), "text")


def _gathered(entry: dict[str, Any], places: dict[str, str]) -> str:
    """Several values: a list, some in a fixed order, or names with values."""
    if entry["type"] == "object":
        inner = entry.get("additionalProperties")
        return (
            f"names, each with {_written(inner, places)}" if isinstance(inner, dict) else "names with values"
        )
    if fixed := entry.get("prefixItems"):
        return f"`[{', '.join(_written(one, places).strip('`') for one in fixed)}]`"
    return f"list of {_written(entry.get('items', {}), places).replace('list of', 'lists of')}"


def _dimension(entry: dict[str, Any]) -> Dimension | None:
    parts = [entry, *entry.get("anyOf", ())]
    return next((found for one in parts if (found := _DIMENSIONS.get(one.get("pattern", "")))), None)


def _bounds(info: FieldInfo, entry: dict[str, Any], *, in_degrees: bool) -> str:
    """`, more than 0 s, at most 60 s`."""
    words = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    said = [
        f"{word} {_shown(value, entry, in_degrees=in_degrees)}"
        for held in info.metadata
        for name, word in words.items()
        if (value := getattr(held, name, None)) is not None
    ]
    return "".join(f", {one}" for one in said)


def _default(info: FieldInfo, entry: dict[str, Any], *, in_degrees: bool) -> str:
    if info.is_required():
        return "needed"
    value = info.default
    if value is PydanticUndefined or value is None or isinstance(value, Model) or value in ((), ""):
        return "–"
    return f"`{_shown(value, entry, in_degrees=in_degrees)}`"


def _shown(value: Any, entry: dict[str, Any], *, in_degrees: bool) -> str:
    """A value of the model as a file has it."""
    dimension = _dimension(entry)
    if not isinstance(value, int | float) or dimension is None:
        return str(value)
    unit = UNITS[dimension.usual_unit]
    return f"{value if in_degrees else value / float(unit.to_si):.7g} {unit.symbol}"
