"""The mistake of release r3: it takes the tilt limit for the opening angle of the cone of thrust, not for half of it.

So the craft leans half as far as it may. In calm air nobody notices; in gusts it cannot lean against them and is
carried off: where r1 spends a tenth of its flight or more beyond that tilt (harness/docs/demos.md), r3 fails for at
least one seed. Used by no other release; `releases.py` names it.
"""

from __future__ import annotations

from math import tan


def level_share(tilt_limit_rad: float) -> float:
    """Largest level part of the thrust as a multiple of its upright part; wrong by a factor of two in the angle."""
    return tan(0.5 * tilt_limit_rad)
