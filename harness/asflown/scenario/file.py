"""Reads scenario files: YAML, other files they extend, the model, and what must hold beyond its form.

Every mistake of the user is a FileProblem with its place; several in one file come together as FileProblems.
Paths in a scenario are relative to the folder of the file that is loaded, also where an extended file in another
folder wrote them; `extends` itself is relative to the file it stands in.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from asflown import files
from asflown.errors import FileProblem, Position, UsageError
from asflown.scenario.checks import Subject, check
from asflown.scenario.given import put
from asflown.scenario.limits import convert_limits
from asflown.scenario.model import Scenario
from asflown.scenario.places import Key, find, nearest
from asflown.scenario.reading import gathered, plain_mapping, validated
from asflown.scenario.yaml_tree import Mapping, Node, Scalar, read_tree

SUFFIX = ".scenario.yaml"
LONGEST_CHAIN = 10


@dataclass(frozen=True, slots=True)
class LoadedScenario:
    """A scenario and where it came from."""

    scenario: Scenario
    file: Path
    """As it was given."""
    folder: Path
    """Absolute; relative paths in the scenario start here, and the script runs here."""
    chain: tuple[Path, ...]
    """The file, the one it extends, the one that extends, and so on."""
    _root: Mapping = field(repr=False)

    @property
    def tree(self) -> Mapping:
        """What the files say together, with places."""
        return self._root

    def position(self, *keys: Key) -> Position:
        """Where the value at a path of keys stands, or the nearest thing that the files have."""
        return find(self._root, keys).where

    def node(self, *keys: Key) -> Node | None:
        """What stands at a path of keys, with its place in the file it stands in; None where there is nothing."""
        return find(self._root, keys).node


def load_scenario(file: Path) -> LoadedScenario:
    """Reads and checks one scenario file.

    Raises UsageError when there is no such file, and FileProblem (FileProblems for several) for what is in it.
    """
    if not files.is_file(file):
        raise _no_such(file)
    root, chain = _read_chain(file, ())
    return _made(root, file, chain)


def with_given(loaded: LoadedScenario, given: dict[str, str]) -> LoadedScenario:
    """The scenario with other values: `{"conditions.wind.speed": "3.2 m/s"}`, each as a file would write it.

    A number in a path counts the entries of a list, from 0. Raises FileProblem as `load_scenario` does.
    """
    root = loaded.tree
    for path, text in given.items():
        root = put(root, tuple(path.split(".")), text)
    return _made(root, loaded.file, loaded.chain)


def _made(root: Mapping, file: Path, chain: tuple[Path, ...]) -> LoadedScenario:
    data = plain_mapping(root)
    scenario = validated(Scenario, data, root, convert_limits(data, root))
    folder = file.resolve().parent
    problems = check(Subject(scenario, root, folder))
    if problems:
        raise gathered(problems)
    return LoadedScenario(scenario, file, folder, chain, root)


def find_scenarios(paths: Iterable[Path]) -> list[Path]:
    """The scenario files that `paths` stand for, each once: files as they are, folders searched to any depth.

    Files of one folder are sorted; hidden folders are passed over. Raises UsageError for a path that does not
    exist and for a folder without scenarios.
    """
    return find_files(paths, (SUFFIX,))


def find_files(paths: Iterable[Path], suffixes: tuple[str, ...]) -> list[Path]:
    """As `find_scenarios`, for files in folders whose names end in one of `suffixes`."""
    found: dict[Path, Path] = {}
    for path in paths:
        if not (files.is_file(path) or files.is_folder(path)):
            raise _no_such(path)
        below = sorted(_below(path, suffixes)) if files.is_folder(path) else [path]
        if not below:
            raise UsageError(f"nothing to read below {path}", f"File names end in {' or '.join(suffixes)}")
        for file in below:
            found.setdefault(Path(os.path.realpath(file)), file)
    return list(found.values())


def _below(folder: Path, suffixes: tuple[str, ...]) -> Iterator[Path]:
    for parent, folders, names in os.walk(folder):
        folders[:] = [below for below in folders if not below.startswith(".")]
        yield from (Path(parent, name) for name in names if name.endswith(suffixes))


def _no_such(path: Path) -> UsageError:
    near = nearest(path.name, _names_beside(path))
    hint = f"Did you mean {path.parent / near}?" if near else "Check the path"
    return UsageError(f"there is no file or folder {path}", hint)


def _names_beside(path: Path) -> set[str]:
    return set(files.names_in(path.parent))


def _read_chain(file: Path, above: tuple[Path, ...]) -> tuple[Mapping, tuple[Path, ...]]:
    root = read_tree(file)
    chain = (*above, file)
    extends = root.entries.pop("extends", None)
    root.key_positions.pop("extends", None)
    if extends is None:
        return root, chain
    base_file = _extended(extends, chain)
    base, whole_chain = _read_chain(base_file, chain)
    return _merged(base, root), whole_chain


def _extended(node: Node, chain: tuple[Path, ...]) -> Path:
    if not isinstance(node, Scalar) or not isinstance(node.value, str):
        raise FileProblem(
            node.where, "`extends` must name one file", "Write it like `extends: base.scenario.yaml`"
        )
    base = chain[-1].parent / node.value
    if not files.is_file(base):
        others = {name for name in _names_beside(base) if name.endswith(".yaml")} - {chain[-1].name}
        near = nearest(base.name, others)
        hint = f"Did you mean `{near}`?" if near else "The path is relative to the file it stands in"
        raise FileProblem(node.where, f"there is no file `{node.value}` to extend", hint)
    if base.resolve() in {file.resolve() for file in chain}:
        circle = " extends ".join(str(file) for file in (*chain, base))
        raise FileProblem(node.where, f"this goes round in a circle: {circle}", "Take one `extends` out")
    if len(chain) >= LONGEST_CHAIN:
        raise FileProblem(
            node.where, f"more than {LONGEST_CHAIN} files extend each other", "Shorten the chain"
        )
    return base


def _merged(base: Mapping, over: Mapping) -> Mapping:
    """`over` laid on `base`: mappings merge key by key, everything else is replaced."""
    entries, positions = dict(base.entries), base.key_positions | over.key_positions
    for key, node in over.entries.items():
        below = base.entries.get(key)
        if isinstance(below, Mapping) and isinstance(node, Mapping):
            entries[key] = _merged(below, node)
        else:
            entries[key] = node
    return Mapping(over.where, entries, positions)
