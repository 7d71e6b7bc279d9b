"""The hub: who gets which frame, what is recorded, and in which order frames go up."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import HarnessFault, LinkProblem
from asflown.link.hub import Hub, Role
from asflown.link.profile import LaneProfile, RadioProfile
from asflown.link.radio import Radio
from tests.unit.link.frames import Sender, unknown
from tests.unit.link.hand_clock import HandClock


class NotingEndpoint:
    """A party that notes what it is given; `say` makes it speak."""

    def __init__(self, name: str, log: list[str] | None = None) -> None:
        self.name = name
        self.on_frame: Callable[[bytes], None] = lambda frame: None
        self.given: list[bytes] = []
        self.log = log if log is not None else []
        self.refuses = False

    def open(self) -> None:
        """Notes it."""
        if self.refuses:
            raise LinkProblem(f"{self.name} is in use")
        self.log.append(f"open {self.name}")

    def close(self) -> None:
        """Notes it."""
        self.log.append(f"close {self.name}")

    def send(self, frame: bytes) -> None:
        """Takes it."""
        self.given.append(frame)

    def say(self, *frames: bytes) -> None:
        """Speaks to the hub."""
        for frame in frames:
            self.on_frame(frame)

    def counters(self) -> dict[str, int]:
        """Of sending alone."""
        return {"frames_out": len(self.given)}


class NotingRecorder:
    """Notes frames by tap, and events."""

    def __init__(self) -> None:
        self.frames: list[tuple[str, int, bytes]] = []
        self.events: list[tuple[int, str, dict[str, Any]]] = []

    def frame(self, tap: str, now_us: int, frame: bytes) -> int:
        """A stamp a million past flight time."""
        self.frames.append((tap, now_us, frame))
        return 1_000_000 + now_us

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Notes it."""
        self.events.append((now_us, kind, facts))


class Field:
    """A hub with a vehicle, a script and two stations, all of which have been heard once."""

    def __init__(self, clock: HandClock, radio: Radio | None = None) -> None:
        self.clock = clock
        self.recorder = NotingRecorder()
        self.vehicle = NotingEndpoint("vehicle")
        self.hub = Hub(clock, self.recorder, self.vehicle, radio)
        self.script = NotingEndpoint("script")
        self.map, self.sticks = NotingEndpoint("map"), NotingEndpoint("sticks")
        roles: dict[Role, list[NotingEndpoint]] = {
            "script": [self.script],
            "station": [self.map, self.sticks],
        }
        for role, endpoints in roles.items():
            for endpoint in endpoints:
                self.hub.attach(endpoint, role)
        self.hub.start()
        self.pilot = Sender(254, 190)
        for endpoint, sender in (
            (self.vehicle, Sender(1, 1)),
            (self.script, Sender(255, 190)),
            (self.map, Sender(253, 190)),
            (self.sticks, self.pilot),
        ):
            endpoint.say(sender.heartbeat())
        clock.move_to(10_000_000)
        self.forget()

    def forget(self) -> None:
        """Empties all notes."""
        for endpoint in (self.vehicle, self.script, self.map, self.sticks):
            endpoint.given.clear()
        self.recorder.frames.clear()
        self.recorder.events.clear()

    def who_got(self, frame: bytes) -> str:
        """The names of those who were given the frame, exactly once and as it was."""
        endpoints = (self.vehicle, self.script, self.map, self.sticks)
        assert all(endpoint.given in ([], [frame]) for endpoint in endpoints)
        return " ".join(endpoint.name for endpoint in endpoints if endpoint.given)


@pytest.fixture
def field(clock: HandClock) -> Field:
    """A field with no radio to emulate."""
    return Field(clock)


FROM_VEHICLE = {
    "no target": (Sender().attitude(), "script map sticks"),
    "all systems": (Sender().acknowledge((0, 0)), "script map sticks"),
    "the script": (Sender().acknowledge((255, 190)), "script"),
    "all components of the script's system": (Sender().acknowledge((255, 0)), "script"),
    "a component nobody has heard": (Sender().acknowledge((255, 7)), ""),
    "a system nobody has heard": (Sender().acknowledge((77, 1)), ""),
    "itself": (Sender().command((1, 1)), ""),
    "an unknown message": (unknown(), "script map sticks"),
    "version 1": (Sender(version_1=True).attitude(), "script map sticks"),
}


