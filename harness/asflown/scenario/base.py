"""What all models of files share: how strict they are, and how names and commands are written."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class Model(BaseModel):
    """Base of every model: frozen, strict about keys, filled by alias (file) or by name (code)."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_by_name=True, validate_by_alias=True)


Name = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9][a-z0-9-]*$",
        max_length=60,
        description="small letters, digits and hyphens, such as `nest-boxes`",
    ),
]


Command = Annotated[tuple[str, ...], Field(min_length=1)]
"""A program and its arguments."""
