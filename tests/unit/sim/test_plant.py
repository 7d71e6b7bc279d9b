"""The plant: frames, signs, rest, wind, and what happens when it cannot go on."""

from __future__ import annotations

from math import pi, radians
from struct import unpack

import pytest

from asflown.errors import HarnessFault
from asflown.scenario.model import Home, Start
from asflown.sim.airframe import AIRFRAMES, FIELD1400, PALM80
from asflown.sim.plant import STATE, STATE_NODES, Plant

STILL = (0.0, 0.0, 0.0, 0.0)
HOVER = {"palm80": 0.625, "field1400": 0.655}


def plant(airframe: str = "palm80", heading_deg: float = 0.0) -> Plant:
    """A plant at rest at the usual home."""
    return Plant(airframe, Start(heading_rad=radians(heading_deg)), AIRFRAMES[airframe].rest_height_m)


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_a_craft_stays_where_it_stands(airframe: str) -> None:
    """Ten seconds in a wind of 5 m/s with stopped motors move it by less than a millimetre."""
    craft = plant(airframe)
    craft.set_wind_ned_m_s(3.0, 4.0, 0.0)
    for _ in range(4000):
        craft.step(STILL)
    assert craft.on_ground()
    assert craft.position_ned_m() == pytest.approx((0.0, 0.0, 0.0), abs=1e-3)
    assert craft.attitude_rad()[:2] == pytest.approx((0.0, 0.0), abs=1e-3)


@pytest.mark.parametrize("heading_deg", [0.0, 30.0, 180.0, 350.0])
def test_it_starts_at_its_heading(heading_deg: float) -> None:
    """Yaw is the start's heading, from -pi to pi."""
    yaw = plant(heading_deg=heading_deg).attitude_rad()[2]
    assert (yaw - radians(heading_deg) + pi) % (2.0 * pi) == pytest.approx(pi, abs=1e-4)
    assert -pi <= yaw <= pi


@pytest.mark.parametrize(
    ("weak", "roll", "pitch", "yaw"),
    [((1, 2), 1, 0, 0), ((3, 4), -1, 0, 0), ((1, 4), 0, -1, 0), ((2, 3), 0, 1, 0), ((1, 3), 0, 0, -1)],
    ids=["right", "left", "front", "rear", "counter-clockwise"],
)
def test_rotors_turn_the_craft_as_they_should(weak: tuple[int, int], roll: int, pitch: int, yaw: int) -> None:
    """Less thrust on one side lets that side sink; slower counter-clockwise rotors turn the nose left."""
    craft = plant()
    commands = [0.75 - (0.05 if rotor in weak else 0.0) for rotor in (1, 2, 3, 4)]
    for _ in range(100):
        craft.step((commands[0], commands[1], commands[2], commands[3]))
    signs = [round(rate / 0.3) and (1 if rate > 0 else -1) for rate in craft.state[9:12]]
    assert signs == [roll, pitch, yaw]


def test_a_drifting_craft_goes_where_the_wind_goes() -> None:
    """Wind is the velocity of the air: northwards air carries a hovering craft north."""
    craft = plant()
    craft.set_wind_ned_m_s(2.0, 0.0, 0.0)
    for _ in range(800):
        craft.step((0.64, 0.64, 0.64, 0.64))
    north, east, down = craft.velocity_ned_m_s()
    assert north > 0.3
    assert abs(east) < 0.05
    assert down < 0.0


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_motors_answer_with_their_lag(airframe: str) -> None:
    """After one time constant a rotor has reached 63 % of its speed (one step late, as commands are)."""
    craft = plant(airframe)
    lag_s = 1.0 / craft.read("rotor/lag-per-s")
    for _ in range(round(lag_s / 0.0025)):
        craft.step((0.3, 0.3, 0.3, 0.3))
    full = 0.3 * craft.read("rotor/full-speed-rad-s")
    assert craft.state[15] / full == pytest.approx(0.632, abs=0.04)


def test_position_is_north_east_down_about_home() -> None:
    """A craft carried 100 m north and 50 m up by hand reads so, wherever home is."""
    home = Home(latitude_deg=-33.0, longitude_deg=151.0, altitude_m=300.0)
    craft = Plant("field1400", Start(home=home), FIELD1400.rest_height_m)
    craft.write("ic/lat-geod-deg", home.latitude_deg + 100.0 / 110_917.0)
    craft.write("ic/h-agl-ft", (FIELD1400.rest_height_m + 50.0) / 0.3048)
    craft._fdm.run_ic()
    craft.step(STILL)
    assert craft.position_ned_m() == pytest.approx((100.0, 0.0, -50.0), abs=0.05)


def test_every_step_leaves_its_state() -> None:
    """The drained bytes are the states of all steps since the last time, unrounded, also past the buffer's size."""
    craft = plant()
    states = [craft.step(STILL) for _ in range(700)]
    drained = craft.drain_state()
    assert len(drained) == 700 * STATE.size
    assert list(unpack(f"<{len(STATE_NODES)}d", drained[-STATE.size :])) == states[-1]
    assert craft.drain_state() == b""


def test_a_missing_property_is_a_fault_of_ours() -> None:
    """JSBSim would make a misspelt property silently; here it is an error."""
    with pytest.raises(HarnessFault, match="rotor/comand-1"):
        plant().write("rotor/comand-1", 0.5)


