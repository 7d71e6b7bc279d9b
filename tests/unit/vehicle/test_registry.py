"""From a vehicle file to a vehicle."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from asflown.clock.virtual import VirtualClock
from asflown.errors import VehicleProblem
from asflown.scenario.model import Conditions, Start, VehicleFile
from asflown.scenario.vehicle_file import load_vehicle
from asflown.vehicle.registry import built_in_names, open_built_in


@pytest.fixture
def clock() -> Iterator[VirtualClock]:
    """A clock that is closed at the end, though nothing ran on it."""
    clock = VirtualClock()
    yield clock

    async def nothing() -> None:
        pass

    clock.run(nothing())


@pytest.mark.parametrize("name", built_in_names())
def test_every_built_in_vehicle_can_be_had_by_its_name(clock: VirtualClock, name: str) -> None:
    """And can run in lockstep."""
    vehicle = open_built_in(clock, load_vehicle(name), Start(), Conditions(), 1)
    assert vehicle.lockstep
    assert vehicle.record().name == name


def test_a_kind_that_cannot_be_flown_yet_is_refused_with_a_way_out(clock: VirtualClock) -> None:
    """The message names the vehicles that can."""
    file = VehicleFile(name="workshop-quad", kind="airframe", link="serial:///dev/ttyUSB0?baud=57600")
    with pytest.raises(VehicleProblem, match=r"of kind airframe, which .* cannot fly\. .*palm80, field1400"):
        open_built_in(clock, file, Start(), Conditions(), 1)
