"""Equal flights give equal bytes, whatever else the machine does; what the captures hold is what was flown."""

from __future__ import annotations

import multiprocessing
import struct
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from pymavlink import mavutil

from asflown.flight import conductor
from asflown.flight.plan import FlightPlan
from asflown.record import folder as folders
from asflown.record.capture import Recorder
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle
from tests.flights.flying import HELLO, SCENARIOS, Flown, command, fly, write_scenario

NEST_BOXES = SCENARIOS / "nest_boxes"


def spin() -> None:
    """Keeps a processor busy until it is ended."""
    while True:
        pass


@contextmanager
def busy_machine(processes: int = 4) -> Iterator[None]:
    """Other work beside the flight."""
    context = multiprocessing.get_context("spawn")
    started = [context.Process(target=spin, daemon=True) for _ in range(processes)]
    for process in started:
        process.start()
    try:
        yield
    finally:
        for process in started:
            process.kill()
            process.join()


def digests(flown: Flown) -> dict[int, str]:
    """Digest by seed."""
    return {flight["seed"]: flight["digest"] for flight in flown.report["flights"]}


def test_equal_seeds_give_equal_bytes_beside_any_load(tmp_path: Path) -> None:
    """Two seeds flown in two folders, once with four busy processes beside: equal for equal seeds, else different."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    alone = digests(fly(tmp_path / "a", NEST_BOXES, "--flights", "2", "--seed", "7"))
    with busy_machine():
        crowded = digests(fly(tmp_path / "b", NEST_BOXES, "--flights", "2", "--seed", "7"))
    assert alone == crowded
    assert sorted(alone) == [7, 8]
    assert None not in alone.values()
    assert alone[7] != alone[8]


@pytest.mark.parametrize("demo", ["nest_boxes", "weir_gauge"])
def test_every_demo_is_proved_to_repeat(demo: str, tmp_path: Path) -> None:
    """`--prove` flies each demo twice, finds the same bytes, and says so."""
    flown = fly(tmp_path, SCENARIOS / demo, "--flights", "1", "--prove")
    assert flown.exit_code == 0, flown.says()
    assert "same bytes" in flown.says()


ASLEEP = (
    HELLO
    + """
time.sleep(10)
link.port.setblocking(False)
read = 0
try:
    while True:
        link.port.recv(1000)
        read += 1
except BlockingIOError:
    print(read)
