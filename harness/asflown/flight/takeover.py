"""Whose doing each change of mode is, and when the pilot has taken over.

A change is the guard's, the pilot's or the script's when that one asked for it; else the vehicle's own when what it
did before, or what it says, explains it; else unknown. The pilot has taken over when sticks leave their dead band for
several messages, when a station asks for a mode, or when one of the `pilot_modes` appears. That is for good. A change
of the vehicle's own, and an unknown one, is told and ends nothing. A change that HEARTBEAT tells first waits for its
name where only CURRENT_MODE gives names.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from asflown.flight.guard_terms import GuardTerms
from asflown.flight.mode_requests import STANDARD_NAMES, ModeRequest, Requests, mode_request, words_of
from asflown.flight.pilot_sticks import StickWatch
from asflown.flight.watch import IN_DISTRESS, ON_GROUND, VehicleWatch
from asflown.link.priority import is_set_point
from asflown.scenario.model import ModeName
from asflown.vehicle.reactions import MODE_NAME, Reaction

By = Literal["script", "guard", "vehicle", "pilot", "unknown"]
PATIENCE_US = 1_500_000
"""How long a change waits for the vehicle to name or to explain it."""
STICKS_EXPLAIN_US = 1_500_000
_ENDS: dict[tuple[ModeName | None, ModeName | None], str] = {
    ("take-off", "position-hold"): "take-off done",
    ("mission", "position-hold"): "mission ended",
    ("mission", "land"): "mission ended",
    ("mission", "safe-recovery"): "mission ended",
    ("safe-recovery", "land"): "arrived at home",
}
"""What follows upon a mode that has done its work."""


@dataclass(frozen=True, slots=True)
class ModeChange:
    """One change of mode; names are None where this vehicle's number has none."""

    at_us: int
    before: ModeName | None
    after: ModeName | None
    number: int
    by: By
    why: str


@dataclass(frozen=True, slots=True)
class _Pending:
    at_us: int
    before: ModeName | None
    after: ModeName | None
    number: int


