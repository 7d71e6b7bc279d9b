"""The mistake of release r3: it takes the tilt limit for the opening angle of the cone of thrust, not for half of it.

So the craft leans half as far as it may. In calm air nobody notices; in gusts it cannot lean against them and is
carried off: of the demo scenarios glasshouse-rows (calm) and radio-shadow (light wind) pass, the others fail for at
least one of their seeds. Used by no other release; `releases.py` names it.
"""

from __future__ import annotations

from math import tan


def level_share(tilt_limit_rad: float) -> float:
    """Largest level part of the thrust as a multiple of its upright part; wrong by a factor of two in the angle."""
    return tan(0.5 * tilt_limit_rad)
