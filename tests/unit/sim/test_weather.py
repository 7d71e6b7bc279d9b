"""Wind by height, direction and class of turbulence."""

from __future__ import annotations

from itertools import pairwise
from math import hypot, radians

import pytest

from asflown.scenario.model import Gust, Wind
from asflown.sim.seeds import generator
from asflown.sim.weather import Weather, profile

SIX_METRES = 20 * 0.3048


def weather(speed_m_s: float, from_deg: float, turbulence: str = "none") -> Weather:
    """Weather that steps at 50 Hz."""
    wind = Wind(speed_m_s=speed_m_s, from_rad=radians(from_deg), turbulence=turbulence)  # type: ignore[arg-type]
    return Weather(wind, generator(1, "turbulence"), 0.02)


@pytest.mark.parametrize(
    ("from_deg", "north", "east"),
    [(0.0, -5.0, 0.0), (90.0, 0.0, -5.0), (180.0, 5.0, 0.0), (270.0, 0.0, 5.0)],
)
def test_wind_blows_away_from_where_it_comes_from(from_deg: float, north: float, east: float) -> None:
    """`from` is clockwise from north; what comes out is where the air goes."""
    assert weather(5.0, from_deg).step(SIX_METRES, 5.0) == pytest.approx((north, east, 0.0), abs=1e-12)


def test_wind_grows_with_height() -> None:
    """Calm on the ground, the stated speed at 20 ft, more above, and no jump in between."""
    heights = [0.02 * step for step in range(2000)]
    speeds = [profile(height) for height in heights]
    assert speeds[0] == 0.0
    assert profile(SIX_METRES) == pytest.approx(1.0)
    assert all(0.0 <= after - before < 0.03 for before, after in pairwise(speeds))


def test_turbulence_fades_at_the_ground() -> None:
    """A craft on the ground feels no gusts, one just above it does."""
    gusts = weather(0.0, 0.0, "severe")
    assert all(gusts.step(0.0, 0.0) == (0.0, 0.0, 0.0) for _ in range(100))
    assert max(hypot(*gusts.step(2.0, 0.0)) for _ in range(100)) > 1.0


def test_stronger_turbulence_is_the_same_gusts_scaled() -> None:
    """Classes share their random numbers, so that moderate is exactly twice light with the same seed."""
    light, moderate = weather(0.0, 20.0, "light"), weather(0.0, 20.0, "moderate")
    for _ in range(50):
        weak, strong = light.step(5.0, 3.0), moderate.step(5.0, 3.0)
        assert strong == pytest.approx([2.0 * value for value in weak])


def test_a_gust_swells_and_goes() -> None:
    """Five metres a second at its height, nothing before and after, half of it a quarter of the way; from the east."""
    gust = Gust(at_s=1.0, speed_m_s=5.0, for_s=4.0, from_rad=radians(90.0))
    air = Weather(Wind(gusts=(gust,)), generator(1, "turbulence"), 0.02)
    east = [air.step(SIX_METRES, 5.0)[1] for _ in range(300)]
    assert (east[48], east[298]) == (0.0, 0.0)
    assert east[149] == pytest.approx(-5.0)
    assert east[99] == pytest.approx(-2.5)


def test_gusts_come_on_top_of_everything_else() -> None:
    """Wind and turbulence are the same with and without a gust that is still to come, and it blows as the wind does."""
    gust = Gust(at_s=0.5, speed_m_s=4.0, for_s=1.0)
    plain = Wind(speed_m_s=3.0, from_rad=2.0, turbulence="light")
    with_gust, without = (
        Weather(wind, generator(1, "turbulence"), 0.02)
        for wind in (plain.model_copy(update={"gusts": (gust,)}), plain)
    )
    steps = [(with_gust.step(5.0, 3.0), without.step(5.0, 3.0)) for _ in range(50)]
    assert all(one == other for one, other in steps[:24])
    assert hypot(*(a - b for a, b in zip(*steps[49], strict=True))) == pytest.approx(4.0, abs=0.01)
