"""The guard's parts: how it asks, what shows, what it looks for, and in which order it goes."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.clock.virtual import VirtualClock
from asflown.flight.guard import Guard
from asflown.flight.guard_causes import Causes, plan
from asflown.flight.guard_terms import GuardTerms, terms_for
from asflown.flight.guard_voice import Voice
from asflown.flight.return_height import ReturnHeight
from asflown.flight.watch import VehicleWatch
from asflown.scenario.model import GuardLimits, Identity, ModeNumber, VehicleFile
from asflown.vehicle.reactions import GRAVITY, Reaction, ways
from tests.unit.link.frames import Sender

SECOND_US = 1_000_000
DENIED, ACCEPTED = int(mav.MAV_RESULT_DENIED), int(mav.MAV_RESULT_ACCEPTED)
VEHICLE = Sender(1, 1)


def answer(command: int, result: int) -> bytes:
    """A COMMAND_ACK to the guard."""
    return VEHICLE.pack(mav.MAVLink_command_ack_message(command, result, 0, 0, 254, 191))


class Heard:
    """Takes what the voice says."""

    def __init__(self, modes: dict[Any, ModeNumber] | None = None) -> None:
        self.commands: list[tuple[int, float, float]] = []
        self.voice = Voice(self.take, modes or {})

    def take(self, frame: bytes) -> None:
        """Notes command, first parameter and confirmation."""
        message = mav.MAVLink(None).parse_char(frame)
        self.commands.append((message.command, message.param1, message.confirmation))

    def tick(self, at_s: float, *, works: bool = False) -> None:
        """Lets it speak."""
        self.voice.tick(round(at_s * SECOND_US), (1, 1), works=works)


def test_reactions_are_asked_for_by_their_standard_mode_first() -> None:
    """MAV_CMD_DO_SET_STANDARD_MODE (262) with position hold 1, safe recovery 5, land 7 (OC-MAV-27)."""
    assert [ways(reaction, {})[0].params for reaction in GRAVITY] == [(1,), (5,), (7,)]
    assert {way.command for reaction in GRAVITY for way in ways(reaction, {})} == {262, 193, 20, 21}


def test_a_landing_is_asked_for_where_the_vehicle_is() -> None:
    """MAV_CMD_NAV_LAND without a place and without a heading: all three are 'not a number'."""
    assert [math.isnan(value) for value in ways("set-down", {})[-1].params] == [False] * 3 + [True] * 3


def test_what_is_not_answered_is_repeated_and_then_asked_for_otherwise() -> None:
    """Three times a second apart with a rising confirmation, then the firmware's own number."""
    heard = Heard({"land": (6, 2)})
    heard.voice.ask("set-down")
    for at_s in range(4):
        heard.tick(at_s)
        heard.tick(at_s + 0.5)
    assert heard.commands == [(262, 7, 0), (262, 7, 1), (262, 7, 2), (176, 1, 0)]


def test_a_refusal_leads_to_the_next_way_at_once_and_all_of_them_to_failure() -> None:
    """`refused` is set when every way was refused, not before."""
    heard = Heard()
    heard.voice.ask("come-home")
    heard.tick(0.0)
    heard.voice.frame(50_000, answer(262, DENIED))
    refused = [heard.voice.refused]
    heard.tick(0.1)
    heard.voice.frame(150_000, answer(20, DENIED))
    assert [*refused, heard.voice.refused] == [False, True]
    assert [command for command, _, _ in heard.commands] == [262, 20]


def test_what_was_accepted_in_vain_is_asked_for_otherwise() -> None:
    """Silent while it works; another way 2.5 s after an acceptance without effect."""
    heard = Heard()
    heard.voice.ask("stop-here")
    heard.tick(0.0)
    heard.voice.frame(100_000, answer(262, ACCEPTED))
    heard.tick(1.0)
    heard.tick(9.0, works=True)
    assert len(heard.commands) == 1
    heard.tick(9.1)
    assert heard.commands[1][0] == 193


def test_answers_to_others_are_none() -> None:
    """A COMMAND_ACK for a script, or for another command, changes nothing."""
    heard = Heard()
    heard.voice.ask("stop-here")
    heard.tick(0.0)
    heard.voice.frame(1, VEHICLE.pack(mav.MAVLink_command_ack_message(262, DENIED, 0, 0, 245, 190)))
    heard.voice.frame(2, answer(400, DENIED))
    heard.tick(0.5)
    assert heard.commands == [(262, 1, 0)]


@pytest.mark.parametrize("kind", ["too-high", "too-far", "battery-low", "script-silent", "link-lost"])
def test_no_plan_climbs_above_the_ceiling(kind: Any) -> None:
    """Where the return height breaks the ceiling, every way home is a stop and a landing instead."""
    assert "come-home" in [step.reaction for step in plan(kind, return_too_high=False)]
    instead: list[Reaction] = [step.reaction for step in plan(kind, return_too_high=True)]
    assert instead == ["stop-here", "set-down"]


