"""A MAVLink client of somebody else flies the served vehicle: arm, take off, go somewhere, land.

The client is libmav, a protocol library in C++ that knows no autopilot and takes its messages from the published
definitions when it runs (here `common.xml` as it ships with pymavlink). Nothing of pymavlink's code is on its
side of the link.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from importlib import resources
from typing import Any

import libmav
import pytest

from tests.unit.vehicle.test_serve import served

ARM, TAKE_OFF, SET_MODE, LAND = 400, 22, 176, 21
SET_POINTS_MODE, ARMED, STANDBY, POSITION_ONLY = 4302, 128, 3, 0xDF8


class Client:
    """A ground program on the library."""

    def __init__(self, host: str, port: int) -> None:
        definitions = resources.files("pymavlink.dialects.v20").joinpath("common.xml")
        self.messages = libmav.MessageSet(str(definitions))
        hello = self.messages.create("HEARTBEAT")
        hello.set_from_dict({"type": 6, "autopilot": 8, "base_mode": 0, "custom_mode": 0, "system_status": 4})
        self.physical = libmav.TCPClient(host, port)
        me = libmav.Identifier(252, 190)
        self.runtime = libmav.NetworkRuntime(me, self.messages, hello, self.physical)
        self.connection = self.runtime.await_connection(5000)

    def send(self, name: str, **fields: Any) -> None:
        """Sends a message."""
        message = self.messages.create(name)
        message.set_from_dict(fields)
        self.connection.send(message)

    def wait(
        self, name: str, wanted: Callable[[dict[str, Any]], bool], messages: int = 400
    ) -> dict[str, Any]:
        """The first message of a kind that is as wanted."""
        for _ in range(messages):
            found = self.connection.receive(name, 5000).to_dict()
            if wanted(found):
                return dict(found)
        raise AssertionError(f"no {name} as wanted")

    def command(self, number: int, *params: float) -> int:
        """The result of a command."""
        padded = [*params, *[0.0] * (7 - len(params))]
        answer = self.connection.expect("COMMAND_ACK")
        self.send(
            "COMMAND_LONG", target_system=1, target_component=1, command=number, confirmation=0,
            **{f"param{index}": float(value) for index, value in enumerate(padded, 1)},
        )  # fmt: skip
        return int(self.connection.receive(answer, 5000).to_dict()["result"])


@pytest.fixture
def client() -> Iterator[Client]:
    """Connected to a vehicle that is served at a port of the system's choice."""
    with served("--listen", "tcp-listen://127.0.0.1:0") as (_, link):
        host, _, port = link.removeprefix("tcp-listen://").partition(":")
        client = Client(host, int(port))
        yield client
        client.runtime.stop()


@pytest.mark.slow
@pytest.mark.wall_time
def test_another_client_flies_the_vehicle(client: Client) -> None:
    """Armed, 2 m up, 2 m north, down again; every command is accepted, and it ends on the ground, disarmed."""
    client.wait("HEARTBEAT", lambda beat: beat["system_status"] == STANDBY)
    assert client.command(ARM, 1) == 0
    start = client.wait("LOCAL_POSITION_NED", lambda _: True)
    assert client.command(TAKE_OFF, 0, 0, 0, 0, 0, 0, 2.0) == 0
    client.wait("LOCAL_POSITION_NED", lambda here: here["z"] < start["z"] - 1.7)
    assert client.command(SET_MODE, 1, SET_POINTS_MODE) == 0
    goal = (start["x"] + 2.0, start["y"], start["z"] - 2.0)
    client.send(
        "SET_POSITION_TARGET_LOCAL_NED", time_boot_ms=0, target_system=1, target_component=1, coordinate_frame=1,
        type_mask=POSITION_ONLY, x=goal[0], y=goal[1], z=goal[2], vx=0.0, vy=0.0, vz=0.0, afx=0.0, afy=0.0,
        afz=0.0, yaw=0.0, yaw_rate=0.0,
    )  # fmt: skip
    client.wait("LOCAL_POSITION_NED", lambda here: math.dist((here["x"], here["y"], here["z"]), goal) < 0.3)
    assert client.command(LAND) == 0
    client.wait("HEARTBEAT", lambda beat: not beat["base_mode"] & ARMED)
    client.wait("EXTENDED_SYS_STATE", lambda state: state["landed_state"] == 1)
