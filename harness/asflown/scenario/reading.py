"""From a tree to a model: what scenario files and vehicle files have in common."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TypeVar, cast

from pydantic import BaseModel, ValidationError

from asflown.errors import FileProblem, FileProblems
from asflown.scenario.translate import in_file_order, translate
from asflown.scenario.yaml_tree import Mapping, Plain, plain
from asflown.units import FROM_FILE

AnyModel = TypeVar("AnyModel", bound=BaseModel)


def plain_mapping(root: Mapping) -> dict[str, Plain]:
    """The whole file as plain data."""
    return cast("dict[str, Plain]", plain(root))


def validated(
    model: type[AnyModel], data: dict[str, Plain], root: Mapping, already: Sequence[FileProblem] = ()
) -> AnyModel:
    """`data`, the plain form of `root`, as `model`.

    Raises FileProblem, or FileProblems when there are several; those found `already` are among them.
    """
    try:
        # By way of JSON: there a list is a tuple, and nothing else passes for what it is not.
        read = model.model_validate_json(
            json.dumps(data), strict=True, context=FROM_FILE, by_alias=True, by_name=False
        )
    except ValidationError as error:
        raise gathered(in_file_order([*already, *translate(error, root, model)])) from error
    if already:
        raise gathered(in_file_order(already))
    return read


def gathered(problems: Sequence[FileProblem]) -> FileProblem:
    """One error for all `problems`, of which there is at least one."""
    return problems[0] if len(problems) == 1 else FileProblems(tuple(problems))
