"""What stands in for hardware: the built-in vehicle in a process of its own, at the end of a real link."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pymavlink import mavutil
from pymavlink.dialects.v20 import common

from asflown.sim.airframe import airframe_named
from asflown.sim.identity import OWN_NUMBERS

WITH_MORE = """
import sys
from asflown.sim import parameters
more = tuple(parameters.ParameterSpec(f"spare.{n:03d}", "one more", 0, 9, 5) for n in range(int(sys.argv.pop(1))))
parameters.PARAMETERS += more[: max(0, len(more) - len(parameters.PARAMETERS))]
parameters._BY_NAME.update({spec.name: spec for spec in parameters.PARAMETERS})
from asflown.cli.main import main
sys.exit(main())
"""
"""Serves with as many parameters aboard as its first argument says; the words `asflown` takes follow."""

VEHICLE_FILE = """\
asflown: 1
name: {name}
kind: airframe
link: {link}
radio: sub-ghz-telemetry
simulates: palm80
identity: {{autopilot: 0, vehicle_type: 2, firmware: {{version: 1.0.0}}, modes: {modes}}}
parameters: {{expect: stand-in.params.csv}}
preflight:
  battery: {{voltage: 3.5 V, share: 50 %}}
  return_height: {{parameter: return.height}}
  link_loss: {{parameter: link.loss.act, safe: [1, 2]}}
"""
EXPECTED = "name,value\nreturn.height,4\nlink.loss.act,1\nspeed.travel,{speed}\n"


@contextmanager
def served(
    listen: str, *words: str, parameters: int = 0, airframe: str = "palm80"
) -> Iterator[subprocess.Popen[str]]:
    """The built-in vehicle at a link, as `asflown vehicle serve` serves it; `words` are further options."""
    before = (
        [sys.executable, "-m", "asflown"]
        if not parameters
        else [sys.executable, "-c", WITH_MORE, str(parameters)]
    )
    command = [*before, "vehicle", "serve", airframe, "--listen", listen, *words]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        said = process.stdout.readline()
        assert "is served at" in said, said
        yield process
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


def vehicle_file(folder: Path, link: str, name: str = "stand-in") -> Path:
    """A vehicle file of kind airframe for a served palm80, with the parameters that are expected of it."""
    modes = ", ".join(f"{mode.value}: {number}" for mode, number in OWN_NUMBERS.items())
    speed = airframe_named("palm80").limits().speed_m_s
    (folder / "stand-in.params.csv").write_text(EXPECTED.format(speed=speed), encoding="utf-8")
    file = folder / f"{name}.vehicle.yaml"
    file.write_text(VEHICLE_FILE.format(name=name, link=link, modes=f"{{{modes}}}"), encoding="utf-8")
    return file


def load_fence(connection: str, radius_m: float = 60.0) -> int:
    """Loads a circle about home into the vehicle as its fence, as a ground program does; how many items it then has.

    `connection` is spelled as pymavlink has it.
    """
    link = mavutil.mavlink_connection(connection, baud=57_600, source_system=250)
    try:
        home = _home(link)
        kind = common.MAV_MISSION_TYPE_FENCE
        link.mav.mission_count_send(1, 1, 1, kind)
        _expect(link, "MISSION_REQUEST_INT", "MISSION_REQUEST")
        link.mav.mission_item_int_send(
            1, 1, 0, common.MAV_FRAME_GLOBAL, common.MAV_CMD_NAV_FENCE_CIRCLE_INCLUSION, 0, 1,
            radius_m, 0, 0, 0, home.lat, home.lon, 0, kind,
        )  # fmt: skip
        ack = _expect(link, "MISSION_ACK")
        assert ack.type == common.MAV_MISSION_ACCEPTED, ack
        return 1
    finally:
        link.close()


def _home(link: Any) -> Any:
    """Where it stands, once it knows."""
    deadline = time.monotonic() + 25
    while time.monotonic() < deadline:
        link.mav.heartbeat_send(6, 8, 0, 0, 4)
        place = link.recv_match(type="GLOBAL_POSITION_INT", blocking=True, timeout=1)
        if place is not None and place.lat:
            return place
    raise AssertionError("the vehicle does not know where it is")


def _expect(link: Any, *kinds: str) -> Any:
    found = link.recv_match(type=list(kinds), blocking=True, timeout=10)
    assert found is not None, kinds
    return found
