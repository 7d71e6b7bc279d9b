"""Preflight against the built-in vehicle in virtual time: it passes when all is well, and each item fails in turn."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from pymavlink.dialects.v20 import common

from asflown.clock.virtual import VirtualClock
from asflown.flight.preflight import Item, Looking, LossWatch, Preflight
from asflown.link.hub import Hub
from asflown.link.profile import load_profile
from asflown.link.radio import Radio
from asflown.link.taps import NoRecorder
from asflown.scenario.model import (
    Conditions,
    Expect,
    Fault,
    GuardLimits,
    Identity,
    Parameters,
    Scenario,
    Script,
    Start,
    VehicleFile,
)
from asflown.scenario.vehicle_parts import Battery, Firmware, LinkLoss, ReturnHeight
from asflown.scenario.vehicle_parts import Preflight as PreflightPart
from asflown.vehicle.builtin import BuiltIn
from asflown.vehicle.conversation import Conversation

Doing = Callable[[Conversation], Awaitable[None]]
READY_US = 15_000_000
PART = PreflightPart(
    battery=Battery(voltage_v=3.5, share=0.5),
    return_height=ReturnHeight(parameter="return.height"),
    link_loss=LinkLoss(parameter="link.loss.act", safe=(1, 2)),
)
FILE = VehicleFile(name="there", kind="airframe", link="udp://127.0.0.1:1", preflight=PART)
GUARD = GuardLimits(height_m=8, distance_m=40, battery=0.15)
SIMULATION = Item("simulation", True, "pass")


async def load_fence(conversation: Conversation) -> None:
    """A circle of 60 m about home."""
    home = await conversation.heard("GLOBAL_POSITION_INT", 2)
    kind, frame = common.MAV_MISSION_TYPE_FENCE, common.MAV_FRAME_GLOBAL
    conversation.say(common.MAVLink_mission_count_message(1, 1, 1, kind))
    await conversation.heard("MISSION_REQUEST_INT", 2)
    inside = common.MAV_CMD_NAV_FENCE_CIRCLE_INCLUSION
    conversation.say(
        common.MAVLink_mission_item_int_message(
            1, 1, 0, frame, inside, 0, 1, 60, 0, 0, 0, home.lat, home.lon, 0, kind
        )
    )
    await conversation.heard("MISSION_ACK", 2)


async def nothing(_conversation: Conversation) -> None:
    """Leaves the vehicle as it is."""


async def arm(conversation: Conversation) -> None:
    """Loads the fence, and starts the motors."""
    await load_fence(conversation)
    assert await conversation.command(common.MAV_CMD_COMPONENT_ARM_DISARM, 1) == common.MAV_RESULT_ACCEPTED


def look(
    file: VehicleFile = FILE,
    *,
    guard: GuardLimits = GUARD,
    rehearsal: Item = SIMULATION,
    start: Start | None = None,
    faults: tuple[Fault, ...] = (),
    aboard: str | None = None,
    radio: Path | None = None,
    before: Doing = load_fence,
) -> Preflight:
    """The preflight of a built-in vehicle that stands for `file`; `aboard` is a file of its own parameters."""
    clock = VirtualClock()
    inside = VehicleFile(
        name="palm80", kind="built-in", airframe="palm80", parameters=Parameters(start=aboard)
    )
    vehicle = BuiltIn(clock, inside, start or Start(), Conditions(faults=faults), seed=1)
    hub = Hub(clock, NoRecorder(), vehicle.endpoint, None if radio is None else _radio(clock, radio))
    conversation = Conversation(
        clock, lambda frame: hub.inject(frame, "harness"), file.system, file.component
    )
    losses = LossWatch()
    hub.on_vehicle_frame += [conversation.frame, losses.frame]
    scenario = Scenario(asflown=1, name="try", script=Script(run=("x",)), expect=Expect(), guard=guard)

    async def run() -> Preflight:
        hub.start()
        vehicle.start()
        await clock.sleep_until(READY_US)
        await before(conversation)
        return await Looking(clock, conversation, losses, file, scenario).all(rehearsal)

    return clock.run(run())


def _radio(clock: VirtualClock, profile: Path) -> Radio:
    return Radio(load_profile(str(profile)), clock, up=Random("up"), down=Random("down"))


def file_with(**changes: Any) -> VehicleFile:
    """The vehicle file with something else in it."""
    return FILE.model_copy(update=changes)


def failed(found: Preflight) -> dict[str, str]:
    """What did not pass, and what was found."""
    return {item.name: item.found for item in found.items if not item.passed}


def test_all_is_well() -> None:
    """Every item passes, in order, within a few seconds, and each says what was measured."""
    found = look()
    assert failed(found) == {}
    assert [item.name for item in found.items] == [
        "simulation", "guard", "identity", "motors", "battery", "position", "pre-arm checks", "parameters",
        "fence", "return height", "link loss", "link",
    ]  # fmt: skip
    assert found.seconds < 5


def expecting(folder: Path, text: str) -> VehicleFile:
    """The vehicle file with expected parameters."""
    (folder / "expected.csv").write_text(text, encoding="utf-8")
    return file_with(parameters=Parameters(expect=str(folder / "expected.csv")))


LOSSY = "asflown: 1\nname: lossy\nboth: {latency: 20 ms, loss: {good_to_bad: 10 %, bad_to_good: 50 %}}\n"
SLOW = "asflown: 1\nname: slow\nboth: {latency: 600 ms}\n"


def with_text(folder: Path, name: str, text: str) -> Path:
    """A file in `folder`."""
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


CASES: dict[str, tuple[Callable[[Path], Preflight], str, str]] = {
    "simulation fails": (
        lambda _: look(rehearsal=Item("simulation", False, "fail: too high")), "simulation", "fail: too high",
    ),
    "no ceiling": (
        lambda _: look(guard=GuardLimits(distance_m=40, battery=0.15)), "guard", "no limit of height",
    ),
    "nobody there": (
        lambda _: look(faults=(Fault(at_s=0, inject="link-loss"),), before=nothing),
        "identity", "no heartbeat of an autopilot within 10 s",
    ),
    "another craft": (
        lambda _: look(file_with(system=7), before=nothing),
        "identity", "vehicle there is system 7 component 1, and on its link there is system 1 component 1",
    ),
    "other firmware": (
        lambda _: look(file_with(identity=Identity(autopilot=0, firmware=Firmware(version="2.0.0")))),
        "identity", "firmware version is 1.0.0, the vehicle file has 2.0.0",
    ),
    "armed": (lambda _: look(before=arm), "motors", "the vehicle is armed"),
    "battery low": (lambda _: look(start=Start(battery=0.4)), "battery", "3."),
    "no fix": (
        lambda _: look(faults=(Fault(at_s=13, inject="gnss-loss"),)), "position", "fix type 1, 0 satellites",
    ),
    "own checks fail": (
        lambda folder: look(
            start=Start(battery=0.85), aboard=str(with_text(folder, "a.csv", "battery.reserve,0.9\n")),
        ),
        "pre-arm checks", "not passed",
    ),
    "other parameter": (
        lambda folder: look(expecting(folder, "return.height,5\n")), "parameters", "return.height is 4, not 5",
    ),
    "unknown parameter": (
        lambda folder: look(expecting(folder, "no.such,5\n")), "parameters", "no.such is not known",
    ),
    "no fence": (lambda _: look(before=nothing), "fence", "none"),
    "returns too high": (
        lambda _: look(guard=GUARD.model_copy(update={"height_m": 3.0})), "return height", "4 m, ceiling 3 m",
    ),
    "link-loss failsafe off": (
        lambda folder: look(aboard=str(with_text(folder, "a.csv", "link.loss.act,0\n"))),
        "link loss", "link.loss.act is 0",
    ),
    "lossy radio": (lambda folder: look(radio=with_text(folder, "lossy.yaml", LOSSY)), "link", "round trip"),
    "slow radio": (lambda folder: look(radio=with_text(folder, "slow.yaml", SLOW)), "link", "round trip 12"),
}  # fmt: skip


DRAGS_OTHERS_ALONG = {"no fix", "nobody there"}
"""Without a fix the vehicle's own checks fail, too; where nobody is, nothing else is looked at."""


@pytest.mark.parametrize("name", CASES)
def test_each_item_fails_in_turn(tmp_path: Path, name: str) -> None:
    """What is wrong is found, said with its value, and is one item; what to do stands beside it."""
    flown, item, says = CASES[name]
    found = flown(tmp_path)
    assert failed(found)[item].startswith(says)
    assert name in DRAGS_OTHERS_ALONG or list(failed(found)) == [item]
    assert next(one.todo for one in found.items if one.name == item) or item == "simulation"
    assert not found.passed
    assert item in found.problem().problem
