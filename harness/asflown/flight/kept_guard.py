"""The guard in the keeper's process: made by its name in the keeper's order, since the keeper knows no flights."""

from __future__ import annotations

from typing import Any

from asflown.clock.paced import PacedClock
from asflown.flight.guard import Guard, NoteEvent, NoteSafety
from asflown.flight.guard_terms import GuardTerms
from asflown.flight.watch import VehicleWatch
from asflown.link.hub import Hub


class KeptGuard(Guard):
    """Fulfils the keeper's `GuardSlot`."""

    @property
    def taken(self) -> bool:
        """Whether a pilot has taken over."""
        return bool(self.takeover.taken)


def make(
    clock: PacedClock, hub: Hub, terms: dict[str, Any], note: NoteSafety, note_event: NoteEvent
) -> KeptGuard:
    """The guard by `terms`, which are GuardTerms as JSON; hooked into `hub`, not started yet."""
    return KeptGuard(GuardTerms.model_validate(terms), clock, hub, VehicleWatch(), note, note_event)
