"""The GNSS receiver: fixes at 5 or 10 Hz that are some tenths of a second old, with slowly wandering errors.

Position and velocity errors are Gauss-Markov processes (north-east-down); a little white noise comes on top.
The receiver stamps a fix with the time it is valid for, as real ones do, so the delay is known to the vehicle.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from asflown.frames import metres_per_degree
from asflown.sim.airframe import GnssSheet
from asflown.sim.noise import GaussMarkov, Rows

TICK_S = 0.01
_NO_FIX_TICKS = 60
"""From power-up to the first fix: the receiver keeps its almanac."""

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Fix:
    """One position fix, valid at `tick`."""

    tick: int
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    velocity_ned_m_s: Vector
    horizontal_accuracy_m: float
    vertical_accuracy_m: float
    velocity_accuracy_m_s: float = 0.05


class Gnss:
    """Ask `sample_due` every tick; hand it the truth then, and take fixes with `delivered`.

    Faults set these: `lost`, no fixes are taken, and those under way are lost; `jump_m`, how far fixes lie off to
    the north-east; `stuck`, the last place and velocity are told again and again.
    """

    """    """

    __slots__ = (
        "_error",
        "_last",
        "_noise",
        "_sheet",
        "_under_way",
        "_velocity_error",
        "jump_m",
        "lost",
        "stuck",
    )

    def __init__(self, sheet: GnssSheet, generator: np.random.Generator) -> None:
        period_s = sheet.period_ticks * TICK_S
        level, upright = sheet.horizontal_m, sheet.vertical_m
        slow, fast = sheet.velocity_m_s, sheet.vertical_velocity_m_s
        self._error = GaussMarkov(generator, (level, level, upright), sheet.time_constant_s, period_s)
        self._velocity_error = GaussMarkov(
            generator, (slow, slow, fast), sheet.velocity_time_constant_s, period_s
        )
        self._noise = Rows(generator, 3)
        self._sheet, self.lost, self.stuck, self.jump_m = sheet, False, False, 0.0
        self._last: Fix | None = None
        self._under_way: deque[Fix] = deque()

    def renew(self, generator: np.random.Generator) -> None:
        """Its errors wander by another generator from here on; fixes under way stay as they are."""
        self._error.renew(generator)
        self._velocity_error.renew(generator)
        self._noise.renew(generator)

    @property
    def satellites(self) -> int:
        """How many are used now."""
        return 0 if self.lost else self._sheet.satellites

    def sample_due(self, tick: int) -> bool:
        """Whether the receiver measures at this tick."""
        return tick >= _NO_FIX_TICKS and tick % self._sheet.period_ticks == 0

    def sample(self, tick: int, geodetic: Vector, velocity_ned_m_s: Vector) -> None:
        """Measures the true latitude, longitude (degrees), altitude and velocity."""
        north, east, down = self._error.step()
        v_north, v_east, v_down = self._velocity_error.step()
        w_north, w_east, w_down = self._noise.take()
        if self.lost:
            self._under_way.clear()
            return
        if self.stuck and self._last is not None:
            self._under_way.append(replace(self._last, tick=tick))
            return
        white, sheet, off = self._sheet.white_m, self._sheet, self.jump_m * 0.5**0.5
        north_m_deg, east_m_deg = metres_per_degree(geodetic[0])
        self._last = Fix(
            tick=tick,
            latitude_deg=geodetic[0] + (north + off + white * w_north) / north_m_deg,
            longitude_deg=geodetic[1] + (east + off + white * w_east) / east_m_deg,
            altitude_m=geodetic[2] - down - white * w_down,
            velocity_ned_m_s=(
                velocity_ned_m_s[0] + v_north,
                velocity_ned_m_s[1] + v_east,
                velocity_ned_m_s[2] + v_down,
            ),
            horizontal_accuracy_m=1.4 * sheet.horizontal_m,
            vertical_accuracy_m=sheet.vertical_m,
            velocity_accuracy_m_s=sheet.velocity_m_s,
        )
        self._under_way.append(self._last)

    def delivered(self, tick: int) -> Fix | None:
        """The fix that arrives at this tick, if one does."""
        if self._under_way and self._under_way[0].tick + self._sheet.delay_ticks <= tick:
            return self._under_way.popleft()
        return None
