"""The built-in flight controller on a bench: its sensors and motors are messages on a link of their own (HIL).

It lives by the time of the sensor messages: without any it does not speak. Its radio link is that of any vehicle.
"""

from __future__ import annotations

from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.clock.base import Clock
from asflown.errors import VehicleProblem
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.scenario.model import Conditions, Start, VehicleFile
from asflown.sim.craft import Craft
from asflown.sim.hil_core import HilCore
from asflown.sim.interface import TICK_US, CraftSetup
from asflown.sim.status import base_mode
from asflown.vehicle.in_process import InProcessEndpoint

SENSOR, GPS = int(mav.MAVLINK_MSG_ID_HIL_SENSOR), int(mav.MAVLINK_MSG_ID_HIL_GPS)
_UNUSED = [0.0] * 12


class BenchController:
    """One flight controller. `endpoint` is its radio's, `sensors` the link that the bench speaks on."""

    def __init__(self, clock: Clock, file: VehicleFile, sensors: Endpoint, seed: int) -> None:
        """Raises VehicleProblem when the file names no airframe, or one or a release that does not exist."""
        if file.airframe is None:
            raise VehicleProblem(f"vehicle {file.name}: no airframe", "Add `airframe: palm80` to its file")
        setup = CraftSetup(file.airframe, file.release, Start(), Conditions(), seed)
        self._core = HilCore(setup)
        self._craft = Craft(
            setup, file.identity, system=file.system, epoch_us=clock.epoch_us, core=self._core
        )
        self._craft.power_up(0)
        self._door = InProcessEndpoint(self._craft.receive, lambda: False)
        self.endpoint: Endpoint = self._door
        self._sensors = sensors
        sensors.on_frame = self._take
        self._mavlink = mav.MAVLink(None, file.system, 1)
        self._ticks = 0

    def start(self) -> None:
        """Opens the link of its sensors. Raises LinkProblem."""
        self._sensors.open()

    def stop(self) -> None:
        """Closes it."""
        self._sensors.close()
        self.endpoint.close()

    def _take(self, frame: bytes) -> None:
        message = wire.message_id(frame)
        if message == SENSOR:
            self._live(self._decoded(frame))
        elif message == GPS:
            self._core.take_fix(self._decoded(frame))

    def _decoded(self, frame: bytes) -> Any:
        return self._mavlink.decode(bytearray(frame))

    def _live(self, sensor: Any) -> None:
        core = self._core
        for _ in range(core.take_sensor(sensor)):
            if core.step():
                self._ticks += 1
                self._craft.tick(self._ticks * TICK_US)
                frames = self._craft.take_frames()
                if frames:
                    self._door.emit(frames)
        self._answer(sensor.time_usec)

    def _answer(self, time_us: int) -> None:
        mode = base_mode(self._craft.autopilot)
        controls = [*self._core.commands, *_UNUSED]
        message = mav.MAVLink_hil_actuator_controls_message(time_us, controls, mode, 0)
        self._sensors.send(bytes(message.pack(self._mavlink)))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
