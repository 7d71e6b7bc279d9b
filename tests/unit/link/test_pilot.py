"""A pilot at the hub: the age of sticks, a joystick of this machine, and what a pilot's commands outrank."""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common

from asflown.errors import LinkProblem, UsageError
from asflown.link.hub import Hub
from asflown.link.joystick import Joystick, open_evdev
from asflown.link.priority import Level, classify
from asflown.link.profile import LaneProfile, RadioProfile
from asflown.link.radio import Radio
from asflown.link.sticks_mapping import ABS_RX, ABS_RY, ABS_X, ABS_Y, Range, StickState
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import Field, NotingEndpoint, NotingRecorder

KEY, AXIS = 1, 3
HAS_EVDEV = importlib.util.find_spec("evdev") is not None
RANGES = {code: Range(-32_768, 32_767) for code in (ABS_X, ABS_Y, ABS_RX, ABS_RY)}


def test_the_age_of_sticks_is_an_event_where_they_reach_the_vehicle(clock: HandClock) -> None:
    """100 ms of latency; sticks every 200 ms, but for one that does not come."""
    profile = RadioProfile(name="late", up=LaneProfile(latency_s=0.1))
    radio = Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2))
    field = Field(clock, radio)
    began_us = clock.now_us()
    for n in (0, 1, 2, 4, 5):
        clock.move_to(began_us + n * 200_000)
        field.sticks.say(field.pilot.sticks(100 + n))
    clock.move_to(began_us + 2_000_000)
    assert [
        (at_us - began_us, facts["age_us"], facts["gap_us"])
        for at_us, kind, facts in field.recorder.events
        if kind == "sticks"
    ] == [
        (100_000, 100_000, 0),
        (300_000, 100_000, 200_000),
        (500_000, 100_000, 200_000),
        (900_000, 100_000, 400_000),
        (1_100_000, 100_000, 200_000),
    ]


def test_a_flood_of_sticks_is_told_fifty_times_a_second_with_the_worst_gap(clock: HandClock) -> None:
    """A thousand a second, with a hole of 15 ms."""
    field = Field(clock)
    began_us = clock.now_us()
    for n in range(1_000):
        if not 505 <= n < 520:
            clock.move_to(began_us + n * 1_000)
            field.sticks.say(field.pilot.sticks(n))
    gaps = [facts["gap_us"] for _, kind, facts in field.recorder.events if kind == "sticks"]
    assert len(gaps) <= 51
    assert max(gaps) == 16_000


def test_a_script_s_sticks_are_nobody_s_age(clock: HandClock) -> None:
    """They are set-points: a script is no pilot."""
    field = Field(clock)
    field.script.say(Sender(255, 190).sticks(5))
    assert field.recorder.events == []


def test_only_the_newest_sticks_wait(clock: HandClock) -> None:
    """While the radio is busy, older ones are replaced in their place and counted."""
    profile = RadioProfile(name="slow", both=LaneProfile(rate_bytes_per_s=500))
    radio = Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2))
    field = Field(clock, radio)
    for n in range(10):
        field.sticks.say(field.pilot.sticks(n))
    clock.move_to(clock.now_us() + 1_000_000)
    values = [common.MAVLink(None).decode(bytearray(frame)).x for frame in field.vehicle.given]
    counted = field.hub.counters()
    assert values == [0, 9]
    assert (counted["uplink.pilot.superseded"], counted["uplink.pilot.dropped"]) == (8, 0)


COMMANDS = {
    "command": Sender(254, 25).command(),
    "mode": Sender(254, 25).pack(common.MAVLink_set_mode_message(1, 1, 5)),
    "sticks": Sender(254, 25).sticks(1),
    "parameter": Sender(254, 25).parameter(),
}


@pytest.mark.parametrize(
    ("name", "pilot", "station"),
    [
        ("command", Level.PILOT_COMMAND, Level.COMMAND),
        ("mode", Level.PILOT_COMMAND, Level.COMMAND),
        ("sticks", Level.PILOT, Level.PILOT),
        ("parameter", Level.COMMAND, Level.COMMAND),
    ],
    ids=list(COMMANDS),
)
def test_a_pilot_s_commands_go_before_all_others(name: str, pilot: Level, station: Level) -> None:
    """Sticks of a station are a pilot's; its commands are not, unless it was attached as one."""
    assert (classify(COMMANDS[name], "pilot"), classify(COMMANDS[name], "station")) == (pilot, station)


