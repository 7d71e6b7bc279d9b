"""The keeper: a process of its own that owns a real vehicle's port, so that no other process's death strands it.

It holds the hub, the captures and the guard's place. The conductor is its client over a UNIX socket, the script over a
MAVLink endpoint like any other. When the last client goes away without saying that the flight is done, when the
captures cannot be written any more, or on SIGTERM, it cuts the script off, has the guard bring the vehicle down, closes
the captures and ends; at the latest `KeeperOrder.longest_end_s` after that, or when a pilot who has taken over and
flies through the hub has landed. Ctrl-C is not for it.

Started by `KeeperClient` as `python -m asflown.vehicle.keeper`, with the order on standard input; it says one line
on standard output when it is ready, or what is wrong.
"""

from __future__ import annotations

import asyncio
import gc
import importlib
import signal
import sys
from collections.abc import Callable
from typing import Any, Protocol, get_args

from asflown.clock.kernel import StoppedBySignal
from asflown.clock.paced import PacedClock
from asflown.errors import AsflownError, FlightError, HarnessFault
from asflown.link.budget import budget_for
from asflown.link.endpoint import make_endpoint
from asflown.link.hub import Access, Hub, Role
from asflown.link.knock import Knock
from asflown.link.profile import load_profile
from asflown.link.signing_setup import signing_from
from asflown.link.taps import LastingRecorder
from asflown.url import parse
from asflown.vehicle.keeper_control import ControlDoor
from asflown.vehicle.keeper_order import FIRST_CLIENT_WAIT_S, KeeperOrder, line_of
from asflown.vehicle.rig_lock import RigLock
from asflown.vehicle.standing import VehicleStanding

STANDING_INTERVAL_US = 200_000
DOWN_INTERVAL_US = 100_000
PILOT_SILENT_US = 5_000_000
TERMINATED = 143


class GuardSlot(Protocol):
    """What may sit in the guard's place. It hooks itself into the hub, and cuts the script off itself."""

    @property
    def taken(self) -> bool:
        """Whether a pilot has taken over."""

    def start(self) -> None:
        """Begins to watch."""

    def script_started(self) -> None:
        """The script flies from now on."""

    def script_may_arm(self) -> None:
        """Nothing can turn on this bench, or nothing real."""

    def script_ended(self) -> None:
        """From now on silence is no surprise."""

    def script_left(self, says: str) -> None:
        """The script has left the vehicle in the air."""

    def bring_down(self, says: str, come_home_us: int) -> bool:
        """Nobody else is left: home, and after this time down where it is; False when no script has flown it."""


