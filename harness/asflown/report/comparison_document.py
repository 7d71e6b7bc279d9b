"""A comparison as JSON, for programs: SI throughout, keys in a fixed order, with the version of its schema.

A number that JSON has no spelling for is written as null.
"""

from __future__ import annotations

import dataclasses
import json
import math
from enum import Enum
from pathlib import Path
from typing import Any

import asflown
from asflown.change.findings import SCHEMA_VERSION, Comparison
from asflown.change.stand_in import StandIn
from asflown.report import atomic


def write_json(path: Path, found: Comparison) -> None:
    """Replaces the document at `path`. Raises FolderProblem when it cannot be written."""
    atomic.write_text(path, json.dumps(document(found), indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def document(found: Comparison) -> dict[str, Any]:
    """The document as plain data; a cause is written by its name in small letters and in words."""
    body = plain(dataclasses.asdict(found))
    version = body.pop("schema_version")
    return {
        "schema_version": version,
        "asflown": asflown.__version__,
        "exit_code": int(found.exit_code),
        **body,
    }


def write_stand_in_json(path: Path, found: StandIn) -> None:
    """Replaces the document at `path` with a stand-in report. Raises FolderProblem when it cannot be written."""
    body = plain({field.name: getattr(found, field.name) for field in dataclasses.fields(found)})
    body["comparison"] = document(found.comparison)
    body["explanations"] = [plain(dataclasses.asdict(one)) for one in found.explanations]
    whole = {
        "schema_version": SCHEMA_VERSION,
        "asflown": asflown.__version__,
        "exit_code": int(found.exit_code),
    }
    atomic.write_text(path, json.dumps(whole | body, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def plain(value: Any) -> Any:
    """`value` in what JSON has."""
    if isinstance(value, Enum):
        return {"name": value.name.lower(), "says": value.value}
    if isinstance(value, dict):
        return {key: plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [plain(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