@given(st.integers(-100, 355), st.integers(0, 255), st.integers(1, 255))
def test_an_axis_never_leaves_its_range(value: int, low: int, width: int) -> None:
    """Whatever the device says: -1000 to 1000, its ends at its ends."""
    axis = Range(low, low + width)
    assert -1_000 <= axis.of_full(value) <= 1_000
    assert (axis.of_full(low), axis.of_full(low + width)) == (-1_000, 1_000)


PUSHED = {
    "forward": (ABS_RY, -32_768, {"x": 1_000}),
    "right": (ABS_RX, 32_767, {"y": 1_000}),
    "clockwise": (ABS_X, 32_767, {"r": 1_000}),
    "up": (ABS_Y, -32_768, {"z": 1_000}),
    "down": (ABS_Y, 32_767, {"z": 0}),
}


@pytest.mark.parametrize(("axis", "value", "moves"), PUSHED.values(), ids=list(PUSHED))
def test_sticks_go_where_they_are_pushed(axis: int, value: int, moves: dict[str, int]) -> None:
    """One at a time; the others stay in their middle (z: 500)."""
    state = StickState(RANGES, {}, thrust_from_zero=True)
    state.move(axis, value)
    sticks = state.sticks()
    assert {"x": sticks.x, "y": sticks.y, "z": sticks.z, "r": sticks.r} == {
        "x": 0,
        "y": 0,
        "z": 500,
        "r": 0,
    } | moves


def test_thrust_may_be_about_zero() -> None:
    """By configuration: -1000 to 1000."""
    state = StickState(RANGES, {}, thrust_from_zero=False)
    assert state.sticks().z == 0
    state.move(ABS_Y, 32_767)
    assert state.sticks().z == -1_000


@pytest.mark.parametrize("first", [0x120, 0x130], ids=["joystick", "gamepad"])
def test_buttons_are_bits(first: int) -> None:
    """The first sixteen; others are nobody's."""
    state = StickState(RANGES, {}, thrust_from_zero=True)
    for code, down in (
        (first, True),
        (first + 3, True),
        (first + 3, False),
        (first + 9, True),
        (0x2C0, True),
    ):
        state.press(code, down=down)
    assert state.sticks().buttons == 1 | 1 << 9


class PipeDevice:
    """A hand-written input device: a pipe that can be watched, and events to be read from it."""

    def __init__(self, axes: Iterable[int] = RANGES) -> None:
        self.fd, self._write = os.pipe()
        self._axes = dict.fromkeys(axes, (0, -32768, 32767))
        self.events: list[Any] = []
        self.gone = self.closed = False

    def axes(self) -> dict[int, tuple[int, int, int]]:
        """All in their middle."""
        return self._axes

    def happen(self, kind: int, code: int, value: int) -> None:
        """Something moves."""
        self.events.append(SimpleNamespace(type=kind, code=code, value=value))
        os.write(self._write, b".")

    def unplug(self) -> None:
        """It is gone."""
        self.gone = True
        os.write(self._write, b".")

    def read(self) -> list[Any]:
        """As the kernel's devices do."""
        os.read(self.fd, 100)
        if self.gone:
            raise OSError(19, "No such device")
        events, self.events = self.events, []
        return events

    def close(self) -> None:
        """Both ends."""
        self.closed = True
        os.close(self.fd)
        os.close(self._write)


class Desk:
    """A hub with a joystick and a vehicle that has been heard."""

    def __init__(self, clock: HandClock) -> None:
        self.clock, self.devices = clock, [PipeDevice()]
        self.present = True
        self.vehicle = NotingEndpoint("vehicle")
        self.recorder = NotingRecorder()
        self.hub = Hub(clock, self.recorder, self.vehicle, None)
        self.joystick = Joystick(Path("/dev/input/event9"), clock, open_device=self.open)
        self.hub.attach(self.joystick, "pilot")
        self.hub.start()

    def open(self, path: Path) -> PipeDevice:
        """The device at a path, if it is plugged in."""
        if not self.present:
            raise LinkProblem(f"joystick {path} is not there")
        return self.devices[-1]

    def moved(self) -> list[tuple[int, int]]:
        """X and target of the sticks that the vehicle was given."""
        found = [common.MAVLink(None).decode(bytearray(frame)) for frame in self.vehicle.given]
        return [(message.x, message.target) for message in found if message.get_type() == "MANUAL_CONTROL"]


