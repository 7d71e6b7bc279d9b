"""The numbers of the built-in vehicle: its own, and those that a vehicle file gives it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pymavlink import mavutil
from pymavlink.dialects.v20 import common as mav

from asflown.errors import VehicleProblem
from asflown.scenario.model import Identity
from asflown.sim.identity import OWN_NUMBERS, ModeName, Numbering, packed
from tests.unit.sim.rig import Rig


def numbers_within(value: object) -> Iterator[int]:
    """Every whole number in a table of tables, and every pair (main, sub) in it as it would be packed."""
    if isinstance(value, bool):
        return
    if isinstance(value, int):
        yield value
    elif isinstance(value, dict):
        for pair in value.items():
            yield from numbers_within(pair)
    elif isinstance(value, list | tuple):
        parts = [part for part in value if isinstance(part, int)]
        yield from (main << 16 | sub << 24 for main in parts for sub in parts)
        for part in value:
            yield from numbers_within(part)


def mode_tables() -> dict[str, object]:
    """Every dictionary that the installed pymavlink keeps at module level, but Python's own."""
    return {
        name: value
        for name, value in vars(mavutil).items()
        if isinstance(value, dict) and not name.startswith("__")
    }


def test_own_numbers_lie_outside_every_table_of_pymavlink() -> None:
    """No script can mistake a mode of this vehicle for one of another vehicle."""
    known = {number for table in mode_tables().values() for number in numbers_within(table)}
    assert len(mode_tables()) > 5
    assert {0, 4, 9} <= known, "the search finds nothing"
    assert not known & set(OWN_NUMBERS.values())


@pytest.mark.parametrize("mode", OWN_NUMBERS, ids=str)
def test_pymavlink_gives_no_own_mode_a_name(mode: ModeName) -> None:
    """The helper that names a heartbeat's mode falls back to the bare number."""
    rig = Rig()
    rig.run(1.1)
    heartbeat = rig.of_type("HEARTBEAT")[0]
    heartbeat.custom_mode = OWN_NUMBERS[mode]
    assert str(OWN_NUMBERS[mode]) in mavutil.mode_string_v10(heartbeat)


def test_a_generic_quadrotor_by_default() -> None:
    """Without an identity, HEARTBEAT names no make of autopilot."""
    rig = Rig()
    rig.run(1.1)
    heartbeat = rig.of_type("HEARTBEAT")[0]
    assert (heartbeat.autopilot, heartbeat.type) == (mav.MAV_AUTOPILOT_GENERIC, mav.MAV_TYPE_QUADROTOR)
    assert heartbeat.custom_mode == OWN_NUMBERS[ModeName.POSITION_HOLD]


def test_an_identity_overrides_every_number() -> None:
    """What the vehicle file says stands in HEARTBEAT, a pair as main << 16 | sub << 24."""
    rig = Rig(Identity(autopilot=118, vehicle_type=13, modes={"position-hold": (7, 1), "land": 12}))
    rig.run(1.1)
    heartbeat = rig.of_type("HEARTBEAT")[0]
    assert (heartbeat.autopilot, heartbeat.type, heartbeat.custom_mode) == (118, 13, 7 << 16 | 1 << 24)
    assert rig.craft.autopilot.numbering.number(ModeName.LAND) == 12


def test_one_number_for_two_modes_is_refused() -> None:
    """The message shows the whole table, so that the double is seen at once."""
    with pytest.raises(VehicleProblem, match=r"one number to two modes: .*land = 5.*Give each mode"):
        Numbering(Identity(modes={"land": 5, "set-points": 5}))


@pytest.mark.parametrize(
    ("main", "sub", "mode"),
    [
        (7, 3, ModeName.SET_POINTS),
        (7 << 16 | 3 << 24, 0, ModeName.SET_POINTS),
        (12, 0, ModeName.LAND),
        (12, 1, None),
        (3, 7, None),
    ],
    ids=["main and sub", "packed", "one number", "one number with a sub mode", "unknown"],
)
def test_set_mode_commands_name_a_mode_in_either_way(main: int, sub: int, mode: ModeName | None) -> None:
    """MAV_CMD_DO_SET_MODE may carry the two bytes apart or packed."""
    numbering = Numbering(Identity(modes={"set-points": (7, 3), "land": 12}))
    assert numbering.mode_of_command(main, sub) is mode


def test_packing_puts_main_and_sub_into_the_upper_bytes() -> None:
    """(main, sub) = (4, 6): bytes 2 and 3 of custom_mode, counted from the lowest."""
    assert packed((4, 6)) == 0x06_04_00_00
