"""From a URL to an endpoint, and endpoints at a hub on the real paced clock."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from pymavlink import mavutil
from pymavlink.dialects.v20 import common

from asflown.clock.paced import PacedClock
from asflown.errors import UsageError
from asflown.link import wire
from asflown.link.endpoint import make_endpoint
from asflown.link.hub import Hub
from asflown.link.ports import free_tcp_port, free_udp_port
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import open_descriptors
from tests.unit.link.test_hub import NotingEndpoint, NotingRecorder

COUNTERS = {
    "frames_in", "frames_out", "bytes_in", "bytes_out", "frames_dropped", "bytes_rubbish",
}  # fmt: skip


def url_of(kind: str, folder: Path) -> str:
    """A URL of `kind` that can be opened."""
    if kind == "pty":
        return f"pty://{folder}/far"
    if kind == "serial":
        return f"serial://{folder}/line?baud=57600"
    port = free_tcp_port() if kind.startswith("tcp") else free_udp_port()
    return f"{kind}://127.0.0.1:{port}"


@pytest.mark.parametrize("kind", ["udp", "udp-listen", "tcp", "tcp-listen", "serial", "pty"])
def test_every_kind_opens_and_leaves_nothing_behind(kind: str, clock: HandClock, tmp_path: Path) -> None:
    """It has a name and counters, drops frames while nobody is there, may be closed at any time, and twice."""
    line = make_endpoint(f"pty://{tmp_path}/line", clock, name="line")
    line.open()
    before = open_descriptors()
    endpoint = make_endpoint(url_of(kind, tmp_path), clock, name="near")
    endpoint.close()
    endpoint.open()
    endpoint.send(Sender().heartbeat())
    endpoint.close()
    endpoint.close()
    endpoint.send(Sender().heartbeat())
    assert endpoint.name == "near"
    assert set(endpoint.counters()) >= COUNTERS
    assert endpoint.counters()["frames_dropped"] >= 1
    assert open_descriptors() == before
    assert clock.waiting() == 0
    line.close()


def test_a_wrong_url_is_the_user_s_mistake(clock: HandClock) -> None:
    """Said before anything is opened."""
    with pytest.raises(UsageError):
        make_endpoint("udpin:127.0.0.1:14550", clock, name="near")


class AnsweringVehicle(NotingEndpoint):
    """Answers each command with an acknowledgement to its sender."""

    def send(self, frame: bytes) -> None:
        """Takes it; answers a command."""
        super().send(frame)
        if wire.message_id(frame) == common.MAVLINK_MSG_ID_COMMAND_LONG:
            self.say(Sender().acknowledge((wire.system_id(frame), wire.component_id(frame))))


def fly(address: str, heard: list[Any]) -> None:
    """A script as people write it: says that it is there, waits for a heartbeat, commands, waits for the answer."""
    master = mavutil.mavlink_connection(address, source_system=255)
    master.mav.heartbeat_send(6, 8, 0, 0, 4)
    heard.append(master.wait_heartbeat(timeout=20))
    master.mav.command_long_send(1, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0)
    heard.append(master.recv_match(type="COMMAND_ACK", blocking=True, timeout=20))
    master.close()


SIDES = {
    "script listens on UDP": ("udpin:127.0.0.1:{}", "udp://127.0.0.1:{}", free_udp_port),
    "script dials by UDP": ("udpout:127.0.0.1:{}", "udp-listen://127.0.0.1:{}", free_udp_port),
    "script dials by TCP": ("tcp:127.0.0.1:{}", "tcp-listen://127.0.0.1:{}", free_tcp_port),
    "script listens on TCP": ("tcpin:127.0.0.1:{}", "tcp://127.0.0.1:{}", free_tcp_port),
}


@pytest.mark.wall_time
@pytest.mark.parametrize("side", SIDES)
def test_a_script_talks_through_the_hub_on_the_paced_clock(side: str) -> None:
    """A real pymavlink client gets the heartbeat, and the answer to its command, whoever listens."""
    script_side, hub_side, free_port = SIDES[side]
    port = free_port()
    clock = PacedClock()
    vehicle = AnsweringVehicle("vehicle")
    hub = Hub(clock, NotingRecorder(), vehicle, None)
    hub.attach(make_endpoint(hub_side.format(port), clock, name="script"), "script")
    heard: list[Any] = []
    script = threading.Thread(target=fly, args=(script_side.format(port), heard))

    async def flight() -> None:
        hub.start()
        script.start()
        while script.is_alive():
            vehicle.say(Sender().heartbeat())
            await clock.sleep_until(clock.now_us() + 20_000)
        hub.close()

    clock.run(flight())
    script.join()
    assert [message and message.get_type() for message in heard] == ["HEARTBEAT", "COMMAND_ACK"]
    assert hub.counters()["script.bytes_rubbish"] == 0