@pytest.fixture
def desk(clock: HandClock) -> Iterator[Desk]:
    """It is closed afterwards, and the device with it."""
    made = Desk(clock)
    yield made
    made.hub.close()
    assert made.devices[-1].closed


def test_a_joystick_speaks_when_a_vehicle_is_heard_and_25_times_a_second(desk: Desk) -> None:
    """To the system whose heartbeat names an autopilot, with where the sticks are."""
    desk.clock.move_to(1_000_000)
    assert desk.moved() == []
    desk.vehicle.say(Sender(7, 1).heartbeat())
    desk.devices[0].happen(AXIS, ABS_RY, -32_768)
    desk.clock.settle()
    desk.clock.move_to(2_000_000)
    assert desk.moved() == [(1_000, 7)] * 25
    assert desk.joystick.counters()["frames_in"] == 25


def test_a_joystick_that_is_unplugged_falls_silent_and_comes_back(desk: Desk) -> None:
    """The vehicle sees its sticks grow old; they are never held still for it."""
    desk.vehicle.say(Sender(7, 1).heartbeat())
    desk.clock.move_to(1_000_000)
    before = len(desk.moved())
    desk.present = False
    desk.devices[0].unplug()
    desk.clock.settle()
    desk.clock.move_to(6_000_000)
    assert len(desk.moved()) == before
    desk.present = True
    desk.devices.append(PipeDevice())
    desk.clock.move_to(12_000_000)
    assert len(desk.moved()) > before + 25
    assert desk.joystick.counters()["connections"] == 2


def test_a_device_without_two_sticks_is_refused(clock: HandClock) -> None:
    """A mouse, say; it is closed again."""
    mouse = PipeDevice(axes=(ABS_X, ABS_Y))
    joystick = Joystick(Path("/dev/input/event2"), clock, open_device=lambda path: mouse)
    with pytest.raises(LinkProblem, match="event2 has no two sticks"):
        joystick.open()
    assert mouse.closed


def test_without_the_package_the_sentence_says_which(monkeypatch: pytest.MonkeyPatch) -> None:
    """A joystick is an extra."""
    monkeypatch.setitem(sys.modules, "evdev", None)
    with pytest.raises(UsageError, match=r"pip install 'asflown\[joystick\]'"):
        open_evdev(Path("/dev/input/event0"))


def test_a_device_that_is_not_there_names_those_that_are(tmp_path: Path) -> None:
    """By the kernel, with the package itself; without the package, its name is what the user reads."""
    if HAS_EVDEV:
        with pytest.raises(
            LinkProblem, match="cannot be opened: No such file or directory. Joysticks found: "
        ):
            open_evdev(tmp_path / "none")
    else:
        with pytest.raises(UsageError, match="a joystick needs the package evdev, which is not installed"):
            open_evdev(tmp_path / "none")


if HAS_EVDEV:  # an extra; what it drives is tested above without it

    def test_a_real_device_where_the_machine_lets_us_make_one(clock: HandClock) -> None:
        """By uinput: an axis that moves reaches the hub's frame. Elsewhere the kernel refuses, and says so."""
        evdev = importlib.import_module("evdev")
        info = evdev.AbsInfo(value=0, min=-100, max=100, fuzz=0, flat=0, resolution=0)
        try:
            made = evdev.UInput({AXIS: [(code, info) for code in RANGES], KEY: [0x130]}, name="asflown test")
        except (evdev.UInputError, OSError):
            assert not os.access("/dev/uinput", os.W_OK)
            return
        heard: list[bytes] = []
        joystick = Joystick(Path(made.device.path), clock)
        joystick.on_frame = heard.append
        joystick.open()
        joystick.send(Sender(1, 1).heartbeat())
        made.write(AXIS, ABS_RY, -100)
        made.syn()
        clock.pump(lambda: joystick._state is not None and joystick._state.sticks().x == 1_000)
        clock.move_to(100_000)
        joystick.close()
        made.close()
        assert common.MAVLink(None).decode(bytearray(heard[-1])).x == 1_000
