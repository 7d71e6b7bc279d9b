"""What the container engine's package raises, whose leftovers are whose, and what a container is allowed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import docker.errors
import pytest
import requests

from asflown.errors import VehicleProblem
from asflown.scenario.model import Conditions, Home, Start, Wind
from asflown.scenario.vehicle_parts import Container
from asflown.vehicle import container_setup, engine

IMAGE: Any = SimpleNamespace(attrs={"Config": {"Volumes": {"/data": {}, "/var/log": {}}}})
BOX = Container(image="x", port="14560/udp", writes={"/var/log": 2e6})


def test_every_error_of_the_package_is_known() -> None:
    """A class that a newer package brings and that is not translated fails here."""
    raised = [
        found
        for found in (*vars(docker.errors).values(), *vars(requests.exceptions).values())
        if isinstance(found, type) and found.__module__ in {"docker.errors", "requests.exceptions"}
        if issubclass(found, Exception) and not issubclass(found, Warning)
    ]
    assert [found for found in raised if not issubclass(found, engine.ENGINE_ERRORS)] == []


def test_no_other_machine_is_spoken_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """An engine elsewhere is refused before anything is sent."""
    monkeypatch.setenv("DOCKER_HOST", "tcp://192.0.2.1:2375")
    with pytest.raises(VehicleProblem, match=r"flown on the engine of this machine alone. Unset it"):
        engine.Engine()


def test_leftovers_belong_to_who_has_ended() -> None:
    """Of a living process: stays. Of one that has ended, or from before the last boot: swept. Of strangers: stays."""
    here = engine.owner(os.getpid())
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        there = engine.owner(gone.pid)
    boot = here.split(" ")[0]
    found = {
        "ours": here, "gone": there, "before boot": here.replace(boot, "0"), "other space": here.replace("pid:", "p:"),
        "no owner": "",
    }  # fmt: skip
    swept = [name for name, said in found.items() if engine._is_orphan({engine.OWNER_LABEL: said})]
    assert swept == ["gone", "before boot"]


def test_bases_of_an_image(tmp_path: Path) -> None:
    """All that a Dockerfile builds on and the engine must have; its own stages and `scratch` are none."""
    text = (
        "FROM --platform=linux one:1 AS build\nFROM scratch\nfrom two\nCOPY --from=build /a /a\nFROM build\n"
    )
    (tmp_path / "Dockerfile").write_text(text, encoding="utf-8")
    assert engine._bases(tmp_path / "Dockerfile") == ["one:1", "two"]


def test_it_writes_where_image_or_file_say_and_nowhere_else() -> None:
    """Folders in memory, with the file's size, or else a usual one."""
    assert container_setup.writable(BOX, IMAGE) == {
        "/data": "size=64000000,mode=1777,nosuid,nodev", "/var/log": "size=2000000,mode=1777,nosuid,nodev",
    }  # fmt: skip
    made = container_setup.creation(BOX, IMAGE, "net")
    assert made["read_only"]
    assert "ports" not in made


@pytest.mark.parametrize(
    ("reach", "options", "ports"),
    [
        ("address", {"driver": "bridge", "internal": True}, None),
        (
            "published",
            {"driver": "bridge", "options": {"com.docker.network.bridge.enable_ip_masquerade": "false"}},
            {"14560/udp": ("127.0.0.1", 0)},
        ),
    ],
)
def test_ways_to_reach_it(reach: str, options: dict[str, Any], ports: dict[str, Any] | None) -> None:
    """An internal network, or a port of the loopback alone on a network that leads nowhere."""
    box = BOX.model_copy(update={"reach": reach})
    assert container_setup.network_options(box) == options
    assert container_setup.creation(box, IMAGE, "net").get("ports") == ports


def test_start_and_conditions_are_filled_in() -> None:
    """In the units that the guide names."""
    start = Start(home=Home(latitude_deg=52.5), heading_rad=0.5235987755982988, battery=0.8)
    wind = Conditions(wind=Wind(speed_m_s=3.0, turbulence="light"))
    text = container_setup.filled(
        "{seed} {latitude} {heading} {battery} {wind_speed} {turbulence}", start, wind, 7
    )
    assert text == "7 52.5 30 0.8 3 light"
