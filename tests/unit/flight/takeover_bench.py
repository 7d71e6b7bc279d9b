"""A takeover that watches a vehicle of which a test says what comes and goes, and what was told of it."""

from __future__ import annotations

from typing import Any

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.flight.guard_terms import GuardTerms
from asflown.flight.takeover import ModeChange, Takeover
from asflown.flight.watch import VehicleWatch
from tests.unit.flight.guard_bench import MODES
from tests.unit.link.frames import Sender

VEHICLE, SCRIPT, STATION = Sender(1, 1), Sender(245, 190), Sender(250, 190)
SECOND_US = 1_000_000
TERMS = GuardTerms(
    modes=MODES,
    pilot_modes=(50,),
)


class Watching:
    """`records` has each change of mode as it was told, `taken` when and how the pilot took over."""

    def __init__(self, terms: GuardTerms = TERMS) -> None:
        self.watch = VehicleWatch()
        self.records: list[ModeChange] = []
        self.taken: list[tuple[int, str]] = []
        self.takeover = Takeover(
            terms, self.watch, self.records.append, lambda now_us, how: self.taken.append((now_us, how))
        )
        self.takeover.watching = True

    @property
    def changes(self) -> list[tuple[str | None, str]]:
        """The mode after each change, and whose doing it was."""
        return [(change.after, change.by) for change in self.records]

    def hear(self, at_s: float, message: Any) -> None:
        """The vehicle says something."""
        now_us, frame = round(at_s * SECOND_US), VEHICLE.pack(message)
        self.watch.frame(now_us, frame)
        self.takeover.vehicle_frame(now_us, frame)

    def current_mode(self, at_s: float, standard: int, mode: int, intended: int = 0) -> None:
        """CURRENT_MODE."""
        self.hear(at_s, development.MAVLink_current_mode_message(standard, mode, intended))

    def beat(self, at_s: float, mode: int, state: int = 4, *, armed: bool = True) -> None:
        """A heartbeat of the vehicle, and the guard looks."""
        self.hear(at_s, mav.MAVLink_heartbeat_message(2, 0, 129 if armed else 1, mode, state, 3))
        self.tick(at_s)

    def tick(self, at_s: float) -> None:
        """The guard looks."""
        self.takeover.tick(round(at_s * SECOND_US))


def set_mode(sender: Sender, main: int, sub: int = 0) -> bytes:
    """MAV_CMD_DO_SET_MODE."""
    return sender.pack(mav.MAVLink_command_long_message(1, 1, 176, 0, 1, main, sub, 0, 0, 0, 0))
