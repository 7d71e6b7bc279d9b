"""The part `container` of a vehicle file: what is read, and what does not belong together."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import FileProblem
from asflown.scenario.vehicle_file import read_vehicle
from asflown.scenario.vehicle_parts import Container

FILE = """\
asflown: 1
name: boxed
kind: container
container:
  image: boxed:1
  port: 14560/udp
  command: [fly, --seed, "{seed}"]
  environment: {HEADING: "{heading}"}
  volumes: [{from: world, to: /world}]
  writes: {/tmp: 16 MB}
  limits: {memory: 512 MB, cpus: 1.5, processes: 64}
  ready_within: 20 s
"""


def read(folder: Path, text: str) -> Container:
    """The container of a file with `text`, beside a folder `world`."""
    (folder / "world").mkdir()
    file = folder / "boxed.vehicle.yaml"
    file.write_text(text, encoding="utf-8")
    container = read_vehicle(file).container
    assert container is not None
    return container


def test_container_is_read_into_si(tmp_path: Path) -> None:
    """Sizes are bytes, times seconds, and paths whole."""
    container = read(tmp_path, FILE)
    assert (container.limits.memory_bytes, container.writes) == (512e6, {"/tmp": 16e6})
    assert (container.ready_within_s, container.reach) == (20.0, "address")
    assert container.volumes[0].from_ == str(tmp_path.resolve() / "world")


def test_build_folder_is_made_whole(tmp_path: Path) -> None:
    """A build context is relative to the vehicle file."""
    (tmp_path / "image").mkdir()
    (tmp_path / "image" / "Dockerfile").touch()
    container = read(tmp_path, FILE.replace("image: boxed:1", "build: image"))
    assert container.build == str(tmp_path.resolve() / "image")


WRONG = {
    "no image": ("  image: boxed:1\n", "", "4:1: the container has neither `image` nor `build`. "),
    "both": ("image: boxed:1", "image: boxed:1\n  build: world", "4:1: the container has both `image` and"),
    "no such folder": (
        "image: boxed:1",
        "build: wrld",
        "5:10: there is no folder `wrld`. Did you mean `world`?",
    ),
    "no Dockerfile": ("image: boxed:1", "build: world", "5:10: `world` has no Dockerfile. "),
    "port of another kind": ("14560/udp", "14560/sctp", "6:9: `port: 14560/sctp` "),
    "port out of range": (
        "14560/udp",
        "70000/udp",
        "6:9: `port: 70000/udp` is no port. Ports go from 1 to 65535",
    ),
    "unknown filling": (
        '"{seed}"',
        '"{sed}"',
        "7:26: nothing is filled in for `{sed}`. Did you mean `{seed}`?",
    ),
    "no variable": (
        "HEADING:",
        "HEAD-ING:",
        "8:17: `HEAD-ING` cannot be the name of an environment variable. ",
    ),
    "no such volume": ("from: world", "from: word", "9:20: there is no `word`. Did you mean `world`?"),
    "volume that is written": ("to: /world", "to: /tmp", "9:31: `/tmp` is a volume and among `writes`. "),
    "size without unit": ("512 MB", "512", "11:20: `memory: 512` has no unit. Write `512 MB`"),
    "link of another kind": (
        "container:\n",
        "link: udp://127.0.0.1:1\ncontainer:\n",
        "4:1: `link` does not belong",
    ),
}


@pytest.mark.parametrize(("old", "new", "message"), WRONG.values(), ids=WRONG.keys())
def test_mistake_is_told_with_its_place(tmp_path: Path, old: str, new: str, message: str) -> None:
    """The message of one mistake, from its place on."""
    assert old in FILE
    with pytest.raises(FileProblem) as refused:
        read(tmp_path, FILE.replace(old, new, 1))
    assert str(refused.value).startswith(f"{tmp_path / 'boxed.vehicle.yaml'}:{message}")


def test_container_is_missing(tmp_path: Path) -> None:
    """A vehicle of that kind says which image it is."""
    with pytest.raises(FileProblem, match="the key `container` is missing"):
        read(tmp_path, "asflown: 1\nname: boxed\nkind: container\n")
