"""What a container's part of a vehicle file must hold beyond its form, and its paths made whole."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from asflown import files
from asflown.errors import FileProblem
from asflown.scenario.model import VehicleFile
from asflown.scenario.places import Key, find, nearest
from asflown.scenario.vehicle_parts import Container
from asflown.scenario.yaml_tree import Mapping

FILLED_IN = (
    "seed",
    "latitude",
    "longitude",
    "altitude",
    "heading",
    "battery",
    "wind_speed",
    "wind_from",
    "turbulence",
)
"""What `{...}` in a container's command and environment may name: degrees, metres, metres a second, a share."""
_NAME_OF_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_PLACEHOLDER = re.compile(r"\{([a-z_]*)\}")


def container_problems(vehicle: VehicleFile, root: Mapping) -> Iterator[FileProblem]:
    """Everything that is wrong with the part `container` of a file read as `vehicle`; nothing where there is none."""
    container = vehicle.container
    if container is None:
        return
    yield from _source(container, root)
    yield from _port(container, root)
    yield from _variables(container, root)
    yield from _volumes(container, root)
    yield from _placeholders(container, root)


def with_whole_paths(container: Container, folder: Path) -> Container:
    """`container` with its paths made absolute; they are relative to `folder`."""
    volumes = tuple(
        volume.model_copy(update={"from_": str((folder / volume.from_).resolve())})
        for volume in container.volumes
    )
    build = None if container.build is None else str((folder / container.build).resolve())
    return container.model_copy(update={"volumes": volumes, "build": build})


def _source(container: Container, root: Mapping) -> Iterator[FileProblem]:
    place = find(root, ("container",))
    if (container.image is None) == (container.build is None):
        problem = "neither `image` nor `build`" if container.image is None else "both `image` and `build`"
        yield FileProblem(place.key_where, f"the container has {problem}", "Give exactly one of the two")
    if container.build is None:
        return
    folder = root.where.file.parent / container.build
    place = find(root, ("container", "build"))
    if not files.is_folder(folder):
        yield FileProblem(place.where, f"there is no folder `{container.build}`", _beside(folder))
    elif not files.is_file(folder / "Dockerfile"):
        yield FileProblem(
            place.where, f"`{container.build}` has no Dockerfile", "Name the folder that has one"
        )


def _port(container: Container, root: Mapping) -> Iterator[FileProblem]:
    if int(container.port.partition("/")[0]) > 65_535:
        place = find(root, ("container", "port"))
        yield FileProblem(place.where, f"`{place.shown()}` is no port", "Ports go from 1 to 65535")


def _variables(container: Container, root: Mapping) -> Iterator[FileProblem]:
    for name in container.environment:
        if _NAME_OF_VARIABLE.fullmatch(name) is None:
            place = find(root, ("container", "environment", name))
            words = f"`{name}` cannot be the name of an environment variable"
            yield FileProblem(place.key_where, words, "Use letters, digits and underscores")


def _volumes(container: Container, root: Mapping) -> Iterator[FileProblem]:
    for number, volume in enumerate(container.volumes):
        path = root.where.file.parent / volume.from_
        if not (files.is_file(path) or files.is_folder(path)):
            place = find(root, ("container", "volumes", number, "from"))
            yield FileProblem(place.where, f"there is no `{volume.from_}`", _beside(path))
        if volume.to in container.writes:
            place = find(root, ("container", "volumes", number, "to"))
            words = f"`{volume.to}` is a volume and among `writes`"
            yield FileProblem(place.where, words, "Volumes are read-only: take one of the two away")


def _placeholders(container: Container, root: Mapping) -> Iterator[FileProblem]:
    texts: list[tuple[tuple[Key, Key], str]] = [
        *((("command", number), word) for number, word in enumerate(container.command)),
        *((("environment", name), value) for name, value in container.environment.items()),
    ]
    for keys, text in texts:
        for word in _PLACEHOLDER.findall(text):
            if word not in FILLED_IN:
                near = nearest(word, list(FILLED_IN))
                hint = f"Did you mean `{{{near}}}`?" if near else f"There are {', '.join(FILLED_IN)}"
                place = find(root, ("container", *keys))
                yield FileProblem(place.where, f"nothing is filled in for `{{{word}}}`", hint)


def _beside(path: Path) -> str:
    near = nearest(path.name, files.names_in(path.parent))
    return f"Did you mean `{near}`?" if near else "The path is relative to the vehicle file"
