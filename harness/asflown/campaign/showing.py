"""Flights on a board: how far each is, told from where it is flown.

A lockstep flight would tell several hundred times a second of wall time, and a board is redrawn five times; so most of
it is kept back where it arises, before it crosses to another process. A change of phase is never kept back.
"""

from __future__ import annotations

from dataclasses import replace

from asflown.clock.wall import Stopwatch
from asflown.flight.plan import Progress, ProgressCallback, unwatched
from asflown.report.progress import Moment

APART_S = 0.1
"""Wall time between two that are told, of one phase."""


def seldom(tell: ProgressCallback) -> ProgressCallback:
    """`tell`, called no more often than anybody can see; `unwatched` stays what it is."""
    if tell is unwatched:
        return tell
    since, phase = Stopwatch(), ""

    def told(at: Progress) -> None:
        nonlocal since, phase
        if at.phase != phase or since.seconds() >= APART_S:
            since, phase = Stopwatch(), at.phase
            tell(at)

    return told


def moment_of(at: Progress) -> Moment:
    """How far a flight is, as a board takes it."""
    moment = Moment(
        at.phase, at.flight_time_s, at.height_m, at.distance_m, at.frames_lost, silent_s=at.silent_s
    )
    if at.along is None:
        return moment
    leg = f"{at.along.leg}/{at.along.legs} {at.along.kind}"
    return replace(moment, leg=leg, off_m=at.along.off_m)