"""
)


def test_a_sleeping_script_loses_what_the_modelled_queue_says(tmp_path: Path) -> None:
    """Ten seconds of telemetry do not fit: what was delivered, read and dropped adds up, the same in both runs."""
    scenario = write_scenario(tmp_path, ASLEEP)
    flown = fly(tmp_path, scenario, "--prove")
    first, second = (manifest_of(folder) for folder in flown.folders)
    link = first.link
    assert first.script.datagrams_dropped == link["script.frames_dropped"] > 50
    taken = link["script.frames_out"] + link["script.frames_dropped"] + link["script.frames_unheard"]
    assert taken <= link["vehicle.frames_in"]
    read = [int((folder / folders.SCRIPT_LOG).read_text(encoding="utf-8")) for folder in flown.folders]
    assert read[0] == read[1] == 256
    assert (first.link, first.clock.digest) == (second.link, second.clock.digest)


def test_equal_flights_side_by_side_leave_each_other_alone(tmp_path: Path) -> None:
    """Flights of one name in two places, begun in the same second, do not end each other's processes."""
    scenario = write_scenario(tmp_path, HELLO + "time.sleep(20)")
    runs = [
        subprocess.Popen(
            command("fly", scenario, "--flights", "3", "--keep", tmp_path / place),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        for place in ("a", "b", "c")
    ]
    for run in runs:
        run.communicate(timeout=120)
    manifests = [
        manifest_of(folder)
        for place in ("a", "b", "c")
        for folder in (tmp_path / place).iterdir()
        if folder.is_dir()
    ]
    assert [(one.script.exit_code, one.script.ended) for one in manifests] == [(0, "exited")] * 9


OWN_PORT = """
import os, time
os.environ["MAVLINK20"] = "1"
from pymavlink import mavutil
link = mavutil.mavlink_connection("udpin:127.0.0.1:14777", dialect="common")
link.wait_heartbeat()
link.mav.heartbeat_send(6, 8, 0, 0, 0)
time.sleep(5)
"""


def test_four_flights_at_once_of_a_script_with_a_port_of_its_own(tmp_path: Path) -> None:
    """A fixed port is no obstacle in lockstep: four flights side by side give what they give one by one."""
    own = "  listens: udp-listen://127.0.0.1:14777\n"
    scenario = write_scenario(tmp_path, OWN_PORT, script_more=own)
    scenario.write_text(
        scenario.read_text(encoding="utf-8").replace(', --link, "{link}"', ""), encoding="utf-8"
    )
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    together = fly(tmp_path / "a", scenario, "--flights", "4", "--workers", "4")
    alone = fly(tmp_path / "b", scenario, "--flights", "4")
    assert digests(together) == digests(alone)
    assert None not in digests(together).values()


BESIDE = """
import socket, sys
hub = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); hub.bind(("127.0.0.1", int(sys.argv[1])))
near = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); near.bind(("127.0.0.1", 24999))
import select
peer, script = None, None
while True:
    for s in select.select([hub, near], [], [])[0]:
        data, sender = s.recvfrom(2000)
        if s is hub:
            peer = sender
            if script: near.sendto(data, script)
        else:
            script = sender
            if peer: hub.sendto(data, peer)
"""
BEHIND = HELLO.replace("sys.argv[2]", '"udpout:127.0.0.1:24999"').replace(
    "link.wait_heartbeat()", "link.mav.heartbeat_send(6, 8, 0, 0, 0); link.wait_heartbeat()"
)


def test_a_bridge_beside_the_script_is_held_too(tmp_path: Path) -> None:
    """A program beside the script passes its traffic on in lockstep, and the flight repeats exactly."""
    (tmp_path / "bridge.py").write_text(BESIDE, encoding="utf-8")
    beside = '  beside: [[python, bridge.py, "{port}"]]\n'
    scenario = write_scenario(tmp_path, BEHIND + "print('heard')", script_more=beside)
    text = scenario.read_text(encoding="utf-8").replace(', --link, "{link}"', "")
    scenario.write_text(text, encoding="utf-8")
    flown = fly(tmp_path, scenario, "--prove")
    manifests = [manifest_of(folder) for folder in flown.folders]
    assert [one.clock.kind for one in manifests] == ["lockstep", "lockstep"], manifests[0].clock.reason
    assert manifests[0].script.frames_sent > 0
    assert manifests[0].clock.digest == manifests[1].clock.digest


NATIVE = """
#include <time.h>
double our_clock(void) { struct timespec t; clock_gettime(CLOCK_REALTIME, &t); return t.tv_sec + t.tv_nsec / 1e9; }
"""


def test_a_clock_read_below_python_is_caught_by_proving(tmp_path: Path) -> None:
    """A library that reads the machine's clock natively slips past the hold; `--prove` finds that bytes differ."""
    (tmp_path / "native.c").write_text(NATIVE, encoding="utf-8")
    library = tmp_path / "native.so"
    subprocess.run(["gcc", "-shared", "-fPIC", "-o", library, tmp_path / "native.c"], check=True)
    script = HELLO + f"import ctypes; f = ctypes.CDLL({str(library)!r}).our_clock\n"
    script += "f.restype = ctypes.c_double; print(f())"
    flown = fly(tmp_path, write_scenario(tmp_path, script), "--prove")
    assert flown.exit_code == 1, "the flight itself fails its path"
    assert "not the same" in flown.says() or "differ" in flown.says()


def manifest_of(folder: Path) -> Any:
    """A flight's manifest."""
    return folders.read_manifest(folder)


def stamps_and_frames(tlog: Path) -> list[tuple[int, bytes]]:
    """Every record of a tlog, by the length that MAVLink gives its frame."""
    data, at, records = tlog.read_bytes(), 0, []
    while at < len(data):
        (stamp,) = struct.unpack_from(">Q", data, at)
        length = data[at + 9] + (12 if data[at + 8] == 0xFD else 8)
        records.append((stamp, data[at + 8 : at + 8 + length]))
        at += 8 + length
    return records


def count_with_pymavlink(tlog: Path) -> int:
    """How many messages pymavlink's reader gives."""
    reader = mavutil.mavlink_connection(str(tlog), dialect="common")
    count = 0
    while reader.recv_match() is not None:
        count += 1
    reader.f.close()
    return count


def test_merging_the_taps_by_stamp_gives_the_hubs_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stamps are unique over all taps, so sorting restores what the hub saw; pymavlink counts as many as we do."""
    order: list[tuple[str, bytes]] = []
    record = Recorder.frame

    def noting(self: Recorder, tap: Any, now_us: int, frame: bytes) -> int:
        order.append((tap, frame))
        return record(self, tap, now_us, frame)

    monkeypatch.setattr(Recorder, "frame", noting)
    loaded = load_scenario(NEST_BOXES / "nest-boxes.scenario.yaml")
    plan = FlightPlan(loaded, load_vehicle("palm80"), 3, "lockstep", tmp_path)
    result = conductor.fly(plan, lambda progress: None)
    merged = []
    for tap in ("vehicle", "script", "station"):
        records = stamps_and_frames(result.folder / f"{tap}.tlog")
        assert count_with_pymavlink(result.folder / f"{tap}.tlog") == len(records)
        merged += [(stamp, tap, frame) for stamp, frame in records]
    merged.sort()
    assert len({stamp for stamp, _, _ in merged}) == len(merged)
    assert [(tap, frame) for _, tap, frame in merged] == order
    link = result.manifest.link
    assert sum(tap == "vehicle" for tap, _ in order) > 1000
    assert link["script.frames_in"] == sum(tap == "script" for tap, _ in order) > 100
