"""Writes a failure that was found as a scenario of its own, ready to be kept as a regression test."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import yaml

from asflown.campaign.search import Try
from asflown.report import atomic
from asflown.scenario.file import LoadedScenario
from asflown.scenario.yaml_tree import scalar_value


def write_regression(loaded: LoadedScenario, one: Try, file: Path) -> Path:
    """A scenario file that extends the searched one and fails the same way. Raises FolderProblem."""
    base = os.path.relpath(loaded.file.resolve(), file.resolve().parent)
    tree: dict[str, Any] = {"extends": base, "name": file.name.removesuffix(".scenario.yaml")}
    for path, text in one.given.items():
        place = tree
        *above, last = path.split(".")
        for key in above:
            place = place.setdefault(key, {})
        place[last] = scalar_value(text)
    tree["repeat"] = {"flights": 1, "seeds": [one.outcome.seed]}
    head = f"# Found by asflown search: {one.outcome.reason}\n".replace("\r", " ").replace("\n", " ").strip()
    atomic.write_text(file, f"{head}\n{yaml.safe_dump(tree, sort_keys=False, allow_unicode=True)}")
    return file
