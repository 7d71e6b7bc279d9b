"""How well a craft's numbers predict a flight that they were not fitted to: velocities two seconds ahead.

From attitude and throttle over the next HORIZON_S the model says how the velocity changes; the error is what the flight
did instead. The mean wind and the trim of the held-out flight are found anew for each set of numbers, so neither has an
advantage there. Gusts cannot be predicted and are in both errors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asflown.campaign.calibration.fit import residuals, solved
from asflown.campaign.calibration.model import Flight

HORIZON_S = 2.0


@dataclass(frozen=True, slots=True)
class PredictionError:
    """Root mean square errors of velocity after HORIZON_S."""

    level_m_s: float
    upright_m_s: float


def prediction_error(flight: Flight, thrust: float, drag: float) -> PredictionError:
    """Of one set of numbers on one flight. Raises FolderProblem when it fits no such craft."""
    (left,) = residuals([flight], solved([flight], (thrust, drag), free=False))
    steps = max(1, round(HORIZON_S / flight.window_s))
    north_east_down = np.einsum("nij,nj->ni", flight.turned(), left.body_m_s2) * flight.window_s
    total = np.cumsum(np.vstack([np.zeros(3), north_east_down]), axis=0)
    missed = total[steps:] - total[:-steps]
    return PredictionError(
        float(np.sqrt((missed[:, :2] ** 2).sum(axis=1).mean())), float(np.sqrt((missed[:, 2] ** 2).mean()))
    )
