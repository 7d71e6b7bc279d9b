"""The derived figures against flights of the same craft."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from statistics import fmean

import pytest

from asflown.scenario.model import Start
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.interface import Target
from asflown.sim.plant import Plant
from asflown.sim.sheet import climb_m_s, figures, full_command_speed_rad_s, numbers_of, top_airspeed_m_s
from tests.unit.sim.flying_core import hovering, run

BOTH = pytest.mark.parametrize("airframe", list(AIRFRAMES))


def figure(airframe: str, name: str) -> float:
    """One of the table."""
    return next(entry.value for entry in figures(AIRFRAMES[airframe]) if entry.name == name)


@BOTH
def test_hover_throttle_is_the_one_flown(airframe: str) -> None:
    """Mean command of five seconds of hover on a nearly full pack, within two hundredths."""
    craft = hovering(airframe)
    commands: list[float] = []
    run(craft, 5.0, lambda: commands.append(craft.readings.throttle))
    high, low = (figure(airframe, f"hover throttle, {charge}") for charge in ("full pack", "at 20 %"))
    assert high - 0.01 < fmean(commands) < high + 0.03
    assert low > high + 0.05


@BOTH
def test_climb_at_full_command_is_the_plants(airframe: str) -> None:
    """The bare plant, all motors at full command, climbs as fast as the formula says and turns its rotors as fast."""
    sheet = AIRFRAMES[airframe]
    plant, n = Plant(airframe, Start(), sheet.rest_height_m), numbers_of(sheet)
    for step in range(1600):
        if step % 4 == 0:
            plant.begin_tick()
        plant.step((1.0, 1.0, 1.0, 1.0))
    assert -plant.velocity_ned_m_s()[2] == pytest.approx(climb_m_s(n), rel=0.03)
    assert plant.state[15] == pytest.approx(full_command_speed_rad_s(n), rel=0.01)


@BOTH
@pytest.mark.slow
def test_top_speed_is_where_the_tilt_limit_ends_it(airframe: str) -> None:
    """Asked for more than it can, in calm air, it flies at the derived top airspeed."""
    craft = hovering(airframe, height_m=10.0)
    craft.limits.speed_m_s = 40.0
    craft.target = Target(velocity_north_m_s=40.0, velocity_east_m_s=0.0, velocity_down_m_s=0.0)
    run(craft, 30.0)
    assert craft.truth_row()[4] == pytest.approx(top_airspeed_m_s(numbers_of(AIRFRAMES[airframe])), rel=0.06)


@BOTH
def test_a_heavier_craft_can_do_less(airframe: str) -> None:
    """Ten per cent more mass cost climb and endurance; the table follows its inputs."""
    n = numbers_of(AIRFRAMES[airframe])
    heavy = replace(n, mass_kg=1.1 * n.mass_kg)
    assert climb_m_s(heavy) < 0.95 * climb_m_s(n)
    assert heavy.command(heavy.rotor_speed_rad_s(heavy.weight_n), 1.0) == pytest.approx(
        n.command(n.rotor_speed_rad_s(n.weight_n), 1.0) * 1.1**0.5, rel=0.02
    )


@pytest.mark.parametrize(
    "name", ["climb at full command", "top airspeed at the tilt limit", "endurance in hover"]
)
def test_the_written_sheet_agrees(name: str) -> None:
    """The figures in the airframes' README are those that follow from the numbers."""
    text = (files("asflown.sim") / "airframes" / "README.md").read_text(encoding="utf-8")
    cells = next(line.split(" | ") for line in text.splitlines() if line.startswith(f"| {name} |"))
    short = name.removesuffix(" at the tilt limit").replace("climb at", "climb, at")
    for airframe, cell in zip(AIRFRAMES, cells[1:3], strict=True):
        assert float(cell.split()[0]) == pytest.approx(figure(airframe, short), abs=0.06)
