"""The craft as a whole: addressing, small protocols, and flights on the real flight core."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Air, Conditions, Identity, Start, Wind
from asflown.sim.craft import Craft
from asflown.sim.interface import TICK_US, CraftSetup
from tests.unit.sim.rig import Rig

GUSTS = Conditions(wind=Wind(speed_m_s=2.0, from_rad=4.2, turbulence="light"))


def flown(seed: int, airframe: str = "palm80", seconds: float = 14.0) -> tuple[Craft, str, list[Any]]:
    """A real craft that arms, takes off to 3 m and lands; with a digest of all it sent and was, and its messages."""
    craft = Craft(CraftSetup(airframe, "r1", Start(), GUSTS, seed), Identity())
    station, decoder, digest = mav.MAVLink(None, 255, 190), mav.MAVLink(None), hashlib.sha256()
    script = {400: (400, 1.0, 0.0), 450: (22, 0.0, 3.0), 1000: (21, 0.0, 0.0)}
    heard = []
    for tick in range(1, round(seconds * 100) + 1):
        if tick in script:
            number, first, last = script[tick]
            command = mav.MAVLink_command_long_message(1, 1, number, 0, first, 0, 0, 0, 0, 0, last)
            craft.receive(command.pack(station))
        craft.tick(tick * TICK_US)
        for frame in craft.take_frames():
            digest.update(frame)
            if frame[7:10] != b"\xb4\x01\x00":
                heard.append(decoder.decode(bytearray(frame)))
        digest.update(craft.drain_state())
        digest.update(repr(craft.truth_row()).encode())
    return craft, digest.hexdigest(), heard


def test_equal_flights_give_equal_bytes_and_other_seeds_others() -> None:
    """Frames, plant state and truth of fourteen seconds."""
    first, again, other = (flown(seed)[1] for seed in (3, 3, 4))
    assert first == again
    assert first != other


@pytest.mark.parametrize("airframe", ["palm80", "field1400"])
def test_both_airframes_take_off_and_land_by_command(airframe: str) -> None:
    """To 3 m within the height's tolerance, and back on the ground with motors stopped."""
    craft, _, heard = flown(5, airframe, seconds=26.0)
    heights = [-message.z for message in heard if message.get_type() == "LOCAL_POSITION_NED"]
    assert max(heights) == pytest.approx(3.0, abs=0.5)
    assert not craft.core.armed
    assert abs(craft.truth_row()[3]) < 0.2


def test_the_texts_of_the_flight_core_go_out() -> None:
    """With their severity, once."""
    rig = Rig()
    rig.core.events.texts.append((4, "GNSS fix lost"))
    rig.run(0.05)
    assert [(m.severity, m.text) for m in rig.of_type("STATUSTEXT")] == [(4, "GNSS fix lost")]


@pytest.mark.parametrize(
    ("system", "component", "answered"),
    [(1, 1, True), (1, 0, True), (0, 0, True), (2, 1, False), (1, 154, False)],
    ids=["exactly", "all components", "broadcast", "another system", "another component"],
)
def test_only_what_is_addressed_to_it_is_carried_out(system: int, component: int, answered: bool) -> None:
    """Target 0 means everybody."""
    rig = Rig()
    reply = rig.ask(mav.MAVLink_command_long_message(system, component, 400, 0, 1, 0, 0, 0, 0, 0, 0))
    assert rig.armed() is answered
    assert ("COMMAND_ACK" in [message.get_type() for message in reply]) is answered


def test_a_craft_of_another_system_number() -> None:
    """Frames carry it, and commands must."""
    rig = Rig(system=42)
    rig.send(mav.MAVLink_command_long_message(42, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0))
    rig.run(0.1)
    assert rig.armed()
    assert {message.get_srcSystem() for message in rig.heard} == {42}


def test_timesync_mirrors_the_asker_and_ignores_answers() -> None:
    """tc1 is the craft's own time, never 0."""
    rig = Rig()
    rig.run(1.0)
    reply = rig.ask(mav.MAVLink_timesync_message(0, 123_456_789), mav.MAVLink_timesync_message(5, 6))
    answers = [(m.tc1, m.ts1) for m in reply if m.get_type() == "TIMESYNC"]
    assert answers == [(1_010_000_000, 123_456_789)]


def test_ping_is_answered_to_the_asker_and_an_answer_is_not() -> None:
    """Same stamp, same number, target the asker."""
    rig = Rig()
    reply = rig.ask(mav.MAVLink_ping_message(77, 3, 0, 0), mav.MAVLink_ping_message(78, 4, 1, 1))
    answers = [m for m in reply if m.get_type() == "PING"]
    assert [(m.time_usec, m.seq, m.target_system, m.target_component) for m in answers] == [(77, 3, 255, 190)]


def test_messages_are_handled_in_the_tick_after_they_came() -> None:
    """Not before, so that nothing happens between ticks."""
    rig = Rig()
    rig.send(mav.MAVLink_command_long_message(1, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0))
    assert not rig.armed()
    rig.run(0.01)
    assert rig.armed()


def test_a_hot_day_needs_more_throttle() -> None:
    """In air that is 30 K warmer and of low pressure the motors of a hovering craft turn faster."""
    throttles = []
    for air in (Air(), Air(warmer_k=30.0, sea_level_pressure_pa=97_000.0)):
        craft = Craft(CraftSetup("palm80", "r1", Start(), Conditions(air=air), 3), Identity())
        station = mav.MAVLink(None, 255, 190)
        script = {400: (400, 1.0, 0.0), 450: (22, 0.0, 3.0)}
        for tick in range(1, 1200):
            if tick in script:
                number, first, last = script[tick]
                command = mav.MAVLink_command_long_message(1, 1, number, 0, first, 0, 0, 0, 0, 0, last)
                craft.receive(command.pack(station))
            craft.tick(tick * TICK_US)
        assert -craft.truth_row()[3] == pytest.approx(3.0, abs=0.6)
        throttles.append(craft.core.readings.throttle)
    assert throttles[1] > 1.04 * throttles[0]
