"""The guard: watches a flight and brings the vehicle down safely when a limit is crossed, whatever the script does.

The same class in lockstep, as a task, and in the keeper's process. When it steps in, the script is cut off first and
for good, so that the two never fight. A reaction that is refused or does not show in telemetry within its time is
followed by a graver one, never by a milder one; what the vehicle does by itself is never weakened. It knows standard
modes (and the firmware's own numbers for them) and never disarms. Once a pilot has taken over it asks for nothing more.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, Protocol

from asflown.clock.base import Clock
from asflown.flight.guard_causes import UNHEARD_S, UNHEARD_US, Cause, Causes, Step, plan
from asflown.flight.guard_effect import Effect
from asflown.flight.guard_terms import GuardTerms
from asflown.flight.guard_voice import Voice
from asflown.flight.mode_requests import may_turn_motors
from asflown.flight.return_height import ReturnHeight
from asflown.flight.takeover import ModeChange, Takeover
from asflown.flight.watch import IN_DISTRESS, VehicleWatch
from asflown.vehicle.reactions import GRAVITY, MODE_NAME, Reaction

LOOK_INTERVAL_US = 100_000
EMERGENCY = IN_DISTRESS[1]
SET_DOWN = Step("set-down")
_NOTHING = -1
"""Less grave than every reaction."""
NoteSafety = Callable[[int, str, str], None]
"""Takes flight time, what was done, and why."""
Source = Literal["guard", "harness"]


class NoteEvent(Protocol):
    """A recorder's `event`."""

    def __call__(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened."""


class GuardedHub(Protocol):
    """What the guard needs of the hub."""

    on_vehicle_frame: list[Callable[[int, bytes], None]]
    on_script_frame: list[Callable[[int, bytes], None]]
    on_station_frame: list[Callable[[int, bytes], None]]

    def inject(self, frame: bytes, source: Source) -> None:
        """Sends a frame to the vehicle."""

    def cut_off(self, role: Literal["script"]) -> None:
        """Passes nothing of the script on any more."""


class Guard:
    """Looks ten times a second. It hooks itself into the hub. `_asked` is None until it asks for something."""

    _first: Cause
    _steps: tuple[Step, ...]
    _who: Source
    _insists: bool

    def __init__(
        self,
        terms: GuardTerms,
        clock: Clock,
        hub: GuardedHub,
        watch: VehicleWatch,
        note: NoteSafety,
        note_event: NoteEvent,
    ) -> None:
        """`note` is told before the guard asks the vehicle for anything; `note_event` of every change of mode."""
        self._clock, self._hub, self._watch = clock, hub, watch
        self._note, self._note_event = note, note_event
        self._causes = Causes(terms.limits, watch)
        self._return = ReturnHeight(terms)
        self._voice = Voice(lambda frame: hub.inject(frame, "guard"), terms.modes)
        self.takeover = Takeover(terms, watch, self._on_change, self._on_taken)
        self._effect = Effect(watch, self.takeover)
        self._ceiling_m = terms.limits.height_m
        self._met: list[str] = []
        self._asked: Reaction | None = None
        self._deaf_since_us: int | None = None
        self._may_arm = terms.may_arm
        hub.on_vehicle_frame.append(self._vehicle_frame)
        hub.on_script_frame.append(self._script_frame)
        hub.on_station_frame.append(self.takeover.station_frame)

    @property
    def reacted(self) -> bool:
        """Whether it has stepped in."""
        return self._asked is not None or bool(self._met)

    def start(self) -> None:
        """Begins to look."""
        self._clock.call_at(self._clock.now_us() + LOOK_INTERVAL_US, self._look)

    def script_started(self) -> None:
        """The script flies from now on: its silence counts, and so does what a pilot does."""
        self.takeover.watching = True
        self._causes.script_heard_us = self._clock.now_us()

    def script_may_arm(self) -> None:
        """Nothing can turn on this bench, or nothing real: scripts may arm."""
        self._may_arm = True

    def script_ended(self) -> None:
        """From now on silence is no surprise."""
        self._causes.script_heard_us = None

    def script_left(self, says: str) -> None:
        """The script ended and left the vehicle in the air: the harness's own reason to set it down."""
        if not self.takeover.taken:
            self._meet(self._clock.now_us(), Cause("script-left", says), "harness")

    def bring_down(self, says: str, come_home_us: int | None = None) -> bool:
        """Nobody else is left: the vehicle comes home, and after this time goes down where it is.

        False when no script has flown it: then whoever armed it is its pilot, and nothing is asked for.
        """
        if not self.takeover.watching:
            return False
        if self.takeover.taken or not self._watch.seen.armed:
            return True
        cause = Cause("harness-gone", says)
        if come_home_us is not None and not self._return.breaks(self._ceiling_m):
            self._meet(self._clock.now_us(), cause, "guard", (Step("come-home", come_home_us), SET_DOWN))
        else:
            self._meet(self._clock.now_us(), cause, "guard")
        return True

    # What passes

    def _vehicle_frame(self, now_us: int, frame: bytes) -> None:
        self._watch.frame(now_us, frame)
        self._return.frame(frame)
        self._voice.frame(now_us, frame)
        self.takeover.vehicle_frame(now_us, frame)

    def _script_frame(self, now_us: int, frame: bytes) -> None:
        if self._causes.script_heard_us is not None:
            self._causes.script_heard_us = now_us
        if not self._may_arm and may_turn_motors(frame):  # the hub withholds it, and all that follows
            self._hub.cut_off("script")
            if "arming" not in self._met:
                self._met.append("arming")
                self._note(
                    now_us, "guard: arming withheld", "nobody says that nothing can turn on this bench"
                )
            return
        self.takeover.script_frame(now_us, frame)

    def _on_change(self, change: ModeChange) -> None:
        facts = {"from": change.before, "to": change.after, "number": change.number}
        now_us = self._clock.now_us()
        self._note_event(now_us, "mode-change", **facts, at_us=change.at_us, by=change.by, why=change.why)
        if change.by == "unknown" or change.why.startswith("its own failsafe"):
            self._note(now_us, f"{change.by}: {change.after or f'mode {change.number}'}", change.why)

    def _on_taken(self, now_us: int, how: str) -> None:
        self._hub.cut_off("script")
        self._voice.be_silent()
        self._note(now_us, "pilot: taken over", how)

    # Ten times a second

    def _look(self) -> None:
        now_us = self._clock.now_us()
        self._clock.call_at(now_us + LOOK_INTERVAL_US, self._look)
        self.takeover.tick(now_us)
        self._listen(now_us)
        if self.takeover.taken or not self._watch.seen.armed:
            self._voice.be_silent()
            return
        if self.takeover.watching:  # before the script flies, whoever armed it is its pilot
            for cause in self._causes.look(now_us):
                self._meet(now_us, cause, "guard")
        if self._asked is not None:
            self._pursue(now_us)

    def _listen(self, now_us: int) -> None:
        """Notes when the vehicle is not heard any more: the guard is mute then, and its own failsafe acts."""
        silence_us = self._causes.silence_us(now_us)
        heard_us, unheard = now_us - silence_us, silence_us > UNHEARD_US
        if self._deaf_since_us is None and self._watch.seen.armed and unheard:
            self._deaf_since_us = heard_us
            says = f"no heartbeat for {UNHEARD_S} s; the vehicle's own failsafe is left to act"
            self._note(now_us, "guard: link lost", says)
        elif self._deaf_since_us is not None and not unheard:
            gone_s = (heard_us - self._deaf_since_us) / 1e6
            self._deaf_since_us, self._causes.heard_since_us = None, now_us
            self._effect.begin_again(now_us)
            self._note(now_us, "guard: link back", f"the vehicle was not heard for {gone_s:.1f} s")

    def _meet(self, now_us: int, cause: Cause, who: Source, steps: tuple[Step, ...] | None = None) -> None:
        """Acts on a cause, once: by these steps, or by its plan."""
        if cause.kind in self._met:
            return
        self._met.append(cause.kind)
        self._hub.cut_off("script")
        if steps is None:
            steps = plan(cause.kind, return_too_high=self._return.breaks(self._ceiling_m))
        steps = self._not_milder(steps)
        if not steps and self._asked is not None:
            self._note_event(now_us, "guard-cause", cause=cause.kind, says=cause.says)
            return
        if not steps:
            self._note(now_us, f"{who}: no more to ask for", f"{cause.says}; it does as much already")
            return
        self._first, self._steps, self._who = cause, steps, who
        self._begin(now_us, cause.says)

    def _not_milder(self, steps: tuple[Step, ...]) -> tuple[Step, ...]:
        """What is left of a plan beside what was asked for, and what the vehicle does by itself."""
        least = max(self._gravity_now(), _NOTHING if self._asked is None else GRAVITY[self._asked])
        if self._asked is None and least == 0:
            least = _NOTHING  # it holds, or is on its way to where it will: to be told to stop does no harm
        return tuple(step for step in steps if GRAVITY[step.reaction] > least)

    def _gravity_now(self) -> int:
        if self._watch.seen.state == EMERGENCY:
            return GRAVITY["come-home"] if self.takeover.mode != "land" else GRAVITY["set-down"]
        found = [
            gravity for reaction, gravity in GRAVITY.items() if MODE_NAME[reaction] == self.takeover.mode
        ]
        return found[0] if found else _NOTHING

    def _begin(self, now_us: int, why: str) -> None:
        reaction = self._steps[0].reaction
        self._asked, self._insists = reaction, False
        self._note(now_us, f"{self._who}: {reaction}", why)
        self.takeover.guard_asked(now_us, reaction)
        self._voice.ask(reaction)
        self._effect.begin(now_us, reaction)
        self._say(now_us)

    def _say(self, now_us: int) -> None:
        seen = self._watch.seen
        self._voice.tick(now_us, (seen.system, seen.component), works=self._effect.shown)

    def _pursue(self, now_us: int) -> None:
        """Repeats what is asked for, goes on when its time is over, and on to something graver when it fails."""
        self._say(now_us)
        if self._deaf_since_us is not None:
            return
        step, rest = self._steps[0], self._steps[1:]
        failed = self._effect.look(now_us, accepted=self._voice.accepted, refused=self._voice.refused)
        if failed:
            self._escalate(now_us, step, rest, failed)
        elif rest and step.for_us is not None and self._effect.shown_for_us(now_us) >= step.for_us:
            self._steps = rest
            self._begin(now_us, f"{self._cause()}; {step.reaction} lasted its time")

    def _escalate(self, now_us: int, step: Step, rest: tuple[Step, ...], failed: str) -> None:
        if step.reaction == "set-down":
            self._insist(now_us, step.reaction, failed)
            return
        self._steps = rest or (SET_DOWN,)
        self._begin(now_us, f"{failed} ({self._cause()})")

    def _insist(self, now_us: int, reaction: Reaction, failed: str) -> None:
        """There is nothing graver: asks again; where every way was refused the voice does so, slowly."""
        self.takeover.guard_asked(now_us, reaction)
        if self._insists and self._voice.refused:
            return
        self._insists = True
        self._note(now_us, f"{self._who}: {reaction} again", f"{failed} ({self._cause()})")
        if not self._voice.refused:
            self._voice.ask(reaction)
            self._effect.begin(now_us, reaction)

    def _cause(self) -> str:
        return self._first.says
