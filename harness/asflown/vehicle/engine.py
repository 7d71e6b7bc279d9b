"""The container engine: images found or built, containers started and always removed, in words of our own.

Only the engine of this machine is spoken to, over its UNIX socket, and nothing is fetched from a registry. What
is made carries labels that tell whose it is, so that what a killed run left behind can be found and removed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import docker
import docker.errors
import requests
from docker.models.containers import Container
from docker.models.images import Image
from docker.models.networks import Network

from asflown.errors import VehicleProblem

SOCKET = "unix:///var/run/docker.sock"
ANSWER_WITHIN_S = 20.0
LABEL = "asflown"
OWNER_LABEL = "asflown.owner"
ENGINE_ERRORS = (
    docker.errors.DockerException,
    docker.errors.StreamParseError,
    requests.exceptions.RequestException,
    OSError,
)
"""Whatever the engine's package raises: all of it is translated here."""


class Engine:
    """A connection to the engine of this machine."""

    def __init__(self) -> None:
        """Raises VehicleProblem when no engine answers."""
        place = os.environ.get("DOCKER_HOST") or SOCKET
        if not place.startswith("unix://"):
            raise VehicleProblem(
                f"DOCKER_HOST is {place}, and containers are flown on the engine of this machine alone",
                "Unset it, or name the engine's socket: unix:///var/run/docker.sock",
            )
        self._place = place
        if not Path(place.removeprefix("unix://")).exists():
            raise self._no_engine("the container engine cannot be used", FileNotFoundError(place))
        with self.translated("the container engine cannot be used"):
            self.client = docker.DockerClient(base_url=place, timeout=int(ANSWER_WITHIN_S))
            try:
                self.client.ping()
            except BaseException:
                self.client.close()
                raise

    @contextmanager
    def translated(self, doing: str) -> Iterator[None]:
        """Turns whatever the engine's package raises into VehicleProblem: `doing` is what went wrong."""
        try:
            yield
        except docker.errors.APIError as error:
            said = str(error.explanation or error).strip().splitlines()[-1]
            raise VehicleProblem(f"{doing}: {said}", _remedy(said)) from error
        except ENGINE_ERRORS as error:
            raise self._no_engine(doing, error) from error

    def _no_engine(self, doing: str, error: BaseException) -> VehicleProblem:
        path = Path(self._place.removeprefix("unix://"))
        if not path.exists():
            return VehicleProblem(
                f"{doing}: there is no {path}",
                "Install the engine (docker.io on Debian) and start it: dockerd",
            )
        if not os.access(path, os.R_OK | os.W_OK):
            return VehicleProblem(f"{doing}: this user may not use {path}", "Join the group that owns it")
        if isinstance(error, requests.exceptions.Timeout):
            return VehicleProblem(
                f"{doing}: no answer within {ANSWER_WITHIN_S:g} s", "Look at the engine's log"
            )
        return VehicleProblem(f"{doing}: nobody answers at {path}", "Start the engine: dockerd")

    def image(self, name: str) -> Image:
        """The image of this name or digest. Raises VehicleProblem when the engine does not have it."""
        with self.translated(f"image {name} cannot be looked at"):
            try:
                return self.client.images.get(name)
            except docker.errors.ImageNotFound:
                has = sorted(tag for image in self.client.images.list() for tag in image.tags)
        known = f"It has {', '.join(has[:8])}" if has else "It has none at all"
        raise VehicleProblem(
            f"the container engine has no image {name}", f"{known}. Build it, or load it: docker load"
        )

    def build(self, folder: Path) -> Image:
        """The image that the Dockerfile in `folder` makes, without any network. Raises VehicleProblem."""
        for base in _bases(folder / "Dockerfile"):
            self.image(base)  # else the engine would ask a registry for it
        with self.translated(f"the image in {folder} cannot be built"):
            try:
                image, _ = self.client.images.build(
                    path=str(folder),
                    rm=True,
                    forcerm=True,
                    pull=False,
                    network_mode="none",
                    labels={LABEL: "1"},
                )
            except docker.errors.BuildError as error:
                said = [str(line.get("stream", "")).rstrip() for line in error.build_log]
                last = " / ".join([line for line in said if line.strip()][-3:])
                raise VehicleProblem(
                    f"the image in {folder} cannot be built: {error.msg}", f"Its last words: {last}"
                ) from error
        return image

    def sweep(self) -> list[str]:
        """Removes containers and networks whose makers are gone; their names. Raises VehicleProblem."""
        with self.translated("leftovers of earlier flights cannot be removed"):
            filters: dict[str, str | list[str] | bool] = {"label": LABEL}
            found: list[Any] = [
                *self.client.containers.list(all=True, filters=filters, ignore_removed=True),
                *self.client.networks.list(filters=filters),
            ]
            left = [thing for thing in found if _is_orphan(_labels_of(thing))]
            for thing in left:
                self._remove(thing)
        return [str(thing.name) for thing in left]

    def _remove(self, thing: Container | Network) -> None:
        try:
            if isinstance(thing, Container):
                thing.remove(force=True, v=True)
            else:
                for container in thing.attrs.get("Containers") or {}:
                    thing.disconnect(container, force=True)
                thing.remove()
        except docker.errors.NotFound:
            return  # another flight sweeps, too

    def answers(self) -> bool:
        """Whether the engine still is there."""
        try:
            return bool(self.client.ping())
        except ENGINE_ERRORS:
            return False

    def close(self) -> None:
        """Lets go of the connection."""
        self.client.close()


def labels(flight: str) -> dict[str, str]:
    """What is put on everything made for a flight of this process."""
    return {LABEL: flight, OWNER_LABEL: owner(os.getpid())}


def owner(process: int) -> str:
    """Names a process of this machine beyond doubt: boot, process space, number and start time."""
    boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    space = Path("/proc/self/ns/pid").readlink()
    return f"{boot} {space} {process} {_started(process)}"


def _started(process: int) -> str:
    """The start time of a process in ticks since boot; '' when there is none."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return stat.rpartition(")")[2].split()[19]


def _is_orphan(found: dict[str, str]) -> bool:
    """Whether the maker is a process of ours that has ended; of others nothing is known, so theirs stays."""
    said = found.get(OWNER_LABEL, "").split(" ")
    if len(said) != 4 or not said[2].isdecimal():
        return False
    boot, space, process, started = said
    own_boot, own_space, *_ = owner(os.getpid()).split(" ")
    if boot != own_boot:
        return True  # the machine was started anew since
    return space == own_space and _started(int(process)) != started


def _labels_of(thing: Container | Network) -> dict[str, str]:
    if isinstance(thing, Container):
        return dict(thing.labels)
    return dict(thing.attrs.get("Labels") or {})


def _bases(dockerfile: Path) -> list[str]:
    """The images that a Dockerfile builds on, but for its own stages."""
    bases: list[str] = []
    stages = {"scratch"}
    for line in dockerfile.read_text(encoding="utf-8", errors="replace").splitlines():
        words = [word for word in line.split() if not word.startswith("--")]
        if len(words) < 2 or words[0].upper() != "FROM":
            continue
        if words[1] not in stages and "$" not in words[1]:
            bases.append(words[1])
        if len(words) == 4 and words[2].upper() == "AS":
            stages.add(words[3])
    return bases


def _remedy(said: str) -> str:
    if "no space left" in said.lower():
        return "Free some of the engine's disk: docker system df tells what uses it"
    if "address pool" in said.lower():
        return "Remove networks that nobody uses: docker network prune"
    return "Look at the vehicle file and at the engine's log"
