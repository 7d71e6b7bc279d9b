"""Preflight: what must hold before a real vehicle flies, each item measured, with what to do about it.

It reads and asks; nothing is changed on the vehicle. Items that cannot be measured have failed: what nobody knows is
no reason to fly. The limits of link and position: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from pymavlink.dialects.v20 import common

from asflown.clock.base import Clock
from asflown.errors import VehicleProblem
from asflown.flight.watch import ARMED_FLAG, PREARM_CHECK
from asflown.link import wire
from asflown.link.sequences import SequenceWatch
from asflown.scenario.model import Scenario, VehicleFile
from asflown.scenario.parameter_file import read_parameters
from asflown.vehicle.conversation import Conversation
from asflown.vehicle.identity import differences, identify

ROUND_TRIP_S_MAX = 1.0
LOSS_MAX = 0.1
SATELLITES_MIN, DILUTION_MAX = 6, 2.5
HEARD_WITHIN_S = 3.0
SETTLE_S = 0.5
BATTERY_ABOVE_GUARD = 0.1
"""The battery must hold at least so much more than what the guard comes home at."""
FENCE_BIT = int(common.MAV_SYS_STATUS_GEOFENCE)
RUN_CHECKS = int(common.MAV_CMD_RUN_PREARM_CHECKS)
_POSITION_FLAGS = int(common.ESTIMATOR_POS_HORIZ_ABS) | int(common.ESTIMATOR_POS_HORIZ_REL)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that was looked at."""

    name: str
    passed: bool
    found: str
    """What was measured, in plain words with units."""
    todo: str = ""
    """What to do, when it did not pass."""


@dataclass(frozen=True, slots=True)
class Preflight:
    """All items in order, and how long the vehicle had to be powered for them."""

    items: tuple[Item, ...]
    seconds: float

    @property
    def passed(self) -> bool:
        """Whether nothing speaks against flying."""
        return all(item.passed for item in self.items)

    def as_json(self) -> dict[str, Any]:
        """For reports and the manifest."""
        items = [asdict(item) for item in self.items]
        return {"passed": self.passed, "seconds": round(self.seconds, 3), "items": items}

    def problem(self) -> VehicleProblem:
        """Why the vehicle does not fly."""
        failed = [item for item in self.items if not item.passed]
        said = "; ".join(f"{item.name}: {item.found}" for item in failed)
        todo = " ".join(dict.fromkeys(f"{item.todo}." for item in failed if item.todo))
        return VehicleProblem(f"preflight says no ({said})", todo.rstrip("."))


class LossWatch:
    """A hook that counts what is missing of what the vehicle says."""

    def __init__(self) -> None:
        self._sequences = SequenceWatch()
        self.heard = self.missing = 0

    def frame(self, _now_us: int, frame: bytes) -> None:
        """Takes one frame of the vehicle's side."""
        if wire.message_id(frame) == common.MAVLINK_MSG_ID_RADIO_STATUS:
            return
        self.heard += 1
        self.missing += self._sequences.missing(frame)

    def begin_again(self) -> None:
        """Counts from now on."""
        self.heard = self.missing = 0

    @property
    def loss(self) -> float:
        """Share of frames that are missing."""
        return self.missing / max(1, self.heard + self.missing)


