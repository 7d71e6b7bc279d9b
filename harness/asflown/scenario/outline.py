"""What a model allows at a path of keys: names of keys, choices, descriptions. For messages alone.

It reads the model's JSON Schema, which knows everything in the words of the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

from pydantic import BaseModel

from asflown.scenario.places import Key


class Outline:
    """The outline of one model."""

    def __init__(self, model: type[BaseModel]) -> None:
        self._schema = _schema_of(model)

    def keys(self, path: Sequence[Key]) -> tuple[str, ...]:
        """The keys a mapping at `path` may have."""
        return tuple(dict.fromkeys(key for schema in self._at(path) for key in schema.get("properties", ())))

    def choices(self, path: Sequence[Key]) -> tuple[str, ...]:
        """The values allowed at `path`, where they are a closed list."""
        return tuple(str(value) for schema in self._at(path) for value in _choices(schema))

    def key_choices(self, path: Sequence[Key]) -> tuple[str, ...]:
        """The names that keys of the mapping at `path` are chosen from."""
        schemas = [self._resolved(schema.get("propertyNames", {})) for schema in self._at(path)]
        return tuple(str(value) for group in schemas for schema in group for value in _choices(schema))

    def length(self, path: Sequence[Key]) -> int:
        """How many entries the list at `path` must have, where that is fixed; otherwise 0."""
        return next((schema["maxItems"] for schema in self._at(path) if "maxItems" in schema), 0)

    def description(self, path: Sequence[Key]) -> str:
        """The first description of what stands at `path`, or ''."""
        return next((schema["description"] for schema in self._at(path) if "description" in schema), "")

    def _at(self, path: Sequence[Key]) -> list[dict[str, Any]]:
        schemas = list(self._resolved(self._schema))
        for key in path:
            below = [part for schema in schemas for part in _below(schema, key)]
            schemas = [found for part in below for found in self._resolved(part)] or schemas
        return schemas

    def _resolved(self, schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
        if "$ref" in schema:
            schema = self._schema["$defs"][schema["$ref"].rpartition("/")[2]] | {
                key: value for key, value in schema.items() if key != "$ref"
            }
        alternatives = schema.get("anyOf") or schema.get("oneOf")
        if not alternatives:
            yield schema
            return
        for alternative in alternatives:
            yield from self._resolved(alternative)


def _below(schema: dict[str, Any], key: Key) -> Iterator[dict[str, Any]]:
    if isinstance(key, int):
        prefix = schema.get("prefixItems", [])
        if key < len(prefix):
            yield prefix[key]
        elif isinstance(schema.get("items"), dict):
            yield schema["items"]
    elif key in schema.get("properties", {}):
        yield schema["properties"][key]
    elif isinstance(schema.get("additionalProperties"), dict):
        yield schema["additionalProperties"]


def _choices(schema: dict[str, Any]) -> list[Any]:
    return [schema["const"]] if "const" in schema else list(schema.get("enum", []))


@cache
def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)
