"""What `asflown bisect` searches: vehicles or releases in order, container tags, revisions of a script, parameters.

A candidate is made when it is flown, and not before. Files that are made for it lie in the search's own folder.
"""

from __future__ import annotations

import io
import subprocess
import tarfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from asflown.change.delta import changes_of
from asflown.errors import UsageError
from asflown.record.folder import read_manifest
from asflown.scenario.file import LoadedScenario, load_scenario
from asflown.scenario.model import Parameters, VehicleFile
from asflown.scenario.parameter_file import read_parameters, write_parameters
from asflown.scenario.vehicle_file import load_vehicle


@dataclass(frozen=True, slots=True)
class Candidate:
    """A scenario on a vehicle, ready to be flown."""

    loaded: LoadedScenario
    vehicle: VehicleFile
    vehicle_asked: str | None


class Candidates(Protocol):
    """Things to search, by name."""

    @property
    def names(self) -> tuple[str, ...]:
        """In order, the good one first; for parameters, the changes."""

    def make(self, name: str) -> Candidate:
        """The candidate of this name. Raises UsageError."""


@dataclass(frozen=True, slots=True)
class Vehicles:
    """Vehicles in order: releases of a built-in one, or vehicle files."""

    loaded: LoadedScenario
    names: tuple[str, ...]

    def make(self, name: str) -> Candidate:
        """The scenario on the vehicle of this name."""
        return Candidate(self.loaded, load_vehicle(name), name)


@dataclass(frozen=True, slots=True)
class Tags:
    """Tags of the image of a container's vehicle file."""

    loaded: LoadedScenario
    vehicle: VehicleFile
    names: tuple[str, ...]

    def make(self, name: str) -> Candidate:
        """The scenario on the vehicle with this tag. Raises UsageError for a vehicle without an image."""
        container = self.vehicle.container
        if container is None or container.image is None:
            raise UsageError(
                f"{self.vehicle.name} names no image", "Tags belong to an image: `container: {image: ...}`"
            )
        image = f"{_without_tag(container.image)}:{name}"
        tagged = self.vehicle.model_copy(
            update={"container": container.model_copy(update={"image": image}), "release": name}
        )
        return Candidate(self.loaded, tagged, None)


def _without_tag(image: str) -> str:
    """An image's name without tag and digest; a port of a registry is no tag."""
    bare = image.partition("@")[0]
    head, colon, tag = bare.rpartition(":")
    return head if colon and "/" not in tag else bare


@dataclass(frozen=True, slots=True)
class Revisions:
    """Revisions of the script's folder, each with the scenario as it is today."""

    loaded: LoadedScenario
    vehicle: VehicleFile
    vehicle_asked: str | None
    names: tuple[str, ...]
    work: Path

    def make(self, name: str) -> Candidate:
        """The script as it was at a revision. Raises UsageError where git does not have it."""
        folder = self.work / name
        if not folder.is_dir():
            archive = _git(self.loaded.folder, "archive", "--format=tar", name, ".")
            part = folder.with_name(f".{name}.part")
            part.mkdir(parents=True, exist_ok=True)
            with tarfile.open(fileobj=io.BytesIO(archive)) as tar:
                try:
                    tar.extractall(part, filter="data")
                except tarfile.FilterError as error:
                    raise UsageError(
                        f"revision {name} cannot be flown: {error}", "Put a file there in place of the link"
                    ) from error
            for file in self.loaded.chain:
                (part / file.name).write_bytes(file.read_bytes())
            part.rename(folder)
        return Candidate(load_scenario(folder / self.loaded.file.name), self.vehicle, self.vehicle_asked)


def revisions_between(loaded: LoadedScenario, good: str, bad: str) -> tuple[str, ...]:
    """From `good` to `bad`, those in between that changed the script's folder, short names.

    Raises UsageError where git does not know them, `good` is no ancestor, or the scenario extends a file elsewhere.
    """
    for file in loaded.chain:
        if file.resolve().parent != loaded.folder.resolve():
            raise UsageError(
                f"{loaded.file} extends {file}, which is in another folder", "Revisions need all in one"
            )
    span = f"{good}..{bad}"
    listed = _git(loaded.folder, "rev-list", "--reverse", "--first-parent", span, "--", ".").decode().split()
    first = _git(loaded.folder, "rev-parse", "--verify", f"{good}^{{commit}}").decode().strip()
    if not listed:
        raise UsageError(
            f"nothing in {loaded.folder} changed in {span}", "Name an older and a newer revision"
        )
    return tuple(one[:12] for one in (first, *listed))


def _git(folder: Path, *arguments: str) -> bytes:
    try:
        return subprocess.run(
            ["git", *arguments], cwd=folder, capture_output=True, timeout=60, check=True
        ).stdout
    except subprocess.CalledProcessError as error:
        said = error.stderr.decode(errors="replace").strip().splitlines()
        raise UsageError(
            f"git {arguments[0]}: {said[0] if said else 'failed'}", "Name revisions it has"
        ) from error
    except (OSError, subprocess.SubprocessError) as error:
        raise UsageError(f"git cannot be run ({error})", "Install it, or bisect something else") from error


@dataclass(frozen=True, slots=True)
class ParameterChanges:
    """Parameters that differ between two files; a candidate has some of the changes, and is good without any."""

    loaded: LoadedScenario
    vehicle: VehicleFile
    good: dict[str, float]
    bad: dict[str, float]
    work: Path

    @property
    def names(self) -> tuple[str, ...]:
        """The parameters that differ, by name."""
        both = sorted({*self.good, *self.bad})
        return tuple(name for name in both if self.good.get(name) != self.bad.get(name))

    def make(self, name: str) -> Candidate:
        """The vehicle powered up with the good parameters, but for the changes that the name lists."""
        changed = set(changes_of(name))
        values = {one: value for one, value in self.good.items() if one not in changed}
        values |= {one: value for one, value in self.bad.items() if one in changed}
        self.work.mkdir(parents=True, exist_ok=True)
        file = self.work / "candidate.params.csv"
        write_parameters(file, dict(sorted(values.items())))
        start = Parameters(expect=self.vehicle.parameters.expect, start=str(file.resolve()))
        return Candidate(self.loaded, self.vehicle.model_copy(update={"parameters": start}), None)


def parameters_in(place: Path) -> dict[str, float]:
    """The parameters in a file of `name,value`, or those with which the flight in a folder was flown.

    Raises UsageError where there are none, FileProblem for a line that is wrong.
    """
    if not place.is_dir():
        return read_parameters(place)
    found = read_manifest(place).vehicle.parameters
    if not found:
        raise UsageError(
            f"nobody has read the parameters of the flight in {place}", "Name a file of name,value"
        )
    return found


def parameter_changes(
    loaded: LoadedScenario, vehicle: VehicleFile, files: Sequence[Path], work: Path
) -> ParameterChanges:
    """What differs between a good and a bad parameter file. Raises UsageError for a vehicle that is not built in.

    Nothing is ever written to a real vehicle: a built-in one powers up with the values.
    """
    if vehicle.kind != "built-in":
        raise UsageError(
            f"{vehicle.name} is of kind {vehicle.kind}, and asflown writes no parameters to it",
            "Parameters are searched on a built-in vehicle; for others bisect vehicle files with --vehicles",
        )
    good, bad = (parameters_in(file) for file in files)
    found = ParameterChanges(loaded, vehicle, good, bad, work)
    if not found.names:
        raise UsageError(f"{files[0]} and {files[1]} do not differ", "Name a good and a bad parameter file")
    return found