class NoteEvent(Protocol):
    """A recorder's `event`."""

    def __call__(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened."""


MakeGuard = Callable[[PacedClock, Hub, dict[str, Any], Callable[[int, str, str], None], NoteEvent], GuardSlot]
"""Takes clock, hub, the order's `guard_terms`, what to call (with flight time, what is done, and why) before the guard
asks the vehicle for anything, and what records events."""


class Keeper:
    """One vehicle kept, for one flight."""

    def __init__(self, order: KeeperOrder, clock: PacedClock, make_guard: MakeGuard) -> None:
        """Opens nothing yet. Raises UsageError for a wrong link, profile or key, VehicleProblem for a rig in use."""
        self._order, self._clock = order, clock
        self._lock = RigLock(order.lock) if order.lock is not None else None
        url = parse(order.vehicle)
        radio = load_profile(order.radio).up_lane if order.radio else None
        self._recorder = LastingRecorder(
            order.captures,
            clock,
            lambda kind, facts: None,
            self._on_capture_problem,
            is_made=order.in_flight_folder,
        )
        self.hub = Hub(
            clock,
            self._recorder,
            make_endpoint(url, clock, name="vehicle"),
            None,
            budget=budget_for(url, radio, clock),
            signing=signing_from(order.key, clock, lambda kind, facts: None),
            vehicle_must_sign=order.vehicle_must_sign,
        )
        self._standing = VehicleStanding()
        self.hub.on_vehicle_frame.append(self._standing.frame)
        self.hub.on_station_frame.append(self._note_station)
        self._station_us: int | None = None
        self._guard = make_guard(clock, self.hub, order.guard_terms, self._on_reaction, self._recorder.event)
        self._door = ControlDoor(
            clock, order.control, self._answer, lambda: self._end("the clients are gone")
        )
        self._cause: asyncio.Future[str] | None = None
        self._problem: FlightError | None = None

    async def run(self, on_ready: Callable[[], None]) -> None:
        """Keeps until the end, whatever brings it. Raises LinkProblem when a port cannot be had."""
        self._cause = asyncio.get_running_loop().create_future()
        self.hub.start()
        try:
            self._door.open()
            self._guard.start()
            Knock(self._clock, self.hub).start()
            on_ready()
            await self._until_the_end(self._cause)
        finally:
            self.hub.close()
            self._recorder.close()
            self._say_closed()
            self._door.close()

    async def _until_the_end(self, ending: asyncio.Future[str]) -> None:
        clock = self._clock
        clock.call_at(clock.now_us() + round(FIRST_CLIENT_WAIT_S * 1e6), self._look_for_clients)
        clock.call_at(clock.now_us(), self._tell_standing)
        try:
            cause = await ending
        except asyncio.CancelledError:  # SIGTERM: first down, then out
            cause = "told to end"
            await self._down(cause)
            raise
        await self._down(cause)

    async def _down(self, cause: str) -> None:
        self.hub.cut_off("script")
        if self._is_down():
            return
        clock, order = self._clock, self._order
        if not self._guard.bring_down(cause, round(order.come_home_s * 1e6)):
            self._note_safety("left to its pilot", f"{cause}, and no script has flown it")
            return
        until_us = clock.now_us() + round((order.come_home_s + order.set_down_s) * 1e6)
        while clock.now_us() < until_us or self._pilot_flies():
            await clock.sleep_until(clock.now_us() + DOWN_INTERVAL_US)
            if self._is_down():
                return
        self._note_safety("left in the air", "it did not come down in time; its own failsafes are left to it")

    def _is_down(self) -> bool:
        return self._standing.is_down

    def _pilot_flies(self) -> bool:
        """Whether a pilot who took over still speaks through the hub: it is held open for them."""
        if not self._guard.taken or self._station_us is None:
            return False
        return self._clock.now_us() - self._station_us < PILOT_SILENT_US

    def _note_station(self, now_us: int, _frame: bytes) -> None:
        self._station_us = now_us

    # What ends it

    def _end(self, cause: str) -> None:
        if self._cause is not None and not self._cause.done():
            self._cause.set_result(cause)

    def _look_for_clients(self) -> None:
        if not self._door.ever_had_one:
            self._end("nobody came")

    def _on_capture_problem(self, problem: FlightError) -> None:
        first, self._problem = self._problem is None, self._problem or problem
        if first:
            self._door.tell({"is": "capture-failed", "problem": str(problem)})
            self._end("captures cannot be written any more")

    def _on_reaction(self, _now_us: int, what: str, cause: str) -> None:
        self._note_safety(what, cause)

    # What is said

    def _note_safety(self, what: str, cause: str) -> None:
        self._recorder.event(self._clock.now_us(), "safety", what=what, cause=cause)
        self._door.tell({"is": "safety", "what": what, "cause": cause})

    def _tell_standing(self) -> None:
        now_us, standing = self._clock.now_us(), self._standing
        self._clock.call_at(now_us + STANDING_INTERVAL_US, self._tell_standing)
        age_us = None if standing.heartbeat_us is None else now_us - standing.heartbeat_us
        said = {"armed": standing.armed, "down": standing.is_down, "heartbeat_age_us": age_us}
        self._door.tell({"is": "standing", **said, "taken": self._guard.taken})

    def _say_closed(self) -> None:
        self._door.tell(
            {
                "is": "closed",
                "down": self._standing.is_down,
                "counters": self.hub.counters(),
                "problem": "" if self._problem is None else str(self._problem),
            }
        )

    # Requests

    def _answer(self, request: dict[str, Any]) -> dict[str, Any]:
        do = _REQUESTS.get(str(request.get("do")))
        if do is None:
            return {"ok": False, "problem": f"there is no request {request.get('do')!r}"}
        try:
            return {"ok": True, **do(self, request)}
        except AsflownError as error:
            return {"ok": False, "problem": str(error)}
        except (KeyError, TypeError, ValueError) as error:
            return {"ok": False, "problem": f"the request is not as it should be: {error!r}"}

    def _attach(self, request: dict[str, Any]) -> dict[str, Any]:
        url = parse(str(request["url"]))
        endpoint = make_endpoint(url, self._clock, name=str(request["name"]))
        role, access = request.get("role", "station"), request.get("access", "full")
        if role not in get_args(Role) or access not in get_args(Access):
            raise ValueError(role, access)
        self.hub.attach(endpoint, role, access)
        return {"port": getattr(endpoint, "port", url.port)}

    def _cut_off(self, request: dict[str, Any]) -> dict[str, Any]:
        if request["role"] not in get_args(Role):
            raise ValueError(request["role"])
        self.hub.cut_off(request["role"])
        return {}

    def _event(self, request: dict[str, Any]) -> dict[str, Any]:
        self._recorder.event(self._clock.now_us(), str(request["kind"]), **request.get("facts", {}))
        return {}

    def _counters(self, _request: dict[str, Any]) -> dict[str, Any]:
        return {"counters": self.hub.counters()}

    def _bring_it_down(self, request: dict[str, Any]) -> dict[str, Any]:
        self._end(str(request["cause"]))
        return {}

    def _script(self, request: dict[str, Any]) -> dict[str, Any]:
        guard, phase = self._guard, request["is"]
        if phase not in {"started", "ended", "left", "may-arm"}:
            raise ValueError(phase)
        if phase == "left":
            guard.script_left(str(request["says"]))
        elif phase == "may-arm":
            guard.script_may_arm()
        else:
            (guard.script_started if phase == "started" else guard.script_ended)()
        return {}

    def _done(self, _request: dict[str, Any]) -> dict[str, Any]:
        self._end("the flight is done, and the vehicle was left in the air")
        return {}


_REQUESTS: dict[str, Callable[[Keeper, dict[str, Any]], dict[str, Any]]] = {
    "attach": Keeper._attach,  # noqa: SLF001 - the table of this class
    "cut-off": Keeper._cut_off,  # noqa: SLF001 - as above
    "event": Keeper._event,  # noqa: SLF001 - as above
    "counters": Keeper._counters,  # noqa: SLF001 - as above
    "bring-down": Keeper._bring_it_down,  # noqa: SLF001 - as above
    "script": Keeper._script,  # noqa: SLF001 - as above
    "done": Keeper._done,  # noqa: SLF001 - as above
}


def make_guard_of(name: str) -> MakeGuard:
    """The function that an order names as `module:function`. Raises HarnessFault when there is none."""
    module, _, function = name.partition(":")
    try:
        made: MakeGuard = getattr(importlib.import_module(module), function)
    except (ImportError, AttributeError, ValueError) as error:
        raise HarnessFault(f"there is no guard {name!r}") from error
    return made


def main() -> int:
    """Keeps what standard input orders; the exit code."""
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # a closed terminal is no reason to end anything
    try:
        order = KeeperOrder.model_validate_json(sys.stdin.read())
        clock = PacedClock(order.epoch_us)
        keeper = Keeper(order, clock, make_guard_of(order.guard))
        gc.freeze()  # what is there now stays; collecting it again and again would hold up frames
        clock.run(keeper.run(lambda: _say({"is": "ready"})))
    except AsflownError as error:
        _say({"is": "failed", "problem": error.problem, "remedy": error.remedy})
        return int(error.exit_code)
    except StoppedBySignal:
        return TERMINATED
    return 0


def _say(said: dict[str, Any]) -> None:
    sys.stdout.buffer.write(line_of(said))
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    sys.exit(main())