@pytest.mark.parametrize(("frame", "who"), FROM_VEHICLE.values(), ids=list(FROM_VEHICLE))
def test_a_frame_of_the_vehicle_goes_to_whom_it_is_for(field: Field, frame: bytes, who: str) -> None:
    """Routing as the MAVLink guide has it; the recorder sees everything."""
    field.vehicle.say(frame)
    assert field.who_got(frame) == who
    assert field.recorder.frames == [("vehicle", 10_000_000, frame)]


GROUND = Sender(255, 190)
FROM_SCRIPT = {
    "no target": (GROUND.heartbeat(), "vehicle map sticks"),
    "the vehicle": (GROUND.command((1, 1)), "vehicle"),
    "all components of the vehicle": (GROUND.command((1, 0)), "vehicle"),
    "all systems": (GROUND.command((0, 0)), "vehicle map sticks"),
    "a station": (GROUND.command((254, 190)), "sticks"),
    "another component of the vehicle": (GROUND.command((1, 100)), ""),
    "another system": (GROUND.command((2, 1)), ""),
    "an unknown message": (unknown(system=255), "vehicle map sticks"),
}


@pytest.mark.parametrize(("frame", "who"), FROM_SCRIPT.values(), ids=list(FROM_SCRIPT))
def test_a_frame_of_the_script_goes_to_whom_it_is_for(field: Field, frame: bytes, who: str) -> None:
    """Never back to the script; recorded whether passed on or not."""
    field.script.say(frame)
    assert field.who_got(frame) == who
    assert field.recorder.frames == [("script", 10_000_000, frame)]


def test_a_frame_for_nobody_is_told_once_and_always_counted(field: Field) -> None:
    """A script that addresses the wrong system finds out from the events."""
    field.script.say(*(GROUND.command((2, 1)) for _ in range(3)))
    facts = {"endpoint": "script", "message": 76, "system": 2, "component": 1}
    assert field.recorder.events == [(10_000_000, "unroutable", facts)]
    assert field.hub.counters()["script.frames_unroutable"] == 3


def test_a_message_that_cannot_be_checked_teaches_no_route(field: Field) -> None:
    """A frame of noise must not make a system known."""
    field.map.say(unknown(system=88))
    field.forget()
    field.vehicle.say(Sender().acknowledge((88, 1)))
    assert field.map.given == []


def test_a_second_component_of_the_vehicle_is_learnt(field: Field) -> None:
    """From its first frame on, commands for it go up."""
    field.vehicle.say(Sender(1, 100).heartbeat())
    field.forget()
    field.script.say(GROUND.command((1, 100)))
    assert len(field.vehicle.given) == 1


def test_hooks_see_frames_up_before_and_frames_down_after_they_are_passed_on(field: Field) -> None:
    """With flight time, by role, whether addressed to anybody or not."""
    seen: list[tuple[str, int, int]] = []
    hub = field.hub
    hub.on_vehicle_frame.append(lambda now_us, frame: seen.append(("vehicle", now_us, len(field.map.given))))
    hub.on_script_frame.append(
        lambda now_us, frame: seen.append(("script", now_us, len(field.vehicle.given)))
    )
    hub.on_station_frame.append(
        lambda now_us, frame: seen.append(("station", now_us, len(field.script.given)))
    )
    field.vehicle.say(Sender().attitude())
    field.script.say(GROUND.command((2, 1)))
    field.sticks.say(field.pilot.sticks(10))
    assert seen == [("vehicle", 10_000_000, 1), ("script", 10_000_000, 0), ("station", 10_000_000, 1)]


def test_who_is_cut_off_is_recorded_and_not_passed_on(field: Field) -> None:
    """At once, also by a hook for this very frame, and whoever is attached later with the same role."""
    field.hub.on_station_frame.append(lambda now_us, frame: field.hub.cut_off("script"))
    field.sticks.say(field.pilot.sticks(900))
    late = NotingEndpoint("late script")
    field.hub.attach(late, "script")
    field.script.say(GROUND.set_point(8))
    late.say(GROUND.set_point(9))
    assert len(field.vehicle.given) == 1
    assert [tap for tap, _, _ in field.recorder.frames] == ["station", "script", "script"]
    assert field.recorder.events == [
        (10_000_000, "cut-off", {"role": "script", "frames_dropped": 0}),
        (10_000_000, "sticks", {"age_us": 0, "gap_us": 0}),
    ]
    field.vehicle.say(Sender().attitude())
    assert len(field.script.given) == 1
    assert field.hub.counters()["script.frames_withheld"] == 1


