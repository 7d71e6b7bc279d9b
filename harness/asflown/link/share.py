"""One vehicle's link shared by several programs: `asflown link share`.

The vehicle's endpoint is opened once. Everybody else gets an endpoint of their own, hears what the vehicle says, and
speaks to it in the order of urgency. It goes on until Ctrl-C or SIGTERM.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from asflown.clock.kernel import StoppedBySignal
from asflown.clock.paced import PacedClock
from asflown.errors import FlightError, UsageError
from asflown.link.base import Endpoint
from asflown.link.budget import budget_for
from asflown.link.endpoint import make_endpoint
from asflown.link.hub import Access, Hub, Role
from asflown.link.joystick import Joystick
from asflown.link.knock import Knock
from asflown.link.profile import load_profile
from asflown.link.signing import Signing
from asflown.link.signing_setup import signing_from
from asflown.link.taps import LastingRecorder, NoRecorder
from asflown.url import Url, parse


@dataclass(frozen=True, slots=True)
class Outlet:
    """Somebody to share with."""

    url: str
    role: Role = "station"
    access: Access = "full"


@dataclass(frozen=True, slots=True)
class Sharing:
    """What is shared, with whom, and how."""

    vehicle: str
    outlets: tuple[Outlet, ...]
    radio: str | None = None
    """The profile of the radio behind `vehicle`: its rate up paces what is sent."""
    capture: Path | None = None
    """A new folder for captures."""
    key: Path | None = None
    vehicle_must_sign: bool = False
    joystick: Path | None = None
    thrust_from_zero: bool = True


@dataclass(frozen=True, slots=True)
class Shown:
    """What there is to see at one moment."""

    time_us: int
    counters: dict[str, int]
    parties: list[tuple[str, str, dict[str, int]]]


@dataclass(frozen=True, slots=True)
class Watching:
    """Who is told what while a link is shared."""

    ready: Callable[[list[str]], None]
    """The outlets' links once all are open, with ports that the system chose."""
    event: Callable[[str, dict[str, Any]], None]
    """What happens: `circle`, `vehicle-rebooted`, `uplink-dropped`, `capture-stopped` and so on."""
    shown: Callable[[Shown], None]
    interval_us: int = 500_000


@dataclass(frozen=True, slots=True)
class Shared:
    """How it ended."""

    signal_number: int
    last: Shown
    capture_problem: FlightError | None


def share(sharing: Sharing, watching: Watching) -> Shared:
    """Shares until Ctrl-C or SIGTERM; everything is closed then.

    Raises LinkProblem for a port that cannot be had, UsageError for what was asked for wrongly, FolderProblem for
    captures that cannot be made.
    """
    made: list[_Share] = []
    signal_number = 0
    clock = PacedClock()
    try:
        clock.run(_share(sharing, watching, clock, made))
    except StoppedBySignal as stop:
        if not made:
            raise KeyboardInterrupt from None
        signal_number = stop.signal_number
    return Shared(signal_number, made[0].look(), made[0].capture_problem)


async def _share(sharing: Sharing, watching: Watching, clock: PacedClock, made: list[_Share]) -> None:
    """Makes everything while the clock runs, so that its loop is closed whatever goes wrong."""
    made.append(_Share(sharing, watching, clock))
    await made[0].go()


class _Share:
    def __init__(self, sharing: Sharing, watching: Watching, clock: PacedClock) -> None:
        self._sharing, self._watching, self._clock = sharing, watching, clock
        signing = _signing(sharing, clock, watching.event)
        self._vehicle_url = parse(sharing.vehicle)
        self._vehicle = make_endpoint(self._vehicle_url, clock, name="vehicle")
        self._outlets = [
            (parse(outlet.url), outlet, make_endpoint(outlet.url, clock, name=_name(outlet, number)))
            for number, outlet in enumerate(sharing.outlets, 1)
        ]
        radio = load_profile(sharing.radio).up_lane if sharing.radio else None
        self._recorder = self._make_recorder()
        self._hub = Hub(
            clock,
            self._recorder,
            self._vehicle,
            None,
            budget=budget_for(self._vehicle_url, radio, clock),
            signing=signing,
            vehicle_must_sign=sharing.vehicle_must_sign,
        )
        for _, outlet, endpoint in self._outlets:
            self._hub.attach(endpoint, outlet.role, outlet.access)
        if sharing.joystick is not None:
            stick = Joystick(sharing.joystick, clock, thrust_from_zero=sharing.thrust_from_zero)
            self._hub.attach(stick, "pilot")

    def _make_recorder(self) -> NoRecorder | LastingRecorder:
        tell = self._watching.event
        if self._sharing.capture is None:
            return NoRecorder(tell)
        return LastingRecorder(
            self._sharing.capture,
            self._clock,
            tell,
            lambda problem: tell("capture-stopped", {"why": str(problem)}),
        )

    @property
    def capture_problem(self) -> FlightError | None:
        return self._recorder.problem if isinstance(self._recorder, LastingRecorder) else None

    async def go(self) -> None:
        hub, clock = self._hub, self._clock
        try:
            hub.start()
            self._watching.ready([str(_as_open(url, endpoint)) for url, _, endpoint in self._outlets])
            Knock(clock, hub).start()
            while True:
                await clock.sleep_until(clock.now_us() + self._watching.interval_us)
                self._watching.shown(self.look())
        finally:
            hub.close()
            if isinstance(self._recorder, LastingRecorder):
                self._recorder.close()

    def look(self) -> Shown:
        return Shown(self._clock.now_us(), self._hub.counters(), self._hub.parties())


def _signing(
    sharing: Sharing, clock: PacedClock, tell: Callable[[str, dict[str, Any]], None]
) -> Signing | None:
    needs_key = any(outlet.access.startswith("key") for outlet in sharing.outlets)
    if sharing.key is None and (needs_key or sharing.vehicle_must_sign):
        raise UsageError("signatures cannot be checked without a key", "Name its file with --key")
    return signing_from(sharing.key, clock, tell)


def _name(outlet: Outlet, number: int) -> str:
    return f"{outlet.role}-{number}"


def _as_open(url: Url, endpoint: Endpoint) -> Url:
    port = getattr(endpoint, "port", url.port)
    return Url(url.kind, url.host, port, url.path, url.baud)
