"""What each key of a file means, as its model says beneath the field: for the schema that editors read, and for pages.

Read from the source when it is asked for, so that reading a scenario costs nothing more.
"""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import get_args

from asflown.scenario.base import Model


def key_of(model: type[Model], field: str) -> str:
    """The key in the file that fills `field`."""
    alias = model.model_fields[field].validation_alias
    return alias if isinstance(alias, str) else field


def meaning(model: type[Model], field: str) -> str:
    """What `field` of `model` means, in one line; '' where the model does not say."""
    described = model.model_fields[field].description
    text = described or _beneath(inspect.getfile(model)).get((model.__name__, field), "")
    return " ".join(text.split())


@cache
def _beneath(file: str) -> dict[tuple[str, str], str]:
    """The texts that stand beneath annotated names in the classes of a module."""
    tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    found: dict[tuple[str, str], str] = {}
    for of in (node for node in tree.body if isinstance(node, ast.ClassDef)):
        for name, text in zip(of.body, of.body[1:], strict=False):
            if not (isinstance(name, ast.AnnAssign) and isinstance(name.target, ast.Name)):
                continue
            if (
                isinstance(text, ast.Expr)
                and isinstance(text.value, ast.Constant)
                and isinstance(text.value.value, str)
            ):
                found[of.name, name.target.id] = inspect.cleandoc(text.value.value)
    return found


def models_below(model: type[Model]) -> dict[str, type[Model]]:
    """`model` and every model that a file of its kind can have inside, by class name, outer ones first."""
    found = {model.__name__: model}
    for field in model.model_fields.values():
        for inner in _models_in(field.annotation):
            if inner.__name__ not in found:
                found |= models_below(inner)
    return found


def _models_in(annotation: object) -> Iterator[type[Model]]:
    if isinstance(annotation, type) and issubclass(annotation, Model):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)
