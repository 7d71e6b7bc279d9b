"""Which mode the vehicle reports, as flags by the names that rules use.

CURRENT_MODE says which standard mode is flown. What has no standard name is told by AVAILABLE_MODES, where the vehicle
was asked for it, by the mode's own name.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray
from asflown.record import decode
from asflown.record.series import Series, series
from asflown.scenario.signal_names import MODES, mode_signal

AVAILABLE_MODES, CURRENT_MODE = 435, 436
_STANDARD_MODES = {
    "position-hold": 1, "orbit": 2, "safe-recovery": 5, "mission": 6, "land": 7, "take-off": 8,
}  # fmt: skip
"""MAV_STANDARD_MODE by name; 0 is a mode without one."""


def mode_flags(
    current: npt.NDArray[np.void], available: npt.NDArray[np.void], arrived_s: FloatArray
) -> dict[str, Series]:
    """A flag for each mode, from CURRENT_MODE (which arrived at `arrived_s`) and AVAILABLE_MODES; none of no reports.

    A mode without a standard name that the vehicle never listed has no flag.
    """
    if not len(current):
        return {}
    numbers = {
        decode.text(row["mode_name"]).strip().lower().replace(" ", "-"): int(row["custom_mode"])
        for row in available
    }
    flown = {
        mode: current["standard_mode"] == _STANDARD_MODES[mode]
        if mode in _STANDARD_MODES
        else current["custom_mode"] == numbers[mode]
        for mode in MODES
        if mode in _STANDARD_MODES or mode in numbers
    }
    return {mode_signal(mode): series(arrived_s, flag.astype(np.float64)) for mode, flag in flown.items()}