def test_a_state_that_is_not_a_number_stops_the_flight() -> None:
    """NaN never reaches the sensors."""
    craft = plant()
    craft.write("atmosphere/wind-north-fps", float("nan"))
    craft.step((0.5, 0.5, 0.5, 0.5))
    craft.step((0.5, 0.5, 0.5, 0.5))
    with pytest.raises(HarnessFault, match="not a number"):
        craft.check()


@pytest.mark.parametrize(("airframe", "height_m"), [("palm80", 3.0), ("palm80", 40.0), ("field1400", 40.0)])
def test_a_smashed_craft_lies_where_it_fell(airframe: str, height_m: float) -> None:
    """A fall that starts tumbling ends on the ground, finite and still; rotors of a wreck stay dead."""
    craft = Plant(airframe, Start(), AIRFRAMES[airframe].rest_height_m)
    craft.write("ic/h-agl-ft", height_m / 0.3048)
    craft.write("ic/phi-rad", 0.7)
    craft.write("ic/p-rad_sec", 3.0)
    craft._fdm.run_ic()
    for _ in range(4000):
        craft.step(STILL)
        craft.check()
        craft.wreck()
        craft.begin_tick()
    assert abs(craft.position_ned_m()[2]) < 0.3
    assert craft.velocity_ned_m_s() == pytest.approx((0.0, 0.0, 0.0), abs=1e-2)


def test_the_ground_is_felt_again_after_a_flight() -> None:
    """Far above it is not looked for; a craft that comes down from there stands on it."""
    craft = plant("field1400")
    craft.write("ic/h-agl-ft", 20.0)
    craft._fdm.run_ic()
    felt = []
    for _ in range(1200):
        craft.begin_tick()
        felt.append(craft.read("simulation/models/FGGroundReactions/enabled"))
        craft.step(STILL)
    assert (felt[0], felt[-1]) == (0.0, 1.0)
    assert craft.on_ground()
    assert craft.position_ned_m()[2] == pytest.approx(0.0, abs=0.01)


def test_a_wreck_does_not_fly() -> None:
    """Once rates are beyond what flight can give, the motors do nothing any more."""
    craft = Plant("palm80", Start(), PALM80.rest_height_m)
    craft.write("ic/h-agl-ft", 10.0)
    craft.write("ic/r-rad_sec", 150.0)
    craft._fdm.run_ic()
    craft.step(STILL)
    assert craft.wreck()
    for _ in range(800):
        craft.step((1.0, 1.0, 1.0, 1.0))
        craft.begin_tick()
    assert not craft.wreck()
    assert craft.on_ground()


def energy_j(craft: Plant) -> float:
    """Potential (over the ground), of motion and of turning; what a leg's spring holds is left out."""
    turning = sum(0.5 * i * w * w for i, w in zip(craft.inertia_kg_m2(), craft.state[9:12], strict=True))
    moving = 0.5 * craft.mass_kg() * sum(v * v for v in craft.velocity_ned_m_s())
    return craft.mass_kg() * 9.82 * craft.height_m() + moving + turning


FALLS = [
    (0.0, 0.0, 0.0),
    (0.5, 8.0, 0.0),
    (1.0, 0.0, 4.0),
    (1.57, 8.0, 4.0),
    (2.2, 0.0, 4.0),
    (3.1, 8.0, 0.0),
]


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
@pytest.mark.parametrize(("roll", "north_m_s", "turning"), FALLS)
def test_the_ground_gives_nothing(airframe: str, roll: float, north_m_s: float, turning: float) -> None:
    """However it falls: never more energy than before, no bounce above a quarter of the fall, rest at the end."""
    craft = Plant(airframe, Start(), AIRFRAMES[airframe].rest_height_m)
    given = {
        "h-agl-ft": 10.0,
        "phi-rad": roll,
        "vn-fps": north_m_s / 0.3048,
        "p-rad_sec": turning,
        "q-rad_sec": 1.0,
    }
    for name, value in given.items():
        craft.write(f"ic/{name}", value)
    craft._fdm.run_ic()
    craft.step(STILL)
    first, touched, highest = energy_j(craft), False, 0.0
    for _ in range(600):
        craft.begin_tick()
        for _ in range(4):
            craft.step(STILL)
        craft.wreck()
        assert energy_j(craft) <= 1.001 * first
        touched = touched or craft.on_ground()
        highest = max(highest, craft.height_m()) if touched else 0.0
    assert highest < 3.048 / 4
    assert craft.velocity_ned_m_s() == pytest.approx((0.0, 0.0, 0.0), abs=1e-2)
    assert craft.state[9:12] == pytest.approx([0.0, 0.0, 0.0], abs=1e-2)


@pytest.mark.parametrize(("airframe", "least_pa", "most_pa"), [("palm80", 1.0, 2.5), ("field1400", 0.6, 1.6)])
def test_rotors_near_the_ground_press_on_the_barometer(
    airframe: str, least_pa: float, most_pa: float
) -> None:
    """On its legs with hover thrust it reads a little too much; not with still rotors, and not higher up."""
    craft = plant(airframe)
    still = craft.pressure_pa()
    for _ in range(30):
        craft.step((0.5, 0.5, 0.5, 0.5))
    craft.begin_tick()
    weight = (
        craft.mass_kg() * 9.81 / (craft.read("rotor/thrust-n-s2") * sum(s * s for s in craft.state[15:19]))
    )
    assert least_pa < (craft.pressure_pa() - still) * weight < most_pa
    craft.write("ic/h-agl-ft", 20.0)
    craft._fdm.run_ic()
    craft.begin_tick()
    assert craft.pressure_pa() == pytest.approx(craft.read("atmosphere/P-psf") * 47.880_258_98)
