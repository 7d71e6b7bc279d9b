"""What gets through an emulated radio that is offered far more than it can carry: rates and ages, by urgency.

    python -m tests.benchmarks.link_priorities [--radios sub-ghz-telemetry ...] [--loads 50 200 500 1000] [--page]

In virtual time, through the hub and its uplink, with a built-in vehicle's own telemetry on the way down. A pilot moves
sticks 25 times a second, the guard asks for a mode twice a second, a station sends ten commands and parameters a
second; a script with set-points and a station with text fill up, half and half, until the load offered is the given
share of what the radio carries up (with --commands, half of that are commands, too). The age is from the moment a frame
came to the hub until it reached the vehicle; of sticks and set-points those that a newer one replaced do not arrive,
which is what replacing is for. Prints a table; with --page it goes into harness/docs/link.md. Exit code 1 when a radio
that carries the sticks at all gives them less than 95 % of their rate, or more than 1.2 times their age, of the first
load; or when the uplink's counters do not add up.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

import numpy as np
from pymavlink.dialects.v20 import common

from asflown.clock.virtual import VirtualClock
from asflown.link.hub import Hub, Role
from asflown.link.profile import load_profile
from asflown.link.radio import Radio
from asflown.link.taps import NoRecorder
from asflown.scenario.model import Conditions, Start
from asflown.scenario.vehicle_file import load_vehicle
from asflown.vehicle.in_process import InProcessEndpoint
from asflown.vehicle.registry import open_built_in
from tests.benchmarks.page import put, table
from tests.unit.link.frames import Sender
from tests.unit.link.test_hub import NotingEndpoint

STICKS_HZ, GUARD_HZ, COMMANDS_HZ = 25.0, 2.0, 10.0
WARM_UP_US, LINGER_US = 3_000_000, 2_000_000
ROLES: dict[str, Role] = {"pilot": "pilot", "station": "station", "script": "script", "filler": "station"}
SPEAKER = {"sticks": "pilot", "commands": "station", "set-points": "script", "text": "filler"}


@dataclass
class Kind:
    """One kind of frame: when each was said, and how old those were that arrived, microseconds."""

    name: str
    rate_hz: float
    said_us: dict[bytes, int] = field(default_factory=dict)
    ages_us: list[int] = field(default_factory=list)
    arrivals_us: list[int] = field(default_factory=list)


def makers() -> dict[str, Callable[[], bytes]]:
    """How a frame of each kind is made; no two are alike."""
    pilot, guard = Sender(254, 25), Sender(252, 191)
    station, script, filler = Sender(253, 190), Sender(255, 190), Sender(251, 190)
    numbers = iter(range(10**9))
    return {
        "sticks": lambda: pilot.sticks(next(numbers) % 1000),
        "guard": lambda: guard.command(number=262),
        "commands": lambda: command(station, next(numbers)),
        "set-points": lambda: script.set_point(next(numbers) * 1e-3),
        "text": lambda: filler.text(f"{next(numbers):040d}"),
    }


def command(sender: Sender, number: int) -> bytes:
    """By turns a command and a parameter, each different."""
    if number % 2:
        return sender.parameter(f"P{number % 10_000}")
    return sender.pack(common.MAVLink_command_long_message(1, 1, 512, 0, number % 100_000, 0, 0, 0, 0, 0, 0))


class Load:
    """The hub, a radio, a vehicle behind it, and those who talk."""

    def __init__(self, radio_name: str, percent: int, seconds: float, *, flood: bool, seed: int = 1) -> None:
        """`flood` makes half of what fills up commands."""
        self.clock = VirtualClock()
        self.end_us = WARM_UP_US + round(seconds * 1e6)
        profile = load_profile(radio_name)
        radio = Radio(profile, self.clock, up=Random(f"up {seed}"), down=Random(f"down {seed}"))
        self.vehicle = open_built_in(self.clock, load_vehicle("palm80"), Start(), Conditions(), seed)
        endpoint = self.vehicle.endpoint
        assert isinstance(endpoint, InProcessEndpoint)
        self.taken, endpoint._take = endpoint._take, self.arrive
        self.hub = Hub(self.clock, NoRecorder(), endpoint, radio)
        self.parties = {name: NotingEndpoint(name) for name in ROLES}
        for name, party in self.parties.items():
            self.hub.attach(party, ROLES[name])
        self.makes = makers()
        lane = profile.up_lane
        assert lane.rate_bytes_per_s is not None
        self.offered = lane.rate_bytes_per_s * percent / 100
        self.kinds = {name: Kind(name, rate) for name, rate in self.rates(lane.overhead_bytes, flood).items()}

    def rates(self, overhead: int, flood: bool) -> dict[str, float]:
        """How often each kind is said, so that all of it together is the load."""
        sizes = {name: len(make()) + overhead for name, make in self.makes.items()}
        rates = {"sticks": STICKS_HZ, "guard": GUARD_HZ, "commands": COMMANDS_HZ}
        left = max(0.0, self.offered - sum(rate * sizes[name] for name, rate in rates.items()))
        if flood:
            rates["commands"] += left / 2 / sizes["commands"]
            left /= 2
        return {**rates, "set-points": left / 2 / sizes["set-points"], "text": left / 2 / sizes["text"]}

    def arrive(self, frame: bytes) -> None:
        """A frame reached the vehicle."""
        now_us = self.clock.now_us()
        for kind in self.kinds.values():
            said_us = kind.said_us.pop(frame, None)
            if said_us is not None:
                kind.ages_us.append(now_us - said_us)
                kind.arrivals_us.append(now_us)
        self.taken(frame)

    def keep_saying(self, kind: Kind, say: Callable[[bytes], None]) -> None:
        """Until the end, uneven by a tenth, so that no two rates keep step."""
        random = Random(kind.name)

        def again() -> None:
            now_us = self.clock.now_us()
            if now_us < self.end_us and kind.rate_hz:
                frame = self.makes[kind.name]()
                kind.said_us[frame] = now_us
                say(frame)
                wait_us = round((0.9 + 0.2 * random.random()) * 1e6 / kind.rate_hz)
                self.clock.call_at(now_us + wait_us, again)

        self.clock.call_at(WARM_UP_US, again)

    def run(self) -> None:
        """All of it."""
        self.clock.run(self.fly())

    async def fly(self) -> None:
        """Vehicle and talkers, until the end and a little longer."""
        self.hub.start()
        self.vehicle.start()
        for name, kind in self.kinds.items():
            if name == "guard":
                self.keep_saying(kind, lambda frame: self.hub.inject(frame, "guard"))
            else:
                self.keep_saying(kind, self.parties[SPEAKER[name]].on_frame)
        await self.clock.sleep_until(self.end_us + LINGER_US)
        self.vehicle.stop()
        self.hub.close()


@dataclass(frozen=True)
class Fared:
    """How one kind of frame fared: each second, milliseconds."""

    offered: float
    arrived: float
    p50: float
    p99: float
    longest_without: float

    def cells(self) -> list[str]:
        """For the table; nothing where nothing arrived."""
        rates = [f"{self.offered:.1f}", f"{self.arrived:.1f}"]
        times = (self.p50, self.p99, self.longest_without)
        return rates + ["" if np.isnan(time) else f"{time:.0f}" for time in times]


def fared(load: Load, kind: Kind) -> Fared:
    """Offered and arrived, age, and the longest time without one."""
    arrived = len(kind.ages_us)
    ages_ms = np.array(kind.ages_us) / 1000 if arrived else np.array([np.nan])
    gaps_ms = np.diff(kind.arrivals_us) / 1000 if arrived > 1 else np.array([np.nan])
    p50, p99 = (float(np.percentile(ages_ms, share)) for share in (50, 99))
    seconds = (load.end_us - WARM_UP_US) / 1e6
    return Fared(kind.rate_hz, arrived / seconds, p50, p99, float(gaps_ms.max()))


def adds_up(load: Load) -> bool:
    """Whether the frames that the uplink took are those that left it, were dropped or replaced, or wait."""
    counted = {key: count for key, count in load.hub.counters().items() if key.startswith("uplink.")}
    ends = (".sent", ".dropped", ".superseded", ".expired", ".waiting")
    taken = sum(count for key, count in counted.items() if key.endswith(".taken"))
    return taken == sum(count for key, count in counted.items() if key.endswith(ends))


def keeps(sticks: list[Fared]) -> bool:
    """Whether sticks fared at every load as at the first one."""
    first = sticks[0]
    return all(one.arrived >= 0.95 * first.arrived and one.p99 <= 1.2 * first.p99 for one in sticks)


def measured(radio: str, options: argparse.Namespace) -> tuple[list[list[str]], bool]:
    """The rows of a radio, and whether it kept what is promised."""
    rows: list[list[str]] = []
    sticks: list[Fared] = []
    well = True
    for percent in options.loads:
        load = Load(radio, percent, options.seconds, flood=options.commands)
        load.run()
        found = {name: fared(load, kind) for name, kind in load.kinds.items()}
        rows += [[radio, f"{percent} %", name, *one.cells()] for name, one in found.items()]
        sticks.append(found["sticks"])
        well = well and adds_up(load)
    return rows, well and keeps(sticks)


def main() -> int:
    """The table; the exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--radios", nargs="+", default=["sub-ghz-telemetry", "long-range-slow"])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--commands", action="store_true")
    parser.add_argument("--loads", type=int, nargs="+", default=[50, 200, 500, 1000])
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    found = [measured(radio, options) for radio in options.radios]
    heads = ["radio", "offered", "what", "offered /s", "arrived /s", "age p50, ms", "age p99, ms"]
    text = table([*heads, "longest without, ms"], [row for rows, _ in found for row in rows])
    print(text)
    if options.page:
        put("link.md", "link_priorities", text)
    return 0 if all(well for _, well in found) else 1


if __name__ == "__main__":
    sys.exit(main())
