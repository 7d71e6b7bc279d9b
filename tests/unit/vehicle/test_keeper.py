"""The keeper: a real process, a real vehicle in wall time, clients that die."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from pymavlink import mavutil
from pymavlink.dialects.v20 import common as mav

from asflown.errors import LinkProblem, VehicleProblem
from asflown.record.decode import columns, index
from asflown.vehicle.keeper_client import KeeperClient, start_keeper
from asflown.vehicle.keeper_order import KeeperOrder
from tests.unit.vehicle.test_serve import served

CONDUCTOR = """
import sys, time
from pathlib import Path
from asflown.vehicle.keeper_client import KeeperClient
client = KeeperClient(Path(sys.argv[1]))
client.request("event", kind="here")
print("here", flush=True)
time.sleep(600)
"""
"""A client that does nothing but live, so that it can be killed."""


@contextmanager
def kept(folder: Path, **more: Any) -> Iterator[tuple[KeeperOrder, subprocess.Popen[bytes]]]:
    """A keeper of a served vehicle; ended at the latest when the test is over."""
    with served("--listen", "udp-listen://127.0.0.1:0") as (_, link):
        order = KeeperOrder(
            vehicle=link.replace("udp-listen", "udp"),
            captures=folder / "captures",
            control=folder / "control",
            **{"come_home_s": 8.0, "set_down_s": 30.0, **more},
        )
        process = start_keeper(order)
        try:
            yield order, process
        finally:
            process.kill()
            process.wait()


def events(order: KeeperOrder) -> list[dict[str, Any]]:
    """What the keeper wrote down."""
    text = (order.captures / "events.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


class Pilotless:
    """A script's place at the keeper: takes the vehicle up."""

    def __init__(self, client: KeeperClient) -> None:
        port = client.request("attach", url="udp-listen://127.0.0.1:0", name="script", role="script")["port"]
        self._link = mavutil.mavlink_connection(
            f"udpout:127.0.0.1:{port}", source_system=245, dialect="common"
        )

    def wait(self, kind: str, wanted: Any) -> None:
        """Waits for a message that is as wanted."""
        end = time.monotonic() + 60
        while time.monotonic() < end:
            self._link.mav.heartbeat_send(6, 8, 0, 0, 0)
            message = self._link.recv_match(type=kind, blocking=True, timeout=0.5)
            if message is not None and wanted(message):
                return
        raise AssertionError(kind)

    def command(self, number: int, *params: float) -> None:
        """Repeats a command until it is accepted."""
        for _ in range(40):
            self._link.mav.command_long_send(1, 1, number, 0, *params, *(0.0,) * (7 - len(params)))
            answer = self._link.recv_match(type="COMMAND_ACK", blocking=True, timeout=1)
            if answer is not None and answer.command == number and answer.result == 0:
                return
            time.sleep(0.3)
        raise AssertionError(number)

    def take_off(self) -> None:
        """Up to two metres."""
        self.wait("SYS_STATUS", lambda m: m.onboard_control_sensors_health & mav.MAV_SYS_STATUS_PREARM_CHECK)
        self.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
        self.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 2.0)
        self.wait("LOCAL_POSITION_NED", lambda message: message.z < -1.5)

    def close(self) -> None:
        """Goes away."""
        self._link.close()


@pytest.mark.slow
@pytest.mark.wall_time
def test_when_its_clients_die_in_flight_the_vehicle_comes_down_and_the_captures_are_whole(
    tmp_path: Path,
) -> None:
    """Conductor and script gone without a word: a standard mode command, landed, disarmed, closed, ended."""
    with kept(tmp_path) as (order, process):
        conductor = subprocess.Popen(
            [sys.executable, "-c", CONDUCTOR, str(order.control)], stdout=subprocess.PIPE
        )
        assert conductor.stdout is not None
        assert conductor.stdout.readline() == b"here\n"
        client = KeeperClient(order.control)
        script = Pilotless(client)
        client.request("script", **{"is": "started", "says": ""})
        script.take_off()
        script.close()
        client.close()
        conductor.kill()
        conductor.wait()
        conductor.stdout.close()
        assert process.wait(timeout=order.longest_end_s + 5) == 0
    safety = [event["what"] for event in events(order) if event["kind"] == "safety"]
    assert safety[0] == "guard: come-home"
    assert "left in the air" not in safety
    heartbeats = columns(index(order.captures / "vehicle.tlog"), 0)
    assert heartbeats["base_mode"][-1] & 128 == 0
    assert (heartbeats["base_mode"] & 128).any()
    assert not order.control.exists()


