"""What the hub knows of the side on which the vehicle is: routes, gaps, restarts, signatures, the radio's state."""

from __future__ import annotations

from asflown.link import wire
from asflown.link.budget import Budget
from asflown.link.party import RADIO_STATUS, PartyCounts, is_radio_status
from asflown.link.reboots import SYSTEM_TIME, RebootWatch
from asflown.link.routes import Routes
from asflown.link.sequences import SequenceWatch
from asflown.link.signing import Signing, SigningCounts, Standing


class VehicleSide:
    """Reads along with what comes from the vehicle's endpoint."""

    SOURCE = -1
    """The vehicle's side as a source of `echoes`; parties count from 1."""

    def __init__(self, name: str, signing: Signing | None, budget: Budget | None, *, must_sign: bool) -> None:
        self.name = name
        self._signing, self._budget, self._must_sign = signing, budget, must_sign
        self.routes = Routes()
        self.counts = PartyCounts()
        self.signing_counts = SigningCounts()
        self.sequences = SequenceWatch()
        self._reboots = RebootWatch()

    def may_say(self, frame: bytes) -> bool:
        """Whether a frame may go on; with signing, to be asked once for each, since it is counted by that."""
        if self._signing is None:
            return True
        standing = self._signing.check(frame)
        self.signing_counts.note(standing)
        if not self._must_sign or standing is Standing.GENUINE or is_radio_status(frame):
            return True
        self.counts.frames_withheld += 1
        return False

    def learn(self, frame: bytes) -> bool:
        """Counts and learns from a frame that went on; whether its sender has started anew.

        Then its routes are forgotten, but for the one it just showed.
        """
        missing = self.sequences.missing(frame)
        if missing:
            self.counts.frames_missing += missing
        self.routes.learn(frame)
        message = wire.message_id(frame)
        if message == RADIO_STATUS:
            if self._budget is not None:
                self._budget.heard_status(frame)
        elif message == SYSTEM_TIME and self._reboots.rebooted(frame):
            self.routes.forget(wire.system_id(frame))
            self.routes.learn(frame)
            return True
        return False
