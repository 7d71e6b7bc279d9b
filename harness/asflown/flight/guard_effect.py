"""Whether what the guard asked for shows in telemetry: first the mode, then that the vehicle does it.

stop-here: the mode within 5 s, standing still within 10 s. come-home and set-down: the mode within 5 s, then progress:
nearer home, higher or lower, within every 20 s. A graver mode than asked for shows as well.
"""

from __future__ import annotations

from asflown.flight.takeover import Takeover
from asflown.flight.watch import ON_GROUND, VehicleWatch
from asflown.vehicle.reactions import GRAVITY, MODE_NAME, Reaction

SHOWS_US = 5_000_000
STILL_US = 10_000_000
STILL_M_S = 0.7
PROGRESS_US = 20_000_000
_PROGRESS_M = 0.5
_GRAVER_THAN_STOPPING = (MODE_NAME["come-home"], MODE_NAME["set-down"])


class Effect:
    """Judges one reaction at a time: the one that was begun last."""

    _reaction: Reaction
    _begun_us: int
    _moved_us: int
    _shown_us: int | None
    _accepted: bool
    _place: tuple[float, float]

    def __init__(self, watch: VehicleWatch, takeover: Takeover) -> None:
        self._watch, self._takeover = watch, takeover

    def begin(self, now_us: int, reaction: Reaction) -> None:
        """A reaction was asked for."""
        self._reaction, self._shown_us, self._accepted = reaction, None, False
        self.begin_again(now_us)

    def begin_again(self, now_us: int) -> None:
        """Its time begins anew, since nothing could be seen until now."""
        self._begun_us = self._moved_us = now_us
        self._place = self._where()

    @property
    def shown(self) -> bool:
        """Whether it showed when it was looked for last."""
        return self._shown_us is not None

    def shown_for_us(self, now_us: int) -> int:
        """For how long it has shown; 0 while it does not."""
        return 0 if self._shown_us is None else now_us - self._shown_us

    def look(self, now_us: int, *, accepted: bool, refused: bool) -> str:
        """Why the reaction failed; '' while it has time or works.

        Where the vehicle's modes cannot be told apart, `accepted` stands for the mode.
        """
        if not self._takeover.can_tell(MODE_NAME[self._reaction]):
            self._accepted = self._accepted or accepted
        if self._shows():
            if self._shown_us is None:
                self._shown_us = self._moved_us = now_us
            return self._progress(now_us)
        if self._shown_us is not None:  # it was left again: what follows has its time, too
            self._shown_us, self._begun_us = None, now_us
        if refused:
            return f"{self._reaction} was refused"
        limit_us = STILL_US if self._mode_shows() else SHOWS_US
        if now_us - self._begun_us >= limit_us:
            return f"{self._reaction} did not show within {limit_us / 1e6:g} s"
        return ""

    def _mode_shows(self) -> bool:
        if self._accepted:
            return True
        mode = self._takeover.mode
        graver = [MODE_NAME[each] for each, gravity in GRAVITY.items() if gravity >= GRAVITY[self._reaction]]
        return mode in graver

    def _shows(self) -> bool:
        if self._watch.seen.landed_state == ON_GROUND:
            return True
        if self._reaction != "stop-here":
            return self._mode_shows()
        speed = self._watch.speed_m_s
        return self._mode_shows() and (
            self._takeover.mode in _GRAVER_THAN_STOPPING or speed is None or speed < STILL_M_S
        )

    def _progress(self, now_us: int) -> str:
        """A vehicle that stands in the air while it should come down is told something else."""
        if self._reaction == "stop-here" or self._watch.seen.position_us is None:
            return ""
        (distance_m, height_m), (last_distance_m, last_height_m) = self._where(), self._place
        if max(abs(distance_m - last_distance_m), abs(height_m - last_height_m)) >= _PROGRESS_M:
            self._place, self._moved_us = (distance_m, height_m), now_us
        if now_us - self._moved_us < PROGRESS_US or self._watch.seen.landed_state == ON_GROUND:
            return ""
        return f"{self._reaction} makes no progress"

    def _where(self) -> tuple[float, float]:
        return self._watch.distance_m, self._watch.height_m