@pytest.mark.parametrize(
    ("limits", "place", "battery", "expected"),
    [
        (GuardLimits(height_m=5.0), (0, 0, -5.1), 1.0, ["height 5.1 m > 5 m"]),
        (GuardLimits(height_m=5.0), (0, 0, -5.0), 1.0, []),
        (GuardLimits(distance_m=40.0), (30, 27, 0), 1.0, ["distance 40.4 m > 40 m"]),
        (GuardLimits(battery=0.15), (0, 0, 0), 0.14, ["battery 14 % < 15 %"]),
        (GuardLimits(battery=0.15), (0, 0, 0), 0.15, []),
        (GuardLimits(battery=0.2), (0, 0, 0), 0.0, ["battery 0 % < 10 %: critical", "battery 0 % < 20 %"]),
        (GuardLimits(), (900, 900, -900), 0.0, []),
    ],
)
def test_each_limit_is_watched_alone(
    limits: GuardLimits, place: tuple[float, float, float], battery: float, expected: list[str]
) -> None:
    """Beyond a limit there is a cause with the numbers, at the limit there is none; an empty battery counts."""
    watch = VehicleWatch()
    watch.seen.armed, watch.seen.start_ned_m, watch.seen.heartbeat_us = True, (0.0, 0.0, 0.0), 0
    watch.seen.north_m, watch.seen.east_m, watch.seen.down_m = place
    watch.seen.battery = battery
    assert [cause.says for cause in Causes(limits, watch).look(100_000)] == expected


def test_nothing_is_judged_by_what_a_vehicle_said_before_it_fell_silent() -> None:
    """Too high when last heard, and not heard for six seconds: no cause, but for the link where that is watched."""
    watch = VehicleWatch()
    watch.seen.armed, watch.seen.start_ned_m, watch.seen.heartbeat_us = True, (0.0, 0.0, 0.0), 0
    watch.seen.down_m = -90.0
    assert Causes(GuardLimits(height_m=5.0), watch).look(6 * SECOND_US) == []
    limits = GuardLimits(height_m=5.0, link_lost_s=5.5)
    assert [cause.kind for cause in Causes(limits, watch).look(6 * SECOND_US)] == ["link-lost"]


def parameter(name: str, value: float) -> bytes:
    """A PARAM_VALUE."""
    return VEHICLE.pack(mav.MAVLink_param_value_message(name.encode(), value, 9, 1, 0))


def test_the_return_height_follows_its_parameter() -> None:
    """In the parameter's own unit; other parameters do not matter."""
    terms = GuardTerms(return_height_parameter="RET_CM", return_height_unit_m=0.01, return_height_m=3.0)
    height = ReturnHeight(terms)
    height.frame(parameter("OTHER", 9_000.0))
    assert (height.breaks(5.0), height.breaks(None)) == (False, False)
    height.frame(parameter("RET_CM", 600.0))
    assert height.height_m == pytest.approx(6.0)
    assert (height.breaks(5.0), height.breaks(6.1)) == (True, False)


def test_the_built_in_vehicle_s_terms_name_its_modes_and_its_return_height() -> None:
    """Its own numbers unless its identity gives others; 4 m for palm80, by the parameter return.height."""
    file = VehicleFile(
        name="p", kind="built-in", airframe="palm80", identity=Identity(modes={"land": 9}, pilot_modes=(7,))
    )
    terms = terms_for(GuardLimits(), file)
    assert (terms.modes["land"], terms.modes["position-hold"], terms.pilot_modes) == (9, 4301, (7,))
    assert (terms.return_height_m, terms.return_height_parameter) == (4.0, "return.height")
    assert GuardTerms.model_validate_json(terms.model_dump_json()) == terms


def test_a_real_vehicle_s_terms_are_those_of_its_file() -> None:
    """Limits, system, time-out, pilot modes, and how its return height is named, scaled and encoded."""
    file = VehicleFile.model_validate(
        {
            "name": "craft",
            "kind": "airframe",
            "link": "serial:///dev/ttyUSB0:57600",
            "system": 7,
            "identity": {"set_point_stream": {"time_out": "2 s"}, "parameter_encoding": "bytewise"},
            "preflight": {"return_height": {"parameter": "RET_CM", "unit": "1 cm"}},
        }
    )
    terms = terms_for(GuardLimits(height_m=9.0), file)
    assert (terms.limits.height_m, terms.system, terms.set_point_time_out_s, terms.may_arm) == (
        9.0,
        7,
        2.0,
        True,
    )
    assert (terms.return_height_parameter, terms.return_height_unit_m) == ("RET_CM", 0.01)
    assert (terms.return_height_m, terms.bytewise_parameters, terms.modes) == (None, True, {})
    c_cast = file.model_copy(
        update={"identity": Identity(), "preflight": VehicleFile.model_fields["preflight"].default}
    )
    assert terms_for(GuardLimits(), c_cast).bytewise_parameters is False
    assert terms_for(GuardLimits(), c_cast).return_height_unit_m == 1.0