def test_injected_frames_go_to_the_vehicle_alone_and_are_told_apart(field: Field) -> None:
    """At the station tap, with an event that tells stamp and source."""
    frame = Sender(250, 190).command()
    field.hub.inject(frame, "guard")
    assert field.who_got(frame) == "vehicle"
    assert field.recorder.frames == [("station", 10_000_000, frame)]
    facts = {"source": "guard", "message": 76, "stamp_us": 11_000_000}
    assert field.recorder.events == [(10_000_000, "injected", facts)]


def test_everything_is_opened_the_vehicle_last_and_closed(clock: HandClock) -> None:
    """Closing twice is harmless."""
    log: list[str] = []
    hub = Hub(clock, NotingRecorder(), NotingEndpoint("vehicle", log), None)
    hub.attach(NotingEndpoint("script", log), "script")
    hub.start()
    hub.attach(NotingEndpoint("map", log), "station")
    hub.close()
    hub.close()
    opened, closed = log[:3], log[3:]
    assert opened == ["open script", "open vehicle", "open map"]
    assert sorted(closed) == ["close map", "close script", "close vehicle"]


def test_when_one_cannot_be_opened_nothing_stays_open(clock: HandClock) -> None:
    """The problem comes through."""
    log: list[str] = []
    vehicle = NotingEndpoint("vehicle", log)
    vehicle.refuses = True
    hub = Hub(clock, NotingRecorder(), vehicle, None)
    hub.attach(NotingEndpoint("script", log), "script")
    with pytest.raises(LinkProblem):
        hub.start()
    assert log == ["open script", "close vehicle", "close script"]


def test_a_detached_station_gets_nothing_more(field: Field) -> None:
    """It is closed and forgotten; its name is free again."""
    field.hub.detach(field.map)
    field.vehicle.say(Sender().attitude())
    assert (field.map.given, field.map.log[-1]) == ([], "close map")
    field.hub.attach(NotingEndpoint("map"), "station")


def test_names_are_unique(field: Field) -> None:
    """Counters are told apart by them."""
    for name in ("vehicle", "script"):
        with pytest.raises(HarnessFault):
            field.hub.attach(NotingEndpoint(name), "station")


def slow_field(clock: HandClock, rate: int = 1000) -> Field:
    """A field whose uplink carries `rate` bytes a second."""
    profile = RadioProfile(name="slow", up=LaneProfile(rate_bytes_per_s=rate))
    return Field(clock, Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2)))


def test_what_goes_up_is_recorded_before_the_radio_what_comes_down_behind(clock: HandClock) -> None:
    """A second of latency: the script's frame is stamped when said, the vehicle's when it has come through."""
    late = LaneProfile(latency_s=1.0)
    profile = RadioProfile(name="late", up=late, down=late)
    radio = Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2))
    field = Field(clock, radio)
    field.script.say(GROUND.heartbeat())
    field.vehicle.say(Sender().attitude())
    assert field.vehicle.given == field.script.given == []
    clock.move_to(20_000_000)
    assert [(tap, at) for tap, at, _ in field.recorder.frames] == [
        ("script", 10_000_000),
        ("vehicle", 11_000_000),
    ]
    assert len(field.vehicle.given) == len(field.script.given) == 1


def test_a_busy_radio_takes_the_most_urgent_next(clock: HandClock) -> None:
    """Said in the wrong order within one moment: the first leaves at once, the others by urgency."""
    field = slow_field(clock)
    text, point, parameter = GROUND.text("hello"), GROUND.set_point(1), GROUND.parameter()
    guard, sticks = Sender(250).command(), field.pilot.sticks(5)
    newer_point = GROUND.set_point(2)
    field.script.say(text, point, parameter)
    field.hub.inject(guard, "guard")
    field.sticks.say(sticks)
    field.script.say(newer_point)
    clock.move_to(20_000_000)
    assert field.vehicle.given == [text, sticks, guard, parameter, newer_point]
    assert field.hub.counters()["uplink.set_point.superseded"] == 1


