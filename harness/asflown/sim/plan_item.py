"""One item of a plan, as it was uploaded: of a mission, of a fence, or a rally point."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlanItem:
    """`x`, `y` in 1e-7 degrees, `z` in metres; 0, 0 means where the craft is. `frame` as MAV_FRAME."""

    frame: int
    command: int
    params: tuple[float, float, float, float]
    x: int
    y: int
    z: float
    autocontinue: int = 1
