"""MAV_CMD_INJECT_FAILURE: which unit fails in which way."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.sim.fault_commands import FAILURES
from asflown.sim.faults import FAULTS
from tests.unit.sim.rig import Rig

INJECT = mav.MAV_CMD_INJECT_FAILURE
GNSS, MOTOR, AIRSPEED = 4, 101, 8
OK, OFF, GARBAGE = 0, 1, 3


def test_a_fault_is_switched_on_and_mended() -> None:
    """GNSS off, then OK."""
    rig = Rig()
    assert rig.command(INJECT, GNSS, OFF) == mav.MAV_RESULT_ACCEPTED
    assert rig.core.faults["gnss-loss"]
    assert rig.command(INJECT, GNSS, OK) == mav.MAV_RESULT_ACCEPTED
    assert not rig.core.faults["gnss-loss"]


@pytest.mark.parametrize(
    ("params", "result"),
    [
        ((AIRSPEED, OFF), mav.MAV_RESULT_UNSUPPORTED),
        ((AIRSPEED, OK), mav.MAV_RESULT_UNSUPPORTED),
        ((GNSS, GARBAGE), mav.MAV_RESULT_UNSUPPORTED),
        ((GNSS, OFF, 2), mav.MAV_RESULT_UNSUPPORTED),
        ((77, OFF), mav.MAV_RESULT_DENIED),
        ((GNSS, 99), mav.MAV_RESULT_DENIED),
    ],
    ids=["no such unit here", "nothing to mend", "not in this way", "no second one", "no unit", "no kind"],
)
def test_what_cannot_fail_is_refused(params: tuple[float, ...], result: int) -> None:
    """Unsupported is what this vehicle lacks; denied is what the enumerations lack."""
    assert Rig().command(INJECT, *params) == result


def test_every_fault_of_a_scenario_can_be_had_by_command() -> None:
    """But for those that no unit and kind describe."""
    assert set(FAULTS) <= set(FAILURES.values())
