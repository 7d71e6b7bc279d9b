"""The situations that the guard and the pilot's takeover are tested with, as a table.

Each begins with the vehicle (palm80, lockstep) hovering at 2 m above its start, the script streaming that position.
"""

from __future__ import annotations

from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Conditions, GuardLimits, Identity, StreamIdentity
from asflown.sim.identity import OWN_NUMBERS, ModeName
from tests.flights.guarded import (
    ACCEPTED,
    CUSTOM,
    DENIED,
    LAND,
    RETURN,
    STANDARD,
    TAKE_OFF,
    Kit,
    Situation,
)

SILENT = GuardLimits(script_silent_s=2.0)
CEILING, FENCE, SLOW = GuardLimits(height_m=4.0), GuardLimits(distance_m=5.0), GuardLimits(speed_m_s=1.5)
LOW_RETURN = {"return.height": 2.0}
HIGH_RETURN = {"return.height": 6.0}
STOP, HOME, DOWN = "guard: stop-here", "guard: come-home", "guard: set-down"
LOST, BACK, TAKEN = "guard: link lost", "guard: link back", "pilot: taken over"


def _at(seconds: float) -> Any:
    """Something that just lasts."""

    async def play(kit: Kit) -> None:
        kit.now()
        await kit.wait(seconds)

    return play


async def _silent(kit: Kit) -> None:
    kit.fall_silent()
    kit.now()


async def _silent_on_the_move(kit: Kit) -> None:
    kit.fly(1.0, 0.0, 0.0)
    await kit.wait(3.0)
    kit.fall_silent()
    kit.now()


async def _silent_in_hold(kit: Kit) -> None:
    kit.fall_silent()
    kit.mode(ModeName.POSITION_HOLD)
    kit.now()


async def _up_by_set_points(kit: Kit) -> None:
    kit.go_to(0.0, 0.0, 20.0)
    await kit.until(lambda: kit.height_m > 4.0)
    kit.now()


async def _up_by_take_off(kit: Kit) -> None:
    kit.fall_silent()
    kit.mode(ModeName.LAND)
    await kit.until(lambda: kit.watch.on_ground)
    kit.mode(ModeName.POSITION_HOLD)
    kit.command(400, 1)
    await kit.until(lambda: kit.watch.seen.armed)
    kit.command(TAKE_OFF, 0, 0, 0, 0, 0, 0, 30)
    await kit.until(lambda: kit.height_m > 4.0)
    kit.now()


async def _return_raised(kit: Kit) -> None:
    kit.set_parameter("return.height", 9.0)
    await kit.wait(0.5)
    await _up_by_set_points(kit)


async def _away(kit: Kit) -> None:
    kit.go_to(30.0, 0.0, 2.0)
    await kit.until(lambda: kit.distance_m > 5.0)
    kit.now()


async def _script_fights(kit: Kit) -> None:
    await _away(kit)
    for _ in range(20):
        kit.mode(ModeName.SET_POINTS)
        await kit.wait(0.25)


async def _drained(kit: Kit) -> None:
    kit.go_to(8.0, 0.0, 2.0)
    limit = kit.situation.limits.battery or 0.0
    await kit.until(lambda: kit.charge < limit, 120.0)
    kit.now()


async def _gnss_lost(kit: Kit) -> None:
    assert kit.vehicle._craft.core.set_fault("gnss-loss", active=True)
    await kit.until(lambda: not kit.vehicle._craft.core.estimate.position_valid)
    kit.now()
    kit.safety.clear()  # the vehicle holds, and says so, when it has no fix; the position is lost later


async def _gnss_lost_on_the_way_home(kit: Kit) -> None:
    kit.go_to(25.0, 0.0, 2.0)
    await kit.until(lambda: kit.watch.distance_m > 24.0)
    kit.fall_silent()
    kit.vehicle._craft.core.set_fault("gnss-loss", active=True)
    await kit.until(lambda: not kit.vehicle._craft.core.estimate.position_valid)
    kit.now()


