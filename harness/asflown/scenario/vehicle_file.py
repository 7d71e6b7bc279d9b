"""Reads vehicle files, and makes the files of the built-in vehicles that need none."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, get_args

from asflown import files, url
from asflown.errors import FileProblem, UsageError
from asflown.scenario.container_file import container_problems, with_whole_paths
from asflown.scenario.model import Parameters, VehicleFile
from asflown.scenario.parameter_file import read_parameters
from asflown.scenario.places import find, nearest
from asflown.scenario.reading import gathered, plain_mapping, validated
from asflown.scenario.translate import in_file_order
from asflown.scenario.vehicle_parts import Container
from asflown.scenario.yaml_tree import Mapping, read_tree

SUFFIX = ".vehicle.yaml"

BuiltIn = Literal["palm80", "field1400"]
BUILT_IN: tuple[BuiltIn, ...] = get_args(BuiltIn)

_KEYS_OF_KIND = {
    "airframe": ("built-in",),
    "craft": ("built-in",),
    "release": ("built-in",),
    "container": ("container",),
    "link": ("bench", "airframe"),
    "physics": ("bench",),
    "physics_link": ("bench",),
    "simulates": ("bench", "airframe"),
    "unattended": ("bench",),
    "interlock": ("bench",),
    "component": ("bench", "airframe"),
    "preflight": ("bench", "airframe"),
    "intervals": ("bench", "airframe"),
}
"""Keys that belong to some kinds of vehicle alone."""

_PARAMETER_FILES = ("expect", "start")


def load_vehicle(name_or_path: str, search: Path | None = None) -> VehicleFile:
    """The vehicle that a command line or a scenario names.

    `palm80` and `field1400` are built in, `palm80@r2` chooses a release. Anything else is a vehicle file: a path
    (relative to `search`, or to the working folder without it), or the name of a file in `search`, in its folder
    `vehicles` or in the `vehicles` beside it. Raises UsageError when there is none, FileProblem (FileProblems for
    several) for what is in it.
    """
    name, at, release = name_or_path.partition("@")
    for built_in in BUILT_IN:
        if name == built_in:
            return _built_in(built_in, release if at else "r1")
    folder = search or Path()
    for file in _candidates(name_or_path, folder):
        if files.is_file(file):
            return read_vehicle(file)
    raise _unknown(name_or_path, folder)


def read_vehicle(file: Path) -> VehicleFile:
    """The vehicle file at `file`; raises as `load_vehicle` does."""
    root = read_tree(file)
    vehicle = validated(VehicleFile, plain_mapping(root), root)
    looks = (_foreign_keys, _missing_keys, _links, _parameter_file, _message_names, container_problems)
    problems = in_file_order([problem for look in looks for problem in look(vehicle, root)])
    if problems:
        raise gathered(problems)
    return _with_whole_paths(vehicle, file.parent)


def _with_whole_paths(vehicle: VehicleFile, folder: Path) -> VehicleFile:
    found: dict[str, Parameters | Container] = {}
    named = {key: getattr(vehicle.parameters, key) for key in _PARAMETER_FILES}
    if any(named.values()):
        found["parameters"] = Parameters(
            **{key: str((folder / name).resolve()) for key, name in named.items() if name is not None}
        )
    if vehicle.container is not None:
        found["container"] = with_whole_paths(vehicle.container, folder)
    return vehicle.model_copy(update=found)


def known_vehicles(folder: Path) -> list[str]:
    """The names that `load_vehicle` would find from `folder`: the built-in ones first, then files, sorted."""
    return [*BUILT_IN, *sorted(_names_in(folder))]


def _built_in(airframe: BuiltIn, release: str) -> VehicleFile:
    if not release:
        raise UsageError(f"`{airframe}@` names no release", f"Write `{airframe}`, or `{airframe}@r1`")
    return VehicleFile(name=airframe, kind="built-in", airframe=airframe, release=release)


def _candidates(name: str, folder: Path) -> Iterator[Path]:
    if name.endswith((".yaml", ".yml")) or "/" in name:
        yield folder / name
        return
    yield from (place / f"{name}{SUFFIX}" for place in _places(folder))


def _places(folder: Path) -> tuple[Path, ...]:
    return folder, folder / "vehicles", folder.resolve().parent / "vehicles"


def _names_in(folder: Path) -> set[str]:
    return {
        file.name.removesuffix(SUFFIX)
        for place in _places(folder)
        if place.is_dir()
        for file in place.glob(f"*{SUFFIX}")
    }


def _unknown(name: str, folder: Path) -> UsageError:
    known = known_vehicles(folder)
    near = nearest(Path(name).name.removesuffix(SUFFIX), known)
    hint = f"Did you mean `{near}`?" if near else f"Vehicles found are {', '.join(known)}"
    return UsageError(f"there is no vehicle `{name}`", hint)


def _foreign_keys(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    for key, kinds in _KEYS_OF_KIND.items():
        if key in root.entries and vehicle.kind not in kinds:
            words = f"`{key}` does not belong to a vehicle of kind `{vehicle.kind}`"
            yield FileProblem(
                root.key_positions[key], words, f"It belongs to {' and '.join(kinds)}: take it out"
            )


def _missing_keys(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    if vehicle.kind == "built-in" and vehicle.airframe is None:
        yield FileProblem(root.where, "the key `airframe` is missing", f"Write one of {', '.join(BUILT_IN)}")
    if vehicle.kind in {"bench", "airframe"} and vehicle.link is None:
        yield FileProblem(
            root.where, "the key `link` is missing", "Say where the vehicle is: `link: serial://...`"
        )
    if vehicle.kind == "container" and vehicle.container is None:
        yield FileProblem(
            root.where,
            "the key `container` is missing",
            "Write `container: {image: NAME, port: 14560/udp}`",
        )
    if vehicle.kind == "bench" and vehicle.physics is None:
        yield FileProblem(
            root.where, "the key `physics` is missing", "Write `physics: simulated` or `physics: none`"
        )
    if vehicle.physics_link is not None and vehicle.physics != "simulated":
        place = find(root, ("physics_link",))
        yield FileProblem(
            place.key_where, "`physics_link` is for simulated physics", "Write `physics: simulated`"
        )


def _links(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    for key, written in (("link", vehicle.link), ("physics_link", vehicle.physics_link)):
        if written is None:
            continue
        try:
            url.parse(written)
        except UsageError as problem:
            yield FileProblem(find(root, (key,)).where, problem.problem, problem.remedy)


def _message_names(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    for name, interval_s in vehicle.intervals.items():
        place = find(root, ("intervals", name))
        if interval_s <= 0:
            yield FileProblem(place.where, f"`{place.shown()}` is no interval", "Write one such as `100 ms`")
        if re.fullmatch(r"[A-Z][A-Z0-9_]*", name) is None:
            words = f"`{name}` is no name of a message"
            yield FileProblem(place.key_where, words, "Write one such as `LOCAL_POSITION_NED`")


def _values_at_start(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    """What is wrong with the file of values that the vehicle powers up with."""
    start = vehicle.parameters.start
    file = root.where.file.parent / (start or "")
    if start is None or not files.is_file(file):
        return
    try:
        read_parameters(file)
    except FileProblem as problem:
        yield problem
    except UsageError as problem:
        yield FileProblem(find(root, ("parameters", "start")).where, problem.problem, problem.remedy)


def _parameter_file(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    for key in _PARAMETER_FILES:
        named = getattr(vehicle.parameters, key)
        if named is None or files.is_file(root.where.file.parent / named):
            continue
        near = nearest(Path(named).name, files.names_in(root.where.file.parent))
        hint = f"Did you mean `{near}`?" if near else "The path is relative to the vehicle file"
        yield FileProblem(find(root, ("parameters", key)).where, f"there is no file `{named}`", hint)
    yield from _values_at_start(vehicle, root)
    if vehicle.parameters.start is not None and vehicle.kind != "built-in":
        place = find(root, ("parameters", "start"))
        words = f"`start` does not belong to a vehicle of kind `{vehicle.kind}`"
        yield FileProblem(place.key_where, words, "Nobody writes its parameters; `expect` compares them")
