"""A ground program for tests: sends MAVLink to a craft, lets time pass, and keeps what the craft says."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.scenario.model import Conditions, Identity, Start
from asflown.sim.craft import Craft
from asflown.sim.identity import ModeName
from asflown.sim.interface import TICK_US, CraftSetup
from tests.unit.sim.standin import StandIn

SETUP = CraftSetup("palm80", "r1", Start(), Conditions(), seed=1)
EPOCH_US = 1_700_000_000_000_000
POSITION_ONLY = 0xDF8
VELOCITY_ONLY = 0xDC7


class Rig:
    """One craft on a stand-in core, and a ground program that speaks to it."""

    def __init__(self, identity: Identity | None = None, *, system: int = 1) -> None:
        self.core = StandIn()
        self.craft = Craft(SETUP, identity or Identity(), system=system, epoch_us=EPOCH_US, core=self.core)
        self.station = mav.MAVLink(None, srcSystem=255, srcComponent=190)
        self.now_us = 0
        self.heard: list[Any] = []
        self.frames: list[bytes] = []
        self._decoder = development.MAVLink(None)

    def send(self, *messages: Any, version_1: bool = False) -> None:
        """Sends messages to the craft; they are handled in the next tick."""
        for message in messages:
            self.craft.receive(message.pack(self.station, force_mavlink1=version_1))
            self.station.seq = (self.station.seq + 1) % 256

    def run(self, seconds: float, every_tick: Callable[[], None] = lambda: None) -> None:
        """Lets time pass."""
        for _ in range(round(seconds * 1e6 / TICK_US)):
            every_tick()
            self.now_us += TICK_US
            self.craft.tick(self.now_us)
            frames = self.craft.take_frames()
            self.frames.extend(frames)
            self.heard.extend(self._decoder.decode(bytearray(frame)) for frame in frames)

    def run_until(self, holds: Callable[[], bool], at_most_s: float = 60.0) -> None:
        """Lets time pass until something holds; fails when it does not."""
        for _ in range(round(at_most_s * 1e6 / TICK_US)):
            if holds():
                return
            self.run(TICK_US / 1e6)
        raise AssertionError(f"did not happen within {at_most_s:g} s")

    def ask(self, *messages: Any) -> list[Any]:
        """Sends messages and returns what comes within 0.1 s."""
        before = len(self.heard)
        self.send(*messages)
        self.run(0.1)
        return self.heard[before:]

    def command(self, number: int, *params: float, confirmation: int = 0) -> int:
        """Sends a COMMAND_LONG and returns its one result."""
        padded = [*params, *[0.0] * (7 - len(params))]
        reply = self.ask(mav.MAVLink_command_long_message(1, 1, number, confirmation, *padded))
        return self.result(reply, number)

    def command_int(self, number: int, frame: int, params: Iterable[float], x: int, y: int, z: float) -> int:
        """Sends a COMMAND_INT and returns its one result."""
        reply = self.ask(mav.MAVLink_command_int_message(1, 1, frame, number, 0, 0, *params, x, y, z))
        return self.result(reply, number)

    @staticmethod
    def result(reply: list[Any], number: int) -> int:
        """The result in the one COMMAND_ACK for this command, addressed to this ground program."""
        acks = [m for m in reply if m.get_type() == "COMMAND_ACK" and m.command == number]
        assert [(ack.target_system, ack.target_component) for ack in acks] == [(255, 190)]
        return int(acks[0].result)

    def of_type(self, name: str) -> list[Any]:
        """Everything heard of one message type."""
        return [message for message in self.heard if message.get_type() == name]

    def texts(self) -> list[str]:
        """The words of every STATUSTEXT heard."""
        return [message.text for message in self.of_type("STATUSTEXT")]

    def flies(self, mode: ModeName) -> bool:
        """Whether this is the mode that flies."""
        return self.craft.autopilot.mode.name is mode

    def armed(self) -> bool:
        """Whether the motors run."""
        return self.core.armed

    def grounded(self) -> bool:
        """Whether the craft knows itself on the ground."""
        return self.core.on_ground

    @property
    def place(self) -> tuple[float, float, float]:
        """North, east and height by the estimate."""
        e = self.core.estimate
        return e.north_m, e.east_m, -e.down_m

    def select(self, mode: ModeName) -> int:
        """Asks for a mode by its number."""
        number = self.craft.autopilot.numbering.number(mode)
        return self.command(mav.MAV_CMD_DO_SET_MODE, 1, number)

    def fly_in(self, mode: ModeName, height_m: float = 10.0) -> None:
        """Arms, takes off and changes to `mode`."""
        assert self.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1) == mav.MAV_RESULT_ACCEPTED
        assert self.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, height_m) == mav.MAV_RESULT_ACCEPTED
        self.run_until(lambda: self.flies(ModeName.POSITION_HOLD))
        self.run(2.0)
        if mode is not ModeName.POSITION_HOLD:
            assert self.select(mode) == mav.MAV_RESULT_ACCEPTED

    def set_point(
        self, frame: int, mask: int, position: Iterable[float] = (0, 0, 0), velocity: Iterable[float] = (0, 0, 0),
        acceleration: Iterable[float] = (0, 0, 0), yaw: float = 0.0, yaw_rate: float = 0.0,
    ) -> None:  # fmt: skip
        """Sends a SET_POSITION_TARGET_LOCAL_NED."""
        self.send(
            mav.MAVLink_set_position_target_local_ned_message(
                0, 1, 1, frame, mask, *position, *velocity, *acceleration, yaw, yaw_rate
            )
        )