def test_a_script_that_is_cut_off_has_nothing_left_on_its_way(clock: HandClock) -> None:
    """What waited for the radio is dropped; the guard's frame goes next."""
    field = slow_field(clock)
    first, *others = [GROUND.command() for _ in range(5)]
    field.script.say(first, *others)
    field.hub.cut_off()
    guard = Sender(250).command()
    field.hub.inject(guard, "guard")
    clock.move_to(20_000_000)
    assert field.vehicle.given == [first, guard]
    assert field.recorder.events[0] == (10_000_000, "cut-off", {"role": "script", "frames_dropped": 4})


def test_a_flood_is_bounded_counted_and_told_at_most_once_a_second(clock: HandClock) -> None:
    """Sticks of a pilot get through beside 20,000 frames of a script in two seconds."""
    field = slow_field(clock, rate=2000)
    for step in range(200):
        for _ in range(100):
            field.script.say(GROUND.text("a" * 50))
        if step % 10 == 0:
            field.sticks.say(field.pilot.sticks(step + 1))
        clock.move_to(clock.now_us() + 10_000)
    field.hub.close()
    counted = field.hub.counters()
    assert counted["uplink.pilot.sent"] == counted["uplink.pilot.taken"] == 20
    told = [
        facts["frames"]["script.rest"] for _, kind, facts in field.recorder.events if kind == "uplink-dropped"
    ]
    assert len(told) <= 4
    assert sum(told) == counted["uplink.rest.dropped"] > 19_000


def test_what_waits_too_long_is_told_by_name(clock: HandClock) -> None:
    """A radio that takes a second for a frame: of ten commands the last ones grow too old, and each is in an event."""
    field = slow_field(clock, rate=40)
    field.script.say(*(GROUND.command(number=n) for n in range(10)))
    clock.move_to(60_000_000)
    field.hub.close()
    told = [facts["frames"] for _, kind, facts in field.recorder.events if kind == "uplink-expired"]
    expired = field.hub.counters()["uplink.command.expired"]
    assert sum(frames["script.command"] for frames in told) == expired >= 4
    assert expired + len(field.vehicle.given) == 10


def test_what_waits_of_somebody_who_leaves_is_told(clock: HandClock) -> None:
    """It is dropped, counted, and in an event."""
    field = slow_field(clock, rate=40)
    field.map.say(*(Sender(253, 190).command(number=n) for n in range(5)))
    field.hub.detach(field.map)
    field.hub.close()
    told = [facts["frames"] for _, kind, facts in field.recorder.events if kind == "uplink-dropped"]
    assert sum(frames["map.command"] for frames in told) == 4
    assert field.hub.counters()["uplink.command.dropped"] == 4


actions = st.lists(
    st.tuples(st.sampled_from(["script", "map", "sticks", "guard"]), st.integers(0, 5)), max_size=60
)


@given(actions, st.integers(200, 20_000))
def test_the_counters_add_up_to_the_last_frame(steps: list[tuple[str, int]], rate: int) -> None:
    """Whatever is said: all that went into the uplink reached the vehicle, was superseded, dropped, or waits."""
    clock = HandClock()
    field = slow_field(clock, rate)
    before = field.hub.counters()
    for who, what in steps:
        frame = [GROUND.heartbeat, GROUND.command, GROUND.parameter, field.pilot.heartbeat][what % 4]()
        frame = GROUND.set_point(what) if what == 5 else frame
        if who == "guard":
            field.hub.inject(frame, "guard")
        else:
            {"script": field.script, "map": field.map, "sticks": field.sticks}[who].say(frame)
        clock.move_to(clock.now_us() + 5_000)
    after = field.hub.counters()
    change = {key: after[key] - before[key] for key in after}
    assert (
        len(field.recorder.frames)
        == len(steps)
        == sum(change[f"uplink.{w}.taken"] for w in ("guard", "command", "set_point"))
    )
    ends = sum(change[key] for key in change if key.startswith("uplink.") and not key.endswith(".taken"))
    assert ends == len(steps)
    assert len(field.vehicle.given) == change["radio.up.frames_delivered"]
    clock.close()
