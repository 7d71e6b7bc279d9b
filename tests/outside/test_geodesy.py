"""The shape of the earth, held against published constants and two reference libraries.

Sources, by the ids of the project's list of outside checks: NGA.STND.0036 (OC-GEO-01), the GeographicLib manual's
examples (OC-GEO-11, OC-GEO-12), the test suite of pymap3d (OC-GEO-09, -13, -14), and values computed with
geographiclib and pymap3d (the rest). Both libraries also run here.
"""

from __future__ import annotations

import math

import numpy as np
import pymap3d
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from asflown import frames
from asflown.frames import (
    TangentPlane,
    ecef_to_geodetic,
    geodetic_to_ecef,
    metres_per_degree,
    radii_of_curvature,
)

HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG = 52.0, 4.5

latitudes = st.floats(-89.9, 89.9)
longitudes = st.floats(-180, 180)
heights = st.floats(-500, 20_000)
nearby_m = st.floats(-10_000, 10_000)


@pytest.mark.parametrize(
    ("value", "published"),
    [
        (frames.SEMI_MAJOR_AXIS_M, 6_378_137.0),
        (1 / frames.FLATTENING, 298.257_223_563),
        (frames.SEMI_MINOR_AXIS_M, 6_356_752.314_245_18),
        (frames.ECCENTRICITY_SQUARED, 0.006_694_379_990_141_3),
        (frames.SECOND_ECCENTRICITY_SQUARED, 0.006_739_496_742_276_4),
    ],
    ids=["a", "1/f", "b", "e squared", "second e squared"],
)
def test_wgs84_constants(value: float, published: float) -> None:
    """OC-GEO-01: the ellipsoid is WGS-84, within one unit of the last printed digit."""
    assert value == pytest.approx(published, rel=1e-14, abs=1e-16)


@pytest.mark.parametrize(
    ("latitude_deg", "meridian_m", "prime_vertical_m"),
    [
        (0.0, 6_335_439.327, 6_378_137.000),
        (45.0, 6_367_381.816, 6_388_838.290),
        (90.0, 6_399_593.626, 6_399_593.626),
    ],
    ids=["equator", "45 deg", "pole"],
)
def test_radii_of_curvature(latitude_deg: float, meridian_m: float, prime_vertical_m: float) -> None:
    """OC-GEO-09: radii along the meridian and across it, within a millimetre."""
    assert radii_of_curvature(latitude_deg) == pytest.approx((meridian_m, prime_vertical_m), abs=1e-3)


def test_metres_per_degree_at_52_degrees() -> None:
    """OC-GEO-10: metres for a degree, within a millimetre; a 1e-7 degree is 11.1 mm north and 6.9 mm east."""
    north_m, east_m = metres_per_degree(52.0)
    assert (north_m, east_m) == pytest.approx((111_267.353, 68_678.016), abs=1e-3)
    assert (north_m * 1e-7, east_m * 1e-7) == pytest.approx((0.0111, 0.0069), abs=5e-5)


def _summed(step_m: list[float]) -> float:
    """A length on the ellipsoid by Simpson's rule over equally spaced metres for each degree of one interval."""
    inner = 4 * sum(step_m[1:-1:2]) + 2 * sum(step_m[2:-1:2])
    return (step_m[0] + inner + step_m[-1]) / (3 * (len(step_m) - 1))


@pytest.mark.parametrize(
    ("degrees", "published_m"),
    [(1.0, 110_574.389), (90.0, 10_001_965.729)],
    ids=["one degree", "quarter meridian"],
)
def test_metres_per_degree_add_up_along_the_meridian(degrees: float, published_m: float) -> None:
    """OC-GEO-08: one degree north from the equator, and a quarter meridian, within a millimetre."""
    steps = [metres_per_degree(degrees * step / 200)[0] for step in range(201)]
    assert _summed(steps) * degrees == pytest.approx(published_m, abs=1e-3)


def test_one_degree_along_the_equator() -> None:
    """OC-GEO-08: one degree east at the equator, within a millimetre."""
    assert metres_per_degree(0.0)[1] == pytest.approx(111_319.491, abs=1e-3)


@pytest.mark.parametrize(
    ("geodetic", "ecef_m", "tolerance_m"),
    [
        ((33.3, 44.4, 6000.0), (3_816_209.60, 3_737_108.55, 3_485_109.57), 0.01),
        ((42.0, -82.0, 200.0), (660_675.2518, -4_700_948.6832, 4_245_737.6622), 0.0001),
    ],
    ids=["OC-GEO-11", "OC-GEO-13"],
)
def test_geodetic_to_earth_fixed_and_back(
    geodetic: tuple[float, float, float], ecef_m: tuple[float, float, float], tolerance_m: float
) -> None:
    """OC-GEO-11, OC-GEO-13: published earth-fixed coordinates, and the way back to the same point."""
    assert geodetic_to_ecef(*geodetic) == pytest.approx(ecef_m, abs=tolerance_m)
    assert ecef_to_geodetic(*geodetic_to_ecef(*geodetic)) == pytest.approx(geodetic, abs=1e-8)


def test_geodetic_to_local_axes() -> None:
    """OC-GEO-12: east 37 288.97, north 33 374.29, up 5783.65 m from 33 N 44 E, 20 m, within a centimetre."""
    north_m, east_m, down_m = TangentPlane(33.0, 44.0, 20.0).to_ned(33.3, 44.4, 6000.0)
    assert (east_m, north_m, -down_m) == pytest.approx((37_288.97, 33_374.29, 5783.65), abs=0.01)