def _link_down(seconds: float, *, up: bool = False) -> Any:
    async def play(kit: Kit) -> None:
        kit.go_to(10.0, 0.0, 2.0)
        await kit.wait(8.0)
        kit.way.down, kit.way.up = False, up
        kit.now()
        await kit.wait(seconds)
        kit.way.down = kit.way.up = True

    return play


async def _runs(kit: Kit) -> None:
    kit.fly(3.0, 0.0, 0.0)
    await kit.until(lambda: kit.speed_m_s > 1.5)
    kit.now()


async def _runs_upwards(kit: Kit) -> None:
    kit.set_parameter("speed.climb", 3.0)
    await kit.wait(0.3)
    kit.fly(0.0, 0.0, 3.0)
    await kit.until(lambda: kit.speed_m_s > 1.8)
    kit.now()


async def _reserve(kit: Kit) -> None:
    kit.set_parameter("battery.reserve", 0.9)
    kit.now()


async def _fence(kit: Kit) -> None:
    kit.set_parameter("fence.distance", 4.0, int(mav.MAV_PARAM_TYPE_UINT32))
    await kit.wait(0.5)
    kit.go_to(20.0, 0.0, 2.0)
    kit.now()
    await kit.wait(8.0)


async def _stream_ends(kit: Kit) -> None:
    kit.fall_silent()
    kit.now()
    await kit.wait(4.0)


async def _script_lands(kit: Kit) -> None:
    kit.fall_silent()
    kit.command(LAND)
    kit.now()


async def _script_leaves(kit: Kit) -> None:
    kit.fall_silent()
    kit.guard.script_ended()
    kit.now()
    await kit.wait(0.5)
    kit.guard.script_left("the script ended and left the vehicle in the air")


async def _clients_gone(kit: Kit) -> None:
    kit.go_to(6.0, 0.0, 2.0)
    await kit.wait(6.0)
    kit.now()
    kit.guard.bring_down("nobody is left")


def _refusing(*commands: int, answer: int = DENIED) -> Any:
    async def play(kit: Kit) -> None:
        kit.way.answers = dict.fromkeys(commands, answer)
        await _away(kit)

    return play


async def _deaf_to_standard_modes(kit: Kit) -> None:
    kit.way.swallows = {STANDARD}
    await _away(kit)


async def _only_landing_works(kit: Kit) -> None:
    """Nothing but MAV_CMD_NAV_LAND is carried out; the rest is accepted, and nothing comes of it."""
    kit.way.answers = dict.fromkeys((STANDARD, CUSTOM, RETURN), ACCEPTED)
    await _away(kit)
    await kit.wait(5.5)
    kit.way.answers = dict.fromkeys((STANDARD, CUSTOM), DENIED)


def _stream_sticks(times: int, **axes: int) -> Any:
    async def play(kit: Kit) -> None:
        for _ in range(5):
            kit.sticks()
            await kit.wait(0.1)
        kit.now()
        for _ in range(times):
            kit.sticks(**axes)
            await kit.wait(0.1)
        for _ in range(20):
            kit.sticks()
            await kit.wait(0.1)

    return play


def _stream_channels(*values: int) -> Any:
    async def play(kit: Kit) -> None:
        for _ in range(5):
            kit.channels(1500, 1500, 1500, 1500)
            await kit.wait(0.1)
        kit.now()
        for _ in range(20):
            kit.channels(*values)
            await kit.wait(0.1)

    return play


def _station(number: int, *params: float) -> Any:
    async def play(kit: Kit) -> None:
        kit.now()
        kit.command(number, *params, who="pilot")
        await kit.wait(3.0)

    return play


async def _station_sets_mode(kit: Kit) -> None:
    kit.now()
    kit.say(mav.MAVLink_set_mode_message(1, 1, OWN_NUMBERS[ModeName.POSITION_HOLD]), "pilot")
    await kit.wait(3.0)


async def _station_asks(kit: Kit) -> None:
    """A station reads parameters and asks for messages: no mode, no takeover."""
    kit.now()
    kit.say(mav.MAVLink_param_request_list_message(1, 1), "pilot")
    kit.command(512, 148, who="pilot")
    await kit.wait(5.0)


