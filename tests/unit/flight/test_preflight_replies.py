"""Each item of the preflight, for vehicles that say other things than the built-in one does, or say nothing."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, cast

import pytest
from pymavlink.dialects.v20 import common

from asflown.clock.virtual import VirtualClock
from asflown.flight.preflight import FENCE_BIT, Item, Looking, LossWatch
from asflown.flight.watch import PREARM_CHECK
from asflown.scenario.model import Expect, GuardLimits, Parameters, Scenario, Script, VehicleFile
from asflown.scenario.vehicle_parts import Battery, LinkLoss, ReturnHeight
from asflown.scenario.vehicle_parts import Preflight as PreflightPart
from asflown.vehicle.conversation import Conversation
from tests.unit.link.frames import Sender

SAYS_NOTHING = -1
NONE_TOLD_MV = 65_535


class Replies:
    """A conversation with a vehicle that answers from tables; whatever is not in them is not answered."""

    def __init__(
        self,
        *messages: Any,
        parameters: dict[str, float] | None = None,
        result: int | None = None,
        items: int | None = None,
        round_trip_s: float | None = None,
    ) -> None:
        self.latest = {message.get_type(): message for message in messages}
        self._parameters, self._result = parameters or {}, result
        self._items, self._round_trip_s = items, round_trip_s
        self.commands: list[int] = []

    async def heard(self, kind: str, _within_s: float) -> Any:
        """The newest message of a kind."""
        return self.latest.get(kind)

    async def parameter(self, name: str) -> float | None:
        """A parameter by name."""
        return self._parameters.get(name)

    async def command(self, number: int) -> int | None:
        """What a command is answered with."""
        self.commands.append(number)
        return self._result

    async def plan_items(self, _kind: int) -> int | None:
        """How many items a plan has."""
        return self._items

    async def round_trip_s(self) -> float | None:
        """How long an answer takes."""
        return self._round_trip_s


def looked(
    item: Callable[[Looking], Awaitable[Item]],
    replies: Replies,
    part: PreflightPart | None = None,
    parameters: Parameters | None = None,
    guard: GuardLimits | None = None,
) -> tuple[bool, str, str]:
    """One item of the preflight: whether it passed, what was found, and what to do."""
    file = VehicleFile(
        name="there",
        kind="airframe",
        link="udp://127.0.0.1:1",
        preflight=part or PreflightPart(),
        parameters=parameters or Parameters(),
    )
    scenario = Scenario(
        asflown=1, name="try", script=Script(run=("x",)), expect=Expect(), guard=guard or GuardLimits()
    )
    clock = VirtualClock()
    looking = Looking(clock, cast("Conversation", replies), LossWatch(), file, scenario)

    async def run() -> Item:
        return await item(looking)

    found = clock.run(run())
    return found.passed, found.found, found.todo


def status(
    *, present: int = 0, enabled: int = 0, health: int = 0, voltage_mv: int = 4000, share: int = 90
) -> Any:
    """SYS_STATUS."""
    return common.MAVLink_sys_status_message(
        present, enabled, health, 0, voltage_mv, -1, share, 0, 0, 0, 0, 0, 0
    )


def estimator(flags: int) -> Any:
    """ESTIMATOR_STATUS."""
    return common.MAVLink_estimator_status_message(0, flags, *(0.0,) * 8)


def receiver(fix: int = 3, satellites: int = 12, dilution: int = 80) -> Any:
    """GPS_RAW_INT."""
    return common.MAVLink_gps_raw_int_message(0, fix, 0, 0, 0, dilution, 0, 0, 0, satellites)


def limits(**facts: Any) -> PreflightPart:
    """What the vehicle file wants of the battery."""
    return PreflightPart(battery=Battery(**facts))


BATTERIES: dict[str, tuple[Replies, PreflightPart, tuple[bool, str, str]]] = {
    "silent": (Replies(), limits(share=0.5), (False, "no SYS_STATUS came", "Have the vehicle send it")),
    "no limit": (
        Replies(status()), limits(),
        (
            False, "4.00 V, 90%; no limit is known",
            "Add `preflight: {battery: {voltage: ..., share: ...}}` to the vehicle file",
        ),
    ),
    "volts too low": (
        Replies(status(voltage_mv=3499)), limits(voltage_v=3.5),
        (False, "3.50 V, 90%", "At least 3.5 V is needed: charge the battery, or take another"),
    ),
    "volts just right": (Replies(status(voltage_mv=3500)), limits(voltage_v=3.5), (True, "3.50 V, 90%", "")),
    "volts not said": (
        Replies(status(voltage_mv=NONE_TOLD_MV)), limits(voltage_v=3.5),
        (False, "voltage not said, 90%", "At least 3.5 V is needed: charge the battery, or take another"),
    ),
    "charge not said": (
        Replies(status(share=SAYS_NOTHING)), limits(share=0.5),
        (False, "4.00 V, charge not said", "At least 50% is needed: charge the battery, or take another"),
    ),
    "charge not said, nor asked for": (
        Replies(status(share=SAYS_NOTHING)), limits(voltage_v=3.5), (True, "4.00 V, charge not said", ""),
    ),
    "both too low": (
        Replies(status(voltage_mv=3000, share=49)), limits(voltage_v=3.5, share=0.5),
        (False, "3.00 V, 49%", "At least 3.5 V and 50% is needed: charge the battery, or take another"),
    ),
}  # fmt: skip


@pytest.mark.parametrize(("replies", "part", "says"), BATTERIES.values(), ids=BATTERIES)
def test_a_battery_is_held_against_what_is_known_of_it(
    replies: Replies, part: PreflightPart, says: tuple[bool, str, str]
) -> None:
    """What is not said cannot be enough; without any limit nothing flies."""
    assert looked(Looking.battery, replies, part) == says


@pytest.mark.parametrize(("share", "passed"), [(24, False), (25, True)])
def test_a_battery_holds_a_tenth_more_than_the_guard_comes_home_at(share: int, passed: bool) -> None:
    """At the limit it is enough."""
    found = looked(
        Looking.battery, Replies(status(share=share)), limits(share=0.1), guard=GuardLimits(battery=0.15)
    )
    assert found[0] == passed


HAS_PLACE = int(common.ESTIMATOR_POS_HORIZ_REL)
POSITIONS: dict[str, tuple[Replies, bool, str]] = {
    "nobody says": (Replies(), False, "neither receiver nor estimator says"),
    "estimator alone": (
        Replies(estimator(HAS_PLACE)), True, "the estimator has a position, without a satellite receiver",
    ),
    "estimator without": (Replies(estimator(0)), False, "the estimator has no position"),
    "estimator without, receiver with": (
        Replies(estimator(0), receiver()), False, "the estimator has no position",
    ),
    "both": (
        Replies(estimator(HAS_PLACE), receiver()), True, "fix type 3, 12 satellites, horizontal dilution 0.80",
    ),
    "too few": (Replies(receiver(satellites=5)), False, "fix type 3, 5 satellites, horizontal dilution 0.80"),
    "just enough": (
        Replies(receiver(satellites=6, dilution=250)), True, "fix type 3, 6 satellites, horizontal dilution 2.50",
    ),
    "diluted": (
        Replies(receiver(dilution=251)), False, "fix type 3, 12 satellites, horizontal dilution 2.51",
    ),
    "dilution not said": (Replies(receiver(dilution=65_535)), True, "fix type 3, 12 satellites"),
    "flat fix": (Replies(receiver(fix=2)), False, "fix type 2, 12 satellites, horizontal dilution 0.80"),
}  # fmt: skip


@pytest.mark.parametrize(("replies", "passed", "found"), POSITIONS.values(), ids=POSITIONS)
def test_a_position_comes_from_a_receiver_or_from_elsewhere(
    replies: Replies, passed: bool, found: str
) -> None:
    """An estimator that says it has none is believed before any receiver."""
    has_passed, says, todo = looked(Looking.position, replies)
    assert (has_passed, says, bool(todo)) == (passed, found, not passed)


CHECKS: dict[str, tuple[Replies, bool, str]] = {
    "asked for, passed": (Replies(result=0), True, "asked for, and passed"),
    "asked for, refused": (Replies(result=2), False, "not reported; asked for, it answers denied"),
    "asked for, no answer": (Replies(), False, "not reported; asked for, it answers nothing"),
    "asked for, an answer of tomorrow": (Replies(result=99), False, "not reported; asked for, it answers 99"),
    "never reported": (Replies(status(), result=0), True, "asked for, and passed"),
    "reported, passed": (Replies(status(present=PREARM_CHECK, health=PREARM_CHECK)), True, "passed"),
    "reported, not passed": (Replies(status(present=PREARM_CHECK)), False, "not passed"),
    "reported, and why": (
        Replies(status(present=PREARM_CHECK), common.MAVLink_statustext_message(4, b"gyro drifts")), False,
        "not passed: gyro drifts",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("replies", "passed", "found"), CHECKS.values(), ids=CHECKS)
def test_the_vehicle_s_own_checks_are_read_or_asked_for(replies: Replies, passed: bool, found: str) -> None:
    """Asked for where it does not report them; no answer is no yes."""
    has_passed, says, todo = looked(Looking.checks, replies)
    assert (has_passed, says, bool(todo)) == (passed, found, not passed)
    assert replies.commands == ([401] if "asked" in found else [])


def test_parameters_may_be_as_expected(tmp_path: Path) -> None:
    """As far as 32 bits carry."""
    (tmp_path / "expected.csv").write_text("speed,0.1\nheight,5\n", encoding="utf-8")
    expect = Parameters(expect=str(tmp_path / "expected.csv"))
    replies = Replies(parameters={"speed": 0.10000000149, "height": 5.0})
    assert looked(Looking.expected_parameters, replies, parameters=expect) == (True, "2 are as expected", "")


FENCES: dict[str, tuple[Replies, PreflightPart, bool, str]] = {
    "firmware has none": (
        Replies(), PreflightPart(fence="none"), True,
        "the vehicle file says that this firmware has none; the guard is alone",
    ),
    "enabled": (Replies(status(enabled=FENCE_BIT)), PreflightPart(), True, "enabled"),
    "there, but off": (Replies(status(present=FENCE_BIT), items=0), PreflightPart(), False, "none"),
    "loaded": (Replies(items=3), PreflightPart(), True, "3 items"),
    "not said": (Replies(), PreflightPart(), False, "the vehicle does not say"),
}  # fmt: skip


@pytest.mark.parametrize(("replies", "part", "passed", "found"), FENCES.values(), ids=FENCES)
def test_a_fence_is_on_the_vehicle_or_excused(
    replies: Replies, part: PreflightPart, passed: bool, found: str
) -> None:
    """Silence is no fence."""
    has_passed, says, todo = looked(Looking.fence, replies, part)
    assert (has_passed, says, bool(todo)) == (passed, found, not passed)


RETURN, LOSS = ReturnHeight(parameter="r", unit_m=0.01), LinkLoss(parameter="l", safe=(1, 2))
NAMED: dict[str, tuple[Any, dict[str, float], PreflightPart, bool, str]] = {
    "return height unnamed": (
        Looking.return_height, {}, PreflightPart(), False, "its parameter is not known",
    ),
    "return height unknown": (
        Looking.return_height, {}, PreflightPart(return_height=RETURN), False, "no parameter r",
    ),
    "return height nought": (
        Looking.return_height, {"r": 0}, PreflightPart(return_height=RETURN), False, "0 m, ceiling 8 m",
    ),
    "return height at the ceiling": (
        Looking.return_height, {"r": 800}, PreflightPart(return_height=RETURN), False, "8 m, ceiling 8 m",
    ),
    "return height below": (
        Looking.return_height, {"r": 799}, PreflightPart(return_height=RETURN), True, "7.99 m, ceiling 8 m",
    ),
    "link loss unnamed": (Looking.link_loss, {}, PreflightPart(), False, "its parameter is not known"),
    "link loss unknown": (Looking.link_loss, {}, PreflightPart(link_loss=LOSS), False, "no parameter l"),
    "link loss safe": (Looking.link_loss, {"l": 2}, PreflightPart(link_loss=LOSS), True, "l is 2"),
    "link loss not safe": (Looking.link_loss, {"l": 3}, PreflightPart(link_loss=LOSS), False, "l is 3"),
}  # fmt: skip


@pytest.mark.parametrize(("item", "parameters", "part", "passed", "found"), NAMED.values(), ids=NAMED)
def test_failsafes_are_read_from_the_parameters_that_the_file_names(
    item: Any, parameters: dict[str, float], part: PreflightPart, passed: bool, found: str
) -> None:
    """What is not named, or not known, cannot be looked at: nothing flies."""
    guard = GuardLimits(height_m=8)
    has_passed, says, todo = looked(item, Replies(parameters=parameters), part, guard=guard)
    assert (has_passed, says, bool(todo)) == (passed, found, not passed)


def test_without_a_ceiling_any_return_height_will_do() -> None:
    """The guard's limits are an item of their own."""
    found = looked(
        Looking.return_height, Replies(parameters={"r": 9000}), PreflightPart(return_height=RETURN)
    )
    assert found == (True, "90 m, no ceiling", "")


@pytest.mark.parametrize(
    ("round_trip_s", "passed", "found"),
    [
        (None, False, "no answer to TIMESYNC"),
        (1.0, True, "round trip 1000 ms, 0.0% of 0 frames missing"),
        (1.001, False, "round trip 1001 ms, 0.0% of 0 frames missing"),
    ],
)
def test_a_link_answers_within_a_second(round_trip_s: float | None, passed: bool, found: str) -> None:
    """One that does not answer at all is none."""
    has_passed, says, todo = looked(Looking.link, Replies(round_trip_s=round_trip_s))
    assert (has_passed, says, bool(todo)) == (passed, found, not passed)


def test_what_a_radio_says_of_itself_is_not_the_vehicle_s() -> None:
    """Its frames are numbered on their own."""
    losses, vehicle, radio = LossWatch(), Sender(1, 1), Sender(51, 68)
    for _ in range(2):
        losses.frame(0, vehicle.pack(common.MAVLink_heartbeat_message(2, 0, 1, 0, 3, 3)))
        losses.frame(0, radio.pack(common.MAVLink_radio_status_message(0, 0, 0, 0, 0, 0, 0)))
    assert (losses.heard, losses.missing) == (2, 0)
