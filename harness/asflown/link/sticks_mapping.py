"""From the axes and buttons of a gamepad or joystick to MANUAL_CONTROL.

Axes by their names in the kernel's input interface (linux/input-event-codes.h). Thrust and turn on the left stick,
forward and sideways on the right one ("mode 2": common practice, no source). MANUAL_CONTROL: x forward, y right,
r clockwise, each from -1000 to 1000; z from 0 to 1000 with 500 neutral, or from -1000 to 1000 (MAVLink `common`).
"""

from __future__ import annotations

from dataclasses import dataclass

ABS_X, ABS_Y, ABS_RX, ABS_RY = 0, 1, 3, 4
FULL = 1000
FIRST_BUTTON = 0x120
"""Joysticks begin here (BTN_JOYSTICK); gamepads 16 higher (BTN_GAMEPAD)."""
GAMEPAD_BUTTONS = 0x130
BUTTONS = 16


@dataclass(frozen=True, slots=True)
class Range:
    """The ends that an axis reports."""

    low: int
    high: int

    def of_full(self, value: int) -> int:
        """The value as -1000 to 1000; 0 in the middle, and for an axis without a range."""
        if self.high <= self.low:
            return 0
        centred = 2 * value - self.low - self.high
        return max(-FULL, min(FULL, round(FULL * centred / (self.high - self.low))))


@dataclass(frozen=True, slots=True)
class Sticks:
    """What MANUAL_CONTROL carries, without its target."""

    x: int
    y: int
    z: int
    r: int
    buttons: int


class StickState:
    """Where the sticks are. An axis that has not moved yet is where the device says it is."""

    def __init__(self, ranges: dict[int, Range], values: dict[int, int], *, thrust_from_zero: bool) -> None:
        """`ranges` and `values` by axis code; `thrust_from_zero` chooses z from 0 to 1000."""
        self._ranges, self._values = ranges, dict(values)
        self._thrust_from_zero = thrust_from_zero
        self._buttons = 0

    def move(self, axis: int, value: int) -> None:
        """An axis moved."""
        self._values[axis] = value

    def press(self, code: int, *, down: bool) -> None:
        """A button was pressed or let go; the first sixteen are passed on."""
        first = GAMEPAD_BUTTONS if code >= GAMEPAD_BUTTONS else FIRST_BUTTON
        number = code - first
        if 0 <= number < BUTTONS:
            self._buttons = self._buttons | 1 << number if down else self._buttons & ~(1 << number)

    def sticks(self) -> Sticks:
        """All of it now. Device axes grow to the right and towards the pilot; x and z grow the other way."""
        thrust = -self._axis(ABS_Y)
        return Sticks(
            x=-self._axis(ABS_RY),
            y=self._axis(ABS_RX),
            z=(thrust + FULL) // 2 if self._thrust_from_zero else thrust,
            r=self._axis(ABS_X),
            buttons=self._buttons,
        )

    def _axis(self, code: int) -> int:
        found = self._ranges.get(code)
        return 0 if found is None else found.of_full(self._values.get(code, (found.low + found.high) // 2))
