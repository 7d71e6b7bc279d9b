"""The battery pack: true charge, open-circuit voltage, and the vehicle's own count of the charge.

Sag (resistance times current) is in the airframe's XML, at 400 Hz; charge moves slowly and is counted here.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

CELL_CURVE_V = (
    (-0.03, 1.00),
    (0.00, 3.00),
    (0.05, 3.50),
    (0.10, 3.66),
    (0.20, 3.73),
    (0.40, 3.79),
    (0.60, 3.87),
    (0.80, 3.98),
    (0.90, 4.06),
    (1.00, 4.20),
)
"""Open-circuit voltage of a lithium-polymer cell by its share of charge: common practice, no source.

Below 0 the cell is being ruined; its voltage breaks down.
"""

_SECONDS_PER_HOUR = 3600.0


def cell_voltage_v(share: float) -> float:
    """Open-circuit voltage of one cell, linear between the points of CELL_CURVE_V and constant outside."""
    return CellCurve().voltage_v(share)


class CellCurve:
    """CELL_CURVE_V, remembering the stretch that was looked up last: charge moves slowly."""

    __slots__ = ("_x0", "_x1", "_y0", "_y1")

    def __init__(self) -> None:
        self._x0 = self._x1 = self._y0 = self._y1 = 0.0

    def voltage_v(self, share: float) -> float:
        """Linear between the points, constant outside."""
        if not self._x0 <= share < self._x1:
            if share <= CELL_CURVE_V[0][0]:
                return CELL_CURVE_V[0][1]
            if share >= CELL_CURVE_V[-1][0]:
                return CELL_CURVE_V[-1][1]
            upper = bisect_right(CELL_CURVE_V, (share, float("inf")))
            (self._x0, self._y0), (self._x1, self._y1) = CELL_CURVE_V[upper - 1], CELL_CURVE_V[upper]
        x0, y0 = self._x0, self._y0
        return y0 + (self._y1 - y0) * (share - x0) / (self._x1 - x0)


class ChargeCount:
    """Share of a pack's charge that is left, by counting ampere-hours; below 0 when more was taken than it holds."""

    __slots__ = ("_capacity_c", "remaining")

    def __init__(self, capacity_ah: float, remaining: float) -> None:
        self._capacity_c = capacity_ah * _SECONDS_PER_HOUR
        self.remaining = remaining

    def draw(self, current_a: float, seconds: float) -> None:
        """Takes out a constant current for a while."""
        self.remaining -= current_a * seconds / self._capacity_c


class Battery:
    """The true charge, and the gauge, whose current sensor has a gain error that is fixed for a flight."""

    __slots__ = ("_cells", "_curve", "_gain", "_gauge", "_true")

    def __init__(
        self,
        cells: int,
        capacity_ah: float,
        remaining: float,
        gauge_error: float,
        generator: np.random.Generator,
    ) -> None:
        self._cells, self._curve = cells, CellCurve()
        self._gain = 1.0 + gauge_error * float(generator.standard_normal())
        self._true = ChargeCount(capacity_ah, remaining)
        self._gauge = ChargeCount(capacity_ah, remaining)

    def draw(self, current_a: float, seconds: float) -> None:
        """Takes out a constant current for a while; the gauge sees it through its own sensor."""
        self._true.draw(current_a, seconds)
        self._gauge.draw(current_a * self._gain, seconds)

    def measured_a(self, current_a: float) -> float:
        """What the gauge's current sensor shows."""
        return current_a * self._gain

    @property
    def remaining(self) -> float:
        """True share of charge, 0 to 1."""
        return max(0.0, self._true.remaining)

    @property
    def gauge_remaining(self) -> float:
        """The share that the vehicle believes is left, 0 to 1."""
        return max(0.0, self._gauge.remaining)

    @property
    def open_circuit_v(self) -> float:
        """Voltage of the unloaded pack."""
        return self._cells * self._curve.voltage_v(self._true.remaining)