class Takeover:
    """Hooks for the hub's frames. `on_change` is told of each change once it is classified, `on_taken` once."""

    def __init__(
        self,
        terms: GuardTerms,
        watch: VehicleWatch,
        on_change: Callable[[ModeChange], None],
        on_taken: Callable[[int, str], None],
    ) -> None:
        self._terms, self._watch = terms, watch
        self._on_change, self._on_taken = on_change, on_taken
        self._names = terms.names()
        self._sticks = StickWatch()
        self._sticks_off_us: int | None = None
        self._script, self._station, self._guard = Requests(), Requests(), Requests()
        self._set_point_us = 0
        self._flown: tuple[int, ModeName | None] | None = None
        self._waiting: list[_Pending] = []
        self.watching = False
        """Whether a takeover counts: while the script flies."""
        self.taken = ""
        """How the pilot took over; '' while nobody has."""

    @property
    def mode(self) -> ModeName | None:
        """The mode that is flown, where its number has a name."""
        seen = self._watch.seen
        return STANDARD_NAMES.get(seen.standard_mode or 0) or self._names.get(seen.custom_mode or 0)

    def can_tell(self, mode: ModeName) -> bool:
        """Whether this mode would be recognised when it is flown."""
        return self._watch.seen.says_mode or mode in self._terms.modes

    # What goes up

    def script_frame(self, now_us: int, frame: bytes) -> None:
        """Takes a frame of the script."""
        self._sticks.script(now_us, frame)
        if is_set_point(frame):
            self._set_point_us = now_us
            return
        request = mode_request(now_us, frame, self._terms.system)
        if request is not None and not request.explains(now_us, self.mode, self._watch.seen.custom_mode or 0):
            self._script.note(request)  # what is flown already it cannot bring about

    def station_frame(self, now_us: int, frame: bytes) -> None:
        """Takes a frame of a station or pilot."""
        request = mode_request(now_us, frame, self._terms.system)
        if request is not None:
            self._station.note(request)
            self._take(now_us, f"a station asked for a mode ({words_of(request)})")
            return
        if self._sticks.station(frame):
            self._take(now_us, "sticks moved")
        if self._sticks.is_off:
            self._sticks_off_us = now_us

    def guard_asked(self, now_us: int, reaction: Reaction) -> None:
        """The guard asks for a reaction."""
        self._guard.note(ModeRequest(now_us, names=(MODE_NAME[reaction],)))

    # What comes down

    def vehicle_frame(self, now_us: int, frame: bytes) -> None:
        """Takes a frame of the vehicle; the watch has seen it."""
        if self._sticks.vehicle(now_us, frame):
            self._take(now_us, "sticks of the vehicle's own receiver moved")
        number = self._watch.seen.custom_mode
        if number is None:
            return
        before, self._flown = self._flown, (number, self.mode)
        if before is not None and before[0] != number:
            self._changed(_Pending(now_us, before[1], self.mode, number))

    def tick(self, now_us: int) -> None:
        """Looks whether what waits can be told now."""
        waiting, self._waiting = self._waiting, []
        for change in waiting:
            self._classify(now_us, change)

    def _changed(self, change: _Pending) -> None:
        if change.number in self._terms.pilot_modes:
            self._tell(change, "pilot", "a mode of the pilot's")
            self._take(change.at_us, f"pilot mode {change.number}")
            return
        self._classify(change.at_us, change)

    def _classify(self, now_us: int, change: _Pending) -> None:
        seen, patient = self._watch.seen, now_us - change.at_us < PATIENCE_US
        if change.after is None and seen.custom_mode == change.number:
            change = replace(change, after=self.mode)
            if change.after is None and patient and seen.says_mode and seen.standard_mode is None:
                self._waiting.append(change)  # its name is to come
                return
        who, why = self._explain(change)
        if who == "unknown" and patient:
            self._waiting.append(change)
        else:
            self._tell(change, who, why)

    def _explain(self, change: _Pending) -> tuple[By, str]:
        at_us, after, number = change.at_us, change.after, change.number
        if self._guard.explains(at_us, after, number):
            return "guard", "asked for"
        if self._station.explains(at_us, after, number):
            return "pilot", "asked for by a station"
        if self._sticks_off_us is not None and 0 <= at_us - self._sticks_off_us <= STICKS_EXPLAIN_US:
            return "pilot", "sticks"
        if self._script.explains(at_us, after, number):
            return "script", "asked for"
        own = self._own(change)
        return (
            ("vehicle", own) if own else ("unknown", "nobody asked for it, and the vehicle does not say why")
        )

    def _own(self, change: _Pending) -> str:
        """Why the vehicle changed by itself; '' when nothing explains it."""
        seen, step = self._watch.seen, (change.before, change.after)
        if not seen.armed or seen.landed_state == ON_GROUND:
            return "not flying"
        if step in _ENDS:
            return _ENDS[step]
        if step == ("set-points", "position-hold") and self._stream_ended(change.at_us):
            return "set-point time-out"
        if seen.state in IN_DISTRESS or (seen.intended_mode not in (None, change.number)):
            return "its own failsafe"
        if seen.alarm_us is not None and abs(seen.alarm_us - change.at_us) <= PATIENCE_US:
            return f"its own failsafe ({seen.alarm})"
        return ""

    def _stream_ended(self, at_us: int) -> bool:
        return at_us - self._set_point_us >= 0.8 * self._terms.set_point_time_out_s * 1e6

    def _tell(self, change: _Pending, by: By, why: str) -> None:
        self._on_change(ModeChange(change.at_us, change.before, change.after, change.number, by, why))

    def _take(self, now_us: int, how: str) -> None:
        if not self.taken and self.watching:
            self.taken = how
            self._on_taken(now_us, how)