def test_earth_fixed_vector_in_local_axes() -> None:
    """OC-GEO-14: the vector (5, 3, 2) at 42 N 82 W in north, east, down."""
    rotated = TangentPlane(42.0, -82.0, 0.0).rotate_to_ned(5.0, 3.0, 2.0)
    assert rotated == pytest.approx((3.008_520_764, 5.368_859_647, 0.352_347_712), abs=1e-9)


@pytest.mark.parametrize(
    ("azimuth_deg", "distance_m", "down_m", "tolerance_m"),
    [
        (0.0, 100.0, 0.000_784, 1e-6),
        (0.0, 1000.0, 0.078_43, 1e-5),
        (0.0, 10_000.0, 7.843, 1e-3),
        (90.0, 100.0, 0.000_782, 1e-6),
        (90.0, 1000.0, 0.078_23, 1e-5),
        (90.0, 10_000.0, 7.823, 1e-3),
    ],
)
def test_ellipsoid_falls_away_from_the_tangent_plane(
    azimuth_deg: float, distance_m: float, down_m: float, tolerance_m: float
) -> None:
    """OC-GEO-16: how far a point on the ground lies below home's plane."""
    end = Geodesic.WGS84.Direct(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, azimuth_deg, distance_m)
    ned_m = TangentPlane(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, 0.0).to_ned(end["lat2"], end["lon2"], 0.0)
    assert ned_m[2] == pytest.approx(down_m, abs=tolerance_m)


def test_tangent_plane_shortens_ten_kilometres_by_four_millimetres() -> None:
    """OC-GEO-16: the horizontal distance is 4.1 mm less than the geodesic of 10 km northwards."""
    end = Geodesic.WGS84.Direct(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, 0.0, 10_000.0)
    ned_m = TangentPlane(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, 0.0).to_ned(end["lat2"], end["lon2"], 0.0)
    assert 10_000.0 - math.hypot(ned_m[0], ned_m[1]) == pytest.approx(0.0041, abs=1e-4)


@pytest.mark.parametrize(
    ("distance_m", "north_mm", "east_mm", "tolerance_mm"),
    [(1000.0, -50.5, 100.1, 0.5), (150.0, -1.1, 2.3, 0.06)],
    ids=["1 km", "150 m"],
)
def test_error_of_metres_per_degree(
    distance_m: float, north_mm: float, east_mm: float, tolerance_mm: float
) -> None:
    """OC-GEO-17: what the shortcut with metres per degree at home gets wrong, going north-east from 52 N."""
    end = Geodesic.WGS84.Direct(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, 45.0, distance_m)
    plane_m = TangentPlane(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, 0.0).to_ned(end["lat2"], end["lon2"], 0.0)
    north_m, east_m = metres_per_degree(HOME_LATITUDE_DEG)
    shortcut_m = ((end["lat2"] - HOME_LATITUDE_DEG) * north_m, (end["lon2"] - HOME_LONGITUDE_DEG) * east_m)
    error_mm = [1000 * (short - exact) for short, exact in zip(shortcut_m, plane_m[:2], strict=True)]
    assert error_mm == pytest.approx((north_mm, east_mm), abs=tolerance_mm)


@given(latitudes, longitudes, heights)
def test_earth_fixed_coordinates_equal_pymap3d(
    latitude_deg: float, longitude_deg: float, height_m: float
) -> None:
    """Any point: the same earth-fixed coordinates as pymap3d, within a micrometre."""
    expected = pymap3d.geodetic2ecef(latitude_deg, longitude_deg, height_m)
    assert geodetic_to_ecef(latitude_deg, longitude_deg, height_m) == pytest.approx(expected, abs=1e-6)


@given(st.tuples(latitudes, longitudes, heights), st.tuples(nearby_m, nearby_m, nearby_m))
def test_local_axes_equal_pymap3d(
    home: tuple[float, float, float], ned_m: tuple[float, float, float]
) -> None:
    """Any point within 10 km of any home: local coordinates agree with pymap3d both ways, within 10 um."""
    point = pymap3d.ned2geodetic(*ned_m, *home)
    plane = TangentPlane(*home)
    assert plane.to_ned(*point) == pytest.approx(pymap3d.geodetic2ned(*point, *home), abs=1e-5)
    ours = plane.to_geodetic(*ned_m)
    assert geodetic_to_ecef(*ours) == pytest.approx(geodetic_to_ecef(*point), abs=1e-5)


@given(latitudes, longitudes, heights)
def test_geodetic_coordinates_survive_the_way_there_and_back(
    latitude_deg: float, longitude_deg: float, height_m: float
) -> None:
    """Geodetic to earth-fixed and back changes no coordinate by more than 10 nm or its angle."""
    back = ecef_to_geodetic(*geodetic_to_ecef(latitude_deg, longitude_deg, height_m))
    assert back[0] == pytest.approx(latitude_deg, abs=1e-12)
    assert math.remainder(back[1] - longitude_deg, 360) == pytest.approx(0, abs=1e-12)
    assert back[2] == pytest.approx(height_m, abs=1e-8)


@given(st.lists(st.tuples(latitudes, longitudes, heights), min_size=1, max_size=20))
def test_arrays_equal_scalars(points: list[tuple[float, float, float]]) -> None:
    """The function for arrays gives what the scalar one gives, row by row."""
    plane = TangentPlane(HOME_LATITUDE_DEG, HOME_LONGITUDE_DEG, 12.0)
    latitude, longitude, height = np.array(points).T
    rows = plane.to_ned_array(latitude, longitude, height)
    assert rows == pytest.approx(np.array([plane.to_ned(*point) for point in points]), abs=1e-6)
