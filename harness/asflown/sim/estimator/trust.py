"""Whether a measurement may be believed: gates on innovations, sensors that show the same value for ever.

Ratios are as ESTIMATOR_STATUS has them: the innovation over what its gate allows; above 1 it is refused.
"""

from __future__ import annotations

GATE_SIGMAS = 5.0


class Gate:
    """Refuses what lies too far off; after `patience` refusals in a row the belief is wrong, not the sensor."""

    __slots__ = ("_patience", "_refused", "ratio", "tired")

    def __init__(self, patience: int) -> None:
        self._patience, self._refused = patience, 0
        self.ratio = 0.0
        self.tired = False
        """Whether the last measurement passed only because so many before it did not."""

    def passes(self, innovation_squared: float, expected: float) -> bool:
        """Whether an innovation of this square may be taken in, when this variance was expected."""
        self.ratio = (innovation_squared / expected) ** 0.5 / GATE_SIGMAS
        self.tired = False
        if self.ratio < 1.0:
            self._refused = 0
            return True
        self._refused += 1
        if self._refused > self._patience:
            self._refused, self.tired = 0, True
            return True
        return False


class Stuck:
    """Notices a sensor whose noise has gone: the same value `after` times in a row."""

    __slots__ = ("_after", "_last", "_same", "now")

    def __init__(self, after: int) -> None:
        self._after, self._same = after, 0
        self._last: object = None
        self.now = False

    def changed(self, value: object) -> bool:
        """Takes in a value; whether `now` has changed with it."""
        self._same = self._same + 1 if value == self._last else 0
        self._last = value
        was, self.now = self.now, self._same >= self._after
        return was is not self.now