@dataclass(slots=True)
class Looking:
    """One preflight of one vehicle for one scenario."""

    clock: Clock
    conversation: Conversation
    losses: LossWatch
    file: VehicleFile
    scenario: Scenario
    parameters: dict[str, float | None] = field(default_factory=dict)
    """What was read by name; None for what the vehicle does not know."""

    async def all(self, rehearsal: Item) -> Preflight:
        """Looks at everything; `rehearsal` is what the simulation said before. Never raises for the vehicle's state."""
        begin_us = self.clock.now_us()
        await self._forget_the_old()
        items = [rehearsal, self._guard_limits()]
        identity = await self._identity()
        items.append(identity)
        if identity.passed:
            items += [await look(self) for look in _LOOKS]
        return Preflight(tuple(items), (self.clock.now_us() - begin_us) / 1e6)

    async def parameter(self, name: str) -> float | None:
        """A parameter by name, asked for once."""
        if name not in self.parameters:
            self.parameters[name] = await self.conversation.parameter(name)
        return self.parameters[name]

    async def _forget_the_old(self) -> None:
        """What lay in buffers before anybody read it says nothing of now."""
        await self.conversation.pause(SETTLE_S)
        self.conversation.latest.clear()
        self.conversation.heartbeats.clear()
        self.losses.begin_again()

    def _guard_limits(self) -> Item:
        limits = self.scenario.guard
        given = {"height": limits.height_m, "distance": limits.distance_m, "battery": limits.battery}
        missing = [name for name, limit in given.items() if limit is None]
        if missing:
            return Item(
                "guard", False, f"no limit of {', '.join(missing)}", "Add it to `guard` in the scenario"
            )
        found = (
            f"height {limits.height_m:g} m, distance {limits.distance_m:g} m, battery {limits.battery:.0%}"
        )
        return Item("guard", True, found)

    async def _identity(self) -> Item:
        try:
            found = await identify(self.conversation, self.file)
        except VehicleProblem as problem:
            return Item("identity", False, problem.problem, problem.remedy)
        wrong = differences(found, self.file)
        if wrong:
            return Item("identity", False, "; ".join(wrong), "Look which craft is switched on")
        version = f", firmware {found.version}" if found.version else ""
        hardware = f", hardware {found.hardware}" if found.hardware else ""
        return Item("identity", True, f"system {found.system} component {found.component}{version}{hardware}")

    async def link(self) -> Item:
        """Round trip and loss, measured while everything else was asked."""
        round_trip_s = await self.conversation.round_trip_s()
        if round_trip_s is None:
            todo = "Check antennas, the radio's settings and what else talks on its channel"
            return Item("link", False, "no answer to TIMESYNC", todo)
        loss = self.losses.loss
        found = f"round trip {1000 * round_trip_s:.0f} ms, {loss:.1%} of {self.losses.heard} frames missing"
        passed = round_trip_s <= ROUND_TRIP_S_MAX and loss <= LOSS_MAX
        allowed = f"at most {1000 * ROUND_TRIP_S_MAX:g} ms and {LOSS_MAX:.0%}"
        return Item(
            "link", passed, found, "" if passed else f"{allowed} are allowed: check antennas and radio"
        )

    async def disarmed(self) -> Item:
        """Whether the motors are off."""
        heartbeat = self.conversation.heartbeats[self.conversation.system, self.conversation.component]
        if heartbeat.base_mode & ARMED_FLAG:
            return Item("motors", False, "the vehicle is armed", "Land it and let its pilot disarm it")
        return Item("motors", True, "disarmed")

    async def battery(self) -> Item:
        """Voltage and charge against the vehicle file, charge against the guard."""
        limits = self.file.preflight.battery
        status = await self.conversation.heard("SYS_STATUS", HEARD_WITHIN_S)
        if status is None:
            return Item("battery", False, "no SYS_STATUS came", "Have the vehicle send it")
        voltage_v = None if status.voltage_battery in {0, 65_535} else status.voltage_battery / 1000
        share = None if status.battery_remaining < 0 else status.battery_remaining / 100
        found = ", ".join([
            "voltage not said" if voltage_v is None else f"{voltage_v:.2f} V",
            "charge not said" if share is None else f"{share:.0%}",
        ])  # fmt: skip
        if limits.voltage_v is None and limits.share is None:
            todo = "Add `preflight: {battery: {voltage: ..., share: ...}}` to the vehicle file"
            return Item("battery", False, f"{found}; no limit is known", todo)
        least_share = max(limits.share or 0.0, (self.scenario.guard.battery or -1.0) + BATTERY_ABOVE_GUARD)
        wrong = []
        if limits.voltage_v is not None and (voltage_v is None or voltage_v < limits.voltage_v):
            wrong.append(f"{limits.voltage_v:g} V")
        if (limits.share is not None or share is not None) and (share is None or share < least_share):
            wrong.append(f"{least_share:.0%}")
        todo = (
            f"At least {' and '.join(wrong)} is needed: charge the battery, or take another" if wrong else ""
        )
        return Item("battery", not wrong, found, todo)

    async def position(self) -> Item:
        """A fix that is good enough, or an estimator that has a position from elsewhere."""
        receiver = await self.conversation.heard("GPS_RAW_INT", HEARD_WITHIN_S)
        estimator = await self.conversation.heard("ESTIMATOR_STATUS", HEARD_WITHIN_S)
        if estimator is not None and not estimator.flags & _POSITION_FLAGS:
            return Item(
                "position", False, "the estimator has no position", "Wait, or give it a view of the sky"
            )
        if receiver is None:
            if estimator is None:
                todo = "Have the vehicle send GPS_RAW_INT or ESTIMATOR_STATUS"
                return Item("position", False, "neither receiver nor estimator says", todo)
            return Item("position", True, "the estimator has a position, without a satellite receiver")
        fixed = receiver.fix_type >= common.GPS_FIX_TYPE_3D_FIX
        dilution = None if receiver.eph == 65_535 else receiver.eph / 100
        found = f"fix type {receiver.fix_type}, {receiver.satellites_visible} satellites"
        found += "" if dilution is None else f", horizontal dilution {dilution:.2f}"
        passed = (
            fixed
            and receiver.satellites_visible >= SATELLITES_MIN
            and (dilution is None or dilution <= DILUTION_MAX)
        )
        todo = (
            f"A 3-D fix with {SATELLITES_MIN} satellites and dilution up to {DILUTION_MAX:g} is needed: wait"
        )
        return Item("position", passed, found, "" if passed else todo)

    async def checks(self) -> Item:
        """The vehicle's own pre-arm checks."""
        status = await self.conversation.heard("SYS_STATUS", HEARD_WITHIN_S)
        if status is None or not status.onboard_control_sensors_present & PREARM_CHECK:
            result = await self.conversation.command(RUN_CHECKS)
            if result == common.MAV_RESULT_ACCEPTED:
                return Item("pre-arm checks", True, "asked for, and passed")
            todo = "Look at what the vehicle says of itself, with its own ground program"
            return Item(
                "pre-arm checks", False, f"not reported; asked for, it answers {_result(result)}", todo
            )
        if status.onboard_control_sensors_health & PREARM_CHECK:
            return Item("pre-arm checks", True, "passed")
        said = self.conversation.latest.get("STATUSTEXT")
        why = f": {said.text}" if said is not None else ""
        return Item(
            "pre-arm checks", False, f"not passed{why}", "Mend what the vehicle complains of; never skip it"
        )

    async def expected_parameters(self) -> Item:
        """The expected parameters, read by name, and no others."""
        if self.file.parameters.expect is None:
            return Item("parameters", True, "none are expected")
        expected = read_parameters(Path(self.file.parameters.expect))
        wrong = []
        for name, value in expected.items():
            there = await self.parameter(name)
            if there is None:
                wrong.append(f"{name} is not known")
            elif not _same(there, value):
                wrong.append(f"{name} is {there:g}, not {value:g}")
        if wrong:
            todo = "Set them with your ground program, or correct the file; asflown writes no parameter"
            return Item("parameters", False, "; ".join(wrong), todo)
        return Item("parameters", True, f"{len(expected)} are as expected")

    async def fence(self) -> Item:
        """A fence on the vehicle itself."""
        if self.file.preflight.fence == "none":
            return Item(
                "fence", True, "the vehicle file says that this firmware has none; the guard is alone"
            )
        status = self.conversation.latest.get("SYS_STATUS")
        if status is not None and status.onboard_control_sensors_enabled & FENCE_BIT:
            return Item("fence", True, "enabled")
        items = await self.conversation.plan_items(int(common.MAV_MISSION_TYPE_FENCE))
        if items:
            return Item("fence", True, f"{items} items")
        todo = "Load a fence with your ground program, or write `fence: none` where the firmware has none"
        return Item("fence", False, "none" if items == 0 else "the vehicle does not say", todo)

    async def return_height(self) -> Item:
        """How high it comes home, against the guard's ceiling."""
        named, ceiling_m = self.file.preflight.return_height, self.scenario.guard.height_m
        if named is None:
            todo = "Add `preflight: {return_height: {parameter: ...}}` to the vehicle file"
            return Item("return height", False, "its parameter is not known", todo)
        value = await self.parameter(named.parameter)
        if value is None:
            return Item("return height", False, f"no parameter {named.parameter}", "Correct its name")
        height_m = value * named.unit_m
        found = f"{height_m:g} m, {'no ceiling' if ceiling_m is None else f'ceiling {ceiling_m:g} m'}"
        passed = ceiling_m is None or 0 < height_m < ceiling_m
        return Item(
            "return height", passed, found, "" if passed else f"Set {named.parameter} below the ceiling"
        )

    async def link_loss(self) -> Item:
        """What it does by itself when its link is gone: then the guard is mute."""
        named = self.file.preflight.link_loss
        if named is None:
            todo = "Add `preflight: {link_loss: {parameter: ..., safe: [...]}}` to the vehicle file"
            return Item("link loss", False, "its parameter is not known", todo)
        value = await self.parameter(named.parameter)
        if value is None:
            return Item("link loss", False, f"no parameter {named.parameter}", "Correct its name")
        passed = any(_same(value, safe) for safe in named.safe)
        safe = " or ".join(f"{one:g}" for one in named.safe)
        found = f"{named.parameter} is {value:g}"
        return Item(
            "link loss", passed, found, "" if passed else f"Set it to {safe} with your ground program"
        )


_LOOKS: tuple[Callable[[Looking], Awaitable[Item]], ...] = (
    Looking.disarmed,
    Looking.battery,
    Looking.position,
    Looking.checks,
    Looking.expected_parameters,
    Looking.fence,
    Looking.return_height,
    Looking.link_loss,
    Looking.link,
)
"""In this order; the link last, since everything before measured it, too."""

_RESULTS: Mapping[int, str] = {
    number: entry.name.removeprefix("MAV_RESULT_").lower()
    for number, entry in common.enums["MAV_RESULT"].items()
}


def _result(result: int | None) -> str:
    return "nothing" if result is None else _RESULTS.get(result, str(result))


def _same(found: float, expected: float) -> bool:
    """Equal as far as a 32-bit float carries."""
    return abs(found - expected) <= 1e-6 * max(1.0, abs(expected))