def test_a_flight_that_is_done_ends_the_keeper(tmp_path: Path) -> None:
    """It says how it closed, with the hub's counters, and goes."""
    with kept(tmp_path) as (order, process):
        client = KeeperClient(order.control)
        news: list[dict[str, Any]] = []
        client.on_news = news.append
        client.done()
        while client._take():
            pass
        client.close()
        assert process.wait(timeout=20) == 0
    assert news[-1]["is"] == "closed"
    assert news[-1]["down"] is True
    assert "vehicle.frames_in" in news[-1]["counters"]


def test_sigterm_closes_the_captures_of_a_vehicle_on_the_ground(tmp_path: Path) -> None:
    """Told to end, it ends in order and says so in its exit code."""
    with kept(tmp_path) as (order, process):
        client = KeeperClient(order.control)
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(timeout=20) == 143
        client.close()
    assert (order.captures / "vehicle.tlog").exists()


def test_what_is_no_request_is_answered_and_harms_nothing(tmp_path: Path) -> None:
    """Wrong words, wrong roles, wrong links: refused in a sentence, and the keeper goes on."""
    with kept(tmp_path) as (order, _):
        client = KeeperClient(order.control)
        for facts in (
            {"url": "nowhere://", "name": "a"},
            {"url": "udp-listen://127.0.0.1:0", "name": "b", "role": "captain"},
            {"name": "c"},
        ):
            with pytest.raises(VehicleProblem, match="the keeper refuses"):
                client.request("attach", **facts)
        client._socket.sendall(b"not even JSON\n[1]\n" + b"x" * 100_000)
        other = KeeperClient(order.control)
        assert "vehicle.frames_in" in other.request("counters")["counters"]
        other.close()
        client.close()


def test_a_disk_that_is_full_ends_the_flight_in_order(tmp_path: Path) -> None:
    """The clients are told which file, and the keeper closes what it can and ends."""
    with kept(tmp_path) as (order, process):
        client = KeeperClient(order.control)
        news: list[dict[str, Any]] = []
        client.on_news = news.append
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (4_096, 4_096))
        while client._take():
            pass
        client.close()
        assert process.wait(timeout=30) == 0
    assert "vehicle.tlog cannot be written any more" in next(
        said["problem"] for said in news if said["is"] == "capture-failed"
    )
    assert news[-1]["is"] == "closed"
    assert len(index(order.captures / "vehicle.tlog")) > 20


def test_nobody_else_may_speak_to_it(tmp_path: Path) -> None:
    """The socket belongs to this user alone."""
    with kept(tmp_path) as (order, _):
        assert order.control.stat().st_mode & 0o777 == 0o600


def test_a_port_that_cannot_be_had_is_told_by_the_starter(tmp_path: Path) -> None:
    """In the words of the link."""
    order = KeeperOrder(
        vehicle="serial:///dev/nothing-here?baud=57600", captures=tmp_path / "c", control=tmp_path / "s"
    )
    with pytest.raises(LinkProblem, match="there is no serial port /dev/nothing-here"):
        start_keeper(order)


@pytest.mark.slow
@pytest.mark.wall_time
def test_a_pilot_who_took_over_keeps_the_port_until_the_vehicle_has_landed(tmp_path: Path) -> None:
    """Conductor and script gone, sticks moved at a station: no mode is asked for, and the keeper waits for them."""
    with kept(tmp_path, come_home_s=1.0, set_down_s=1.0) as (order, process):
        client = KeeperClient(order.control)
        script = Pilotless(client)
        client.request("script", **{"is": "started", "says": ""})
        script.take_off()
        station = client.request("attach", url="udp-listen://127.0.0.1:0", name="gcs", role="station")["port"]
        pilot = mavutil.mavlink_connection(f"udpout:127.0.0.1:{station}", source_system=250, dialect="common")
        script.close()
        for forward in [0] * 3 + [600] * 5:
            pilot.mav.manual_control_send(1, forward, 0, 500, 0, 0)
            time.sleep(0.1)
        client.close()
        for _ in range(60):  # longer than the keeper would give itself
            pilot.mav.manual_control_send(1, 0, 0, 500, 0, 0)
            time.sleep(0.1)
        assert process.poll() is None
        pilot.mav.command_long_send(1, 1, mav.MAV_CMD_NAV_LAND, 0, 0, 0, 0, 0, 0, 0, 0)
        while process.poll() is None:
            pilot.mav.manual_control_send(1, 0, 0, 500, 0, 0)
            time.sleep(0.1)
        pilot.close()
        assert process.returncode == 0
    assert [event["what"] for event in events(order) if event["kind"] == "safety"] == ["pilot: taken over"]