def test_frames_of_the_guard_are_numbered_one_by_one() -> None:
    """From 0 to 255 and on from 0, so that a receiver sees no gap."""
    numbers: list[int] = []
    voice = Voice(lambda frame: numbers.append(frame[4]), {})
    voice.ask("set-down")
    for at_s in range(300):
        voice.tick(at_s * SECOND_US, (1, 1), works=False)
    assert numbers == [number % 256 for number in range(300)]


def test_who_is_told_that_nobody_is_left() -> None:
    """A pilot who took over, and a vehicle that stands, need nobody; both count as looked after."""
    clock, hub, watch = VirtualClock(), NotingHub(), VehicleWatch()
    guard = Guard(GuardTerms(), clock, hub, watch, lambda *_: None, lambda now_us, kind, **facts: None)
    guard.script_started()
    assert guard.bring_down("nobody is left") is True
    watch.seen.armed = True
    guard.takeover.taken = "sticks moved"
    assert guard.bring_down("nobody is left") is True
    assert hub.log == []
    guard.takeover.taken = ""
    assert guard.bring_down("nobody is left") is True
    assert hub.log == ["script cut off", "guard speaks"]
    clock.run(clock.sleep_until(1))


class NotingHub:
    """Takes hooks, and notes frames and cuts."""

    def __init__(self) -> None:
        self.on_vehicle_frame: list[Any] = []
        self.on_script_frame: list[Any] = []
        self.on_station_frame: list[Any] = []
        self.log: list[str] = []

    def inject(self, frame: bytes, source: str) -> None:
        """Notes that the guard spoke."""
        self.log.append(f"{source} speaks")

    def cut_off(self, role: str = "script") -> None:
        """Notes it."""
        self.log.append(f"{role} cut off")


def test_the_script_is_cut_off_before_the_vehicle_is_asked_for_anything() -> None:
    """And only from arming on: a vehicle that stands is left alone, whatever it reports."""
    clock, hub, watch = VirtualClock(), NotingHub(), VehicleWatch()
    notes: list[tuple[int, str]] = []
    terms = GuardTerms(limits=GuardLimits(height_m=1.0))
    guard = Guard(
        terms,
        clock,
        hub,
        watch,
        lambda now_us, what, cause: notes.append((now_us, what)),
        lambda now_us, kind, **facts: None,
    )
    guard.start()
    clock.call_at(200_000, guard.script_started)
    watch.seen.start_ned_m, watch.seen.down_m, watch.seen.heartbeat_us = (0.0, 0.0, 0.0), -100.0, 0
    clock.call_at(450_000, lambda: setattr(watch.seen, "armed", True))
    clock.run(clock.sleep_until(600_000))
    assert notes == [(500_000, "guard: come-home")]
    assert hub.log == ["script cut off", "guard speaks"]


def test_a_vehicle_that_its_pilot_flies_before_the_script_does_is_left_alone() -> None:
    """Armed, too high, and no script yet: nothing is asked for, and nobody brings it down either."""
    clock, hub, watch = VirtualClock(), NotingHub(), VehicleWatch()
    terms = GuardTerms(limits=GuardLimits(height_m=1.0))
    guard = Guard(terms, clock, hub, watch, lambda *_: None, lambda now_us, kind, **facts: None)
    guard.start()
    watch.seen.start_ned_m, watch.seen.down_m, watch.seen.heartbeat_us = (0.0, 0.0, 0.0), -100.0, 0
    watch.seen.armed = True
    clock.run(clock.sleep_until(1_000_000))
    assert guard.bring_down("nobody is left") is False
    assert hub.log == []


def command(number: int, first: float) -> bytes:
    """COMMAND_LONG of a script."""
    message = mav.MAVLink_command_long_message(1, 1, number, 0, first, 0, 0, 0, 0, 0, 0)
    return Sender(245, 190).pack(message)


@pytest.mark.parametrize(
    ("frame", "cut"),
    [
        (command(400, 1), True),
        (command(400, 0), False),
        (command(22, 0), True),
        (command(176, 129), True),
        (command(176, 1), False),
        (Sender(245, 190).sticks(0), True),
        (command(512, 1), False),
    ],
    ids=["arm", "disarm", "take off", "armed mode", "mode", "sticks", "question"],
)
def test_a_bench_that_may_not_arm_withholds_what_turns_motors(frame: bytes, cut: bool) -> None:
    """The hub looks after its hooks whether a script is cut off, so that this very frame does not pass."""
    clock, hub = VirtualClock(), NotingHub()
    terms = terms_for(GuardLimits(), VehicleFile(name="rig", kind="bench", link="tcp://h:1", physics="none"))
    guard = Guard(terms, clock, hub, VehicleWatch(), lambda *_: None, lambda now_us, kind, **facts: None)
    hub.on_script_frame[0](0, frame)
    assert hub.log == (["script cut off"] if cut else [])
    hub.log.clear()
    guard.script_may_arm()
    hub.on_script_frame[0](0, frame)
    assert hub.log == []
    clock.run(clock.sleep_until(1))
