"""Simulation against hardware: the answer, and what would explain a gap."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from pymavlink.dialects.v20 import development as mavlink

from asflown.change.sets import FlightSet, make_set
from asflown.change.sides import interval_of
from asflown.change.stand_in import stand_in
from asflown.errors import ExitCode, UsageError
from tests.unit.change.flown import WIND, Sent, heartbeat, several

NEAR, FAR = [0.20, 0.21, 0.19, 0.20, 0.22, 0.18], [0.50, 0.52, 0.49, 0.51, 0.50, 0.48]
HARDWARE: dict[str, Any] = {
    "clock": {"kind": "paced", "deterministic": False},
    "vehicle": {"name": "workshop-quad", "kind": "airframe", "release": None},
}


def hovering(pitch_rad: float, throttle: int) -> Sent:
    """Telemetry of a vehicle that hovers at 3 m and looks north."""
    found: list[tuple[float, Any]] = []
    for k in range(60):
        at_s, boot_ms = 0.1 + k / 10, k * 100
        found += [
            (at_s, heartbeat()),
            (at_s, mavlink.MAVLink_local_position_ned_message(boot_ms, 0, 0, -3 if k > 5 else 0, 0, 0, 0)),
            (at_s, mavlink.MAVLink_attitude_message(boot_ms, 0, pitch_rad, 0, 0, 0, 0)),
            (at_s, mavlink.MAVLink_vfr_hud_message(0, 0, 0, throttle, 3, 0)),
        ]
    return found


def both(folder: Path, values: list[float], **changes: Any) -> tuple[FlightSet, FlightSet]:
    """Six simulated flights, and six of hardware with these values."""
    simulated = several(folder / "a", NEAR, down=hovering(-0.05, 60), conditions=WIND)
    return make_set("A", simulated), make_set("B", several(folder / "b", values, **(HARDWARE | changes)))


def test_a_simulation_that_agrees_may_stand_in(tmp_path: Path) -> None:
    """Every measure, by both sides' own intervals; for this scenario alone."""
    found = stand_in(*both(tmp_path, NEAR, down=hovering(-0.05, 60)))
    assert (found.answer, found.exit_code) == ("may stand in", ExitCode.PASSED)
    assert found.explanations == ()
    assert found.cautions[0].startswith("this holds for this scenario")


def test_wind_is_read_from_the_lean_in_hover(tmp_path: Path) -> None:
    """Twice the lean is up to twice the wind; from the side that the vehicle leans to."""
    found = stand_in(*both(tmp_path, FAR, down=hovering(-0.1, 60)))
    assert (found.answer, found.exit_code) == ("may not stand in", ExitCode.FAILED)
    (wind,) = found.explanations
    assert wind.condition == "wind"
    assert wind.try_this.startswith("wind of 2.8 to 4.0 m/s from 0 deg")


def test_mass_is_read_from_the_throttle_in_hover(tmp_path: Path) -> None:
    """Thrust goes with the square of rotor speed: 66 % instead of 60 % is a fifth more."""
    found = stand_in(*both(tmp_path, FAR, down=hovering(-0.05, 66)))
    (mass,) = found.explanations
    assert (mass.condition, mass.try_this[:34]) == ("mass", "a craft that is 21% heavier, if it")
    assert "weak battery" in mass.caution


def test_too_few_flights_show_nothing(tmp_path: Path) -> None:
    """One flight of hardware neither agrees nor disagrees, unless it lies far off."""
    found = stand_in(*both(tmp_path, [0.21], down=hovering(-0.05, 60)))
    assert (found.answer, found.exit_code) == ("not shown", ExitCode.INCONCLUSIVE)
    assert any("1 flight of B does not tell a gap from noise" in one for one in found.cautions)


def test_the_first_side_must_be_simulated(tmp_path: Path) -> None:
    """The order of names is easily turned round."""
    a, b = both(tmp_path, NEAR)
    with pytest.raises(UsageError, match="Name the simulated flights first"):
        stand_in(b, a)


def test_an_interval_is_students(tmp_path: Path) -> None:
    """1, 2, 3: mean 2, standard error 1/sqrt(3), t(0.975; 2) = 4.303 (common table)."""
    found = interval_of([1.0, 2.0, 3.0], 0.95)
    assert found is not None
    assert found == pytest.approx((2 - 4.303 / math.sqrt(3), 2 + 4.303 / math.sqrt(3)), abs=1e-3)
    assert interval_of([1.0], 0.95) is None