def _switched(name: ModeName) -> Any:
    async def play(kit: Kit) -> None:
        kit.now()
        kit.switch(name)
        await kit.wait(4.0)

    return play


async def _pilot_then_too_high(kit: Kit) -> None:
    await _stream_sticks(5, x=600)(kit)
    for _ in range(60):
        kit.sticks(z=1000)
        await kit.wait(0.1)


async def _pilot_on_the_way_home(kit: Kit) -> None:
    await _away(kit)
    await kit.wait(2.0)
    await _stream_sticks(10, x=-600)(kit)
    for _ in range(50):
        kit.sticks()
        await kit.wait(0.1)


async def _pilot_against_a_flood(kit: Kit) -> None:
    kit.now()
    for _ in range(30):
        kit.sticks(x=500)
        kit.mode(ModeName.SET_POINTS)
        await kit.wait(0.1)


HOLDING = OWN_NUMBERS[ModeName.POSITION_HOLD]
ORBITING = OWN_NUMBERS[ModeName.ORBIT]

SITUATIONS = (
    # The script
    Situation("script silent", _silent, (STOP, HOME), "home", True, SILENT),
    Situation("script silent while it moves", _silent_on_the_move, (STOP, HOME), "home", True, SILENT),
    Situation("script silent in position hold", _silent_in_hold, (STOP, HOME), "home", True, SILENT),
    Situation("script silent, return height above the ceiling", _silent, (STOP, DOWN), "home", True,
              GuardLimits(script_silent_s=2.0, height_m=4.0), parameters=HIGH_RETURN),
    Situation("script ended in the air", _script_leaves, ("harness: set-down",), "home", True),
    Situation("script lands", _script_lands, (), "home", False, GuardLimits(height_m=9, distance_m=9)),
    Situation("script fights the guard", _script_fights, (HOME,), "home", True, FENCE),
    # Height and distance
    Situation("too high by set-points", _up_by_set_points, (HOME,), "home", True, CEILING,
              parameters=LOW_RETURN),
    Situation("too high by a take-off", _up_by_take_off, (HOME,), "home", True, CEILING,
              parameters=LOW_RETURN, lasts_s=90),
    Situation("too high, return height above the ceiling", _up_by_set_points, (STOP, DOWN), "home", True,
              CEILING, parameters=HIGH_RETURN),
    Situation("too high, return height raised in flight", _return_raised, (STOP, DOWN), "home", True,
              CEILING, parameters=LOW_RETURN),
    Situation("too far", _away, (HOME,), "home", True, FENCE),
    Situation("too far, return height above the ceiling", _away, (STOP, DOWN), "there", True,
              GuardLimits(distance_m=5.0, height_m=4.0), parameters=HIGH_RETURN),
    # Battery
    Situation("battery low", _drained, (HOME,), "home", True, GuardLimits(battery=0.55), battery=0.6),
    Situation("battery low, return height above the ceiling", _drained, (STOP, DOWN), "there", True,
              GuardLimits(battery=0.55, height_m=4.0), battery=0.6, parameters=HIGH_RETURN),
    Situation("battery critical at once", _drained, (DOWN,), "there", True,
              GuardLimits(battery=0.56, battery_critical=0.555), battery=0.6),
    Situation("battery critical on the way home", _drained, (HOME, DOWN), "there", True,
              GuardLimits(battery=0.54, battery_critical=0.515), battery=0.6),
    # Position and link
    Situation("position lost", _gnss_lost, (DOWN,), "home", True, GuardLimits(position_lost_s=1.0)),
    Situation("position lost, the vehicle lands first", _gnss_lost,
              ("vehicle: land", "guard: no more to ask for"), "home", True, GuardLimits(position_lost_s=7.0)),
    Situation("position lost on the way home", _gnss_lost_on_the_way_home, (STOP, HOME, DOWN), "there", True,
              GuardLimits(script_silent_s=2.0, position_lost_s=1.0), parameters=LOW_RETURN),
    Situation("link lost for 7 s", _link_down(7.0), (LOST, BACK), "script", False, lasts_s=5),
    Situation("link lost for 14 s, the vehicle comes home by itself", _link_down(14.0),
              (LOST, "vehicle: safe-recovery", BACK), "home", False),
    Situation("telemetry lost, the vehicle still hears", _link_down(30.0, up=True),
              (LOST, HOME, BACK), "home", True, GuardLimits(link_lost_s=8.0)),
    # Running away
    Situation("runaway", _runs, (STOP, DOWN), "there", True, SLOW),
    Situation("runaway upwards", _runs_upwards, (STOP, DOWN), "home", True, GuardLimits(speed_m_s=1.8)),
    # What the vehicle does by itself
    Situation("vehicle's own failsafe: battery reserve", _reserve, ("vehicle: safe-recovery",), "home", False,
              battery=0.6),
    Situation("vehicle's own failsafe: fence", _fence, ("vehicle: position-hold",), "script", False, lasts_s=3),
    Situation("vehicle's own change: set-points stopped", _stream_ends, (), "script", False, lasts_s=3,
              identity=Identity(set_point_stream=StreamIdentity(before_entry_s=0.2, time_out_s=0.5))),
    Situation("mode changed by nobody known", _switched(ModeName.POSITION_HOLD),
              ("unknown: position-hold",), "script", False, lasts_s=3),
    # Reactions that do not work
    Situation("standard mode refused, own number works", _refusing(STANDARD), (HOME,), "home", True, FENCE),
    Situation("standard mode not answered", _deaf_to_standard_modes, (HOME,), "home", True, FENCE),
    Situation("coming home refused in every way", _refusing(STANDARD, CUSTOM, RETURN), (HOME, DOWN), "there",
              True, FENCE),
    Situation("coming home accepted and not done", _only_landing_works, (HOME, DOWN), "there", True, FENCE),
    Situation("script silent, modes of the vehicle not known", _silent_on_the_move, (STOP, HOME), "home", True,
              SILENT, nameless=True),
    Situation("too far, modes of the vehicle not known", _away, (HOME,), "home", True, FENCE, nameless=True),
    Situation("clients of the keeper gone", _clients_gone, (HOME,), "home", True),
    # The pilot
    Situation("sticks neutral but streaming", _stream_sticks(20), (), "script", False, lasts_s=2),
    Situation("one stick message off the middle", _stream_sticks(1, x=700), (), "script", False, lasts_s=2),
    Situation("stick within the dead band", _stream_sticks(20, x=50), (), "script", False, lasts_s=2),
    Situation("stick deflected", _stream_sticks(20, x=500), (TAKEN,), "pilot", True, lasts_s=2),
    Situation("vertical stick deflected", _stream_sticks(20, z=800), (TAKEN,), "pilot", True, lasts_s=2),
    Situation("channels neutral but streaming", _stream_channels(1500, 1500, 1500, 1500), (), "script", False,
              lasts_s=2),
    Situation("channel deflected", _stream_channels(1700, 1500, 1500, 1500), (TAKEN,), "pilot", True, lasts_s=2),
    Situation("station asks for a mode", _station(CUSTOM, 1, HOLDING), (TAKEN,), "pilot", True, lasts_s=2),
    Situation("station asks for a standard mode", _station(STANDARD, 1), (TAKEN,), "pilot", True, lasts_s=2),
    Situation("station asks to come home", _station(RETURN), (TAKEN,), "home", True),
    Situation("station sends SET_MODE", _station_sets_mode, (TAKEN,), "pilot", True, lasts_s=2),
    Situation("station only asks questions", _station_asks, (), "script", False, lasts_s=2),
    Situation("pilot mode", _switched(ModeName.ORBIT), (TAKEN,), "pilot", True, lasts_s=2,
              identity=Identity(pilot_modes=(ORBITING,))),
    Situation("pilot, then too high: the guard keeps silent", _pilot_then_too_high, (TAKEN,), "pilot", True,
              CEILING, lasts_s=2),
    Situation("pilot takes over from the guard", _pilot_on_the_way_home, (HOME, TAKEN), "pilot", True, FENCE,
              lasts_s=2, conditions=Conditions()),
    Situation("pilot against a script that floods", _pilot_against_a_flood, (TAKEN,), "pilot", True, lasts_s=2),
)  # fmt: skip
