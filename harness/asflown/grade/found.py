"""What a measure hands back, and the words for a track that is on no path."""

from __future__ import annotations

from dataclasses import dataclass

from asflown.grade.evidence import Evidence


@dataclass(frozen=True, slots=True)
class Found:
    """What a measure found; a `value` of None is not measurable, and `says` tells why."""

    value: float | None
    says: str
    leg: str | None = None
    at_s: float | None = None


def no_place(evidence: Evidence) -> str:
    """Why the track is not on a path; empty when it is."""
    if evidence.positions is None:
        return "the capture does not say where on earth the vehicle was (GLOBAL_POSITION_INT)"
    if not len(evidence.positions):
        return "there are no positions during the flight"
    return "the scenario expects no path" if evidence.matched is None else ""
