"""Writes a failure that was found as a scenario of its own, ready to be kept as a regression test."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import yaml

from asflown.campaign.search import Try
from asflown.report import atomic
from asflown.scenario.file import LoadedScenario
from asflown.scenario.given import put
from asflown.scenario.yaml_tree import Mapping, Node, Sequence, plain


def write_regression(loaded: LoadedScenario, one: Try, file: Path) -> Path:
    """A scenario file that extends the searched one and fails the same way. Raises FolderProblem."""
    base = os.path.relpath(loaded.file.resolve(), file.resolve().parent)
    tree: dict[str, Any] = {"extends": base, "name": file.name.removesuffix(".scenario.yaml")}
    root = loaded.tree
    for path, text in one.given.items():
        root = put(root, tuple(path.split(".")), text)
    for path in one.given:
        _take_over(root, path.split("."), tree)
    tree["repeat"] = {"flights": 1, "seeds": [one.outcome.seed]}
    head = f"# Found by asflown search: {one.outcome.reason}\n".replace("\r", " ").replace("\n", " ").strip()
    atomic.write_text(file, f"{head}\n{yaml.safe_dump(tree, sort_keys=False, allow_unicode=True)}")
    return file


def _take_over(node: Node, path: list[str], tree: dict[str, Any]) -> None:
    """Puts into `tree` what stands in `node` at a path; a list whole, because no file extends a part of one."""
    for key in path[:-1]:
        assert isinstance(node, Mapping)
        node = node.entries[key]
        if isinstance(node, Sequence):
            tree[key] = plain(node)
            return
        tree = tree.setdefault(key, {})
    assert isinstance(node, Mapping)
    tree[path[-1]] = plain(node.entries[path[-1]])
