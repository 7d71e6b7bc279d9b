"""Measures, each against numbers that can be worked out by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from asflown.grade.evidence import AirTime, Evidence, Sampling, evidence
from asflown.grade.leg_measures import largest, percentile_95, root_mean_square
from asflown.grade.measures import TABLE, measure
from asflown.grade.result import Measured
from asflown.record.series import Anchors, Series, Track, motion_signals
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.model import Limit
from asflown.scenario.path import PathLeg
from tests.unit.grade.paths import LAND, RETURN, arc, climb, flown, hold, line, path, round_trip


def track_of(positions: Series, on_ground: Series | None = None) -> Track:
    """A track whose positions, in forward, right and up, are given; it looks north at arming, at time 0."""
    ned = Series(positions.time_s, positions.values * np.array([1.0, 1.0, -1.0]))
    velocity = Series(ned.time_s, np.gradient(ned.values, ned.time_s, axis=0))
    anchors = Anchors(0.0, (0.0, 0.0, 0.0), 0.0, "")
    signals = motion_signals(ned, velocity, anchors)
    if on_ground is not None:
        signals["on_ground"] = on_ground
    return Track("estimate", ned, velocity, None, signals, anchors, float(ned.time_s[-1]))


def taken(name: str, positions: Series, legs: tuple[PathLeg, ...], **limit: Any) -> Measured:
    """The measure `name` of a flight along `positions`, on `legs`."""
    allowed = Limit(**(limit or {"at_most": 1.0}))
    return measure(name, allowed, evidence(track_of(positions), "start-heading", legs, {name: allowed}))


def straight(offset_m: np.ndarray[Any, Any], up_m: float = 3.0) -> Series:
    """Forward at 1 m/s, as long as there are offsets, with these offsets to the right; 10 Hz."""
    times = np.arange(len(offset_m)) / 10
    return Series(times, np.stack([times, offset_m, np.full(len(times), up_m)], axis=-1))


FORWARD = path({"climb": {"to": 3}}, line(20, 0, 3))[1:]


def test_every_named_measure_is_in_the_table() -> None:
    """The names that scenarios may use are exactly those that can be computed."""
    assert set(TABLE) == set(MEASURES)


def test_statistics() -> None:
    """Root mean square, 95th percentile (OC-STAT-22: 19.05 of 1 to 20) and largest size, signs apart."""
    errors = np.arange(1.0, 21.0) * np.where(np.arange(20) % 2, 1, -1)
    assert root_mean_square(errors) == pytest.approx(math.sqrt(143.5))
    assert percentile_95(errors) == pytest.approx(19.05)
    assert largest(errors) == 20


def test_cross_track_is_named_by_side_size_and_moment() -> None:
    """1.5 m to the right for the last quarter of a leg, where 1 m is allowed."""
    found = taken("cross_track_max", straight(np.where(np.arange(200) < 150, 0.2, 1.5)), FORWARD)
    assert (found.value, found.margin) == (1.5, -0.5)
    assert found.says == "leg 2 (line to 20, 0, 3 m) is up to 1.50 m too far right, from 15.0 s"
    assert (found.leg, found.at_s) == ("leg 2 (line to 20, 0, 3 m)", 15.0)


def test_cross_track_percentile_forgives_a_moment() -> None:
    """Four per cent of a leg may be anywhere: the 95th percentile does not see it, the maximum does."""
    offsets = np.where(np.arange(200) < 8, -5.0, 0.5)
    assert taken("cross_track_p95", straight(offsets), FORWARD).value == 0.5
    assert taken("cross_track_max", straight(offsets), FORWARD).value == 5.0


def test_cross_track_of_an_arc_is_from_its_circle() -> None:
    """Half a metre outside a right turn is half a metre to its left."""
    legs = path(arc((0, 10), math.pi))
    angles = np.linspace(0, math.pi, 200)
    wide = np.stack([10.5 * np.sin(angles), 10 - 10.5 * np.cos(angles), np.zeros(200)], axis=-1)
    found = taken("cross_track_rms", Series(np.linspace(0, 20, 200), wide), legs)
    assert found.value == pytest.approx(0.5, abs=1e-9)
    assert "0.50 m too far left" in found.says


def test_vertical_is_named_high_or_low() -> None:
    """Flying at 2.2 m where 3 m is expected is 0.8 m too low."""
    found = taken("vertical_p95", straight(np.zeros(200), up_m=2.2), FORWARD, at_most=0.5)
    assert found.value == pytest.approx(0.8)
    assert found.says == "leg 2 (line to 20, 0, 3 m) is up to 0.80 m too low, from 0.0 s"


def test_vertical_follows_a_sloping_leg() -> None:
    """On a leg that climbs, the height expected is that of the nearest place."""
    legs = path(line(20, 0, 10))
    times = np.arange(200) / 10
    sloping = np.stack([times, np.zeros(200), times / 2 + 0.25], axis=-1)
    assert taken("vertical_max", Series(times, sloping), legs).value == pytest.approx(0.25)


def test_worst_leg_is_named_unless_an_earlier_one_is_half_as_bad() -> None:
    """The first leg that went wrong is what a person looks for; a much worse one later takes its place."""
    legs = path(line(10, 0, 0), line(20, 0, 0))

    def deciding(first_m: float, second_m: float) -> str | None:
        offsets = np.where(np.arange(200) < 100, first_m, second_m)
        return taken("cross_track_max", straight(offsets, up_m=0.0), legs).leg

    assert deciding(1.2, 2.0) == "leg 1 (line to 10, 0, 0 m)"
    assert deciding(0.4, 2.0) == "leg 2 (line to 20, 0, 0 m)"


def test_dwell_counts_the_time_within_the_radius() -> None:
    """Four seconds at a hold, and half a second of flight at 2 m/s on either side within 1 m."""
    legs = path(line(10, 0, 0), hold(3), line(10, 10, 0))
    track = flown(((10, 0, 0), 2.0, 4.0), ((10, 10, 0), 2.0, 0.0), stand_s=0.0)
    found = taken("dwell_at_holds", track, legs, at_least=3.0)
    assert found.value == pytest.approx(5.0, abs=0.1)
    assert found.says == "leg 2 (hold for 3 s) stayed 5.05 s within 1.00 m of 10, 0, 0 m, from 4.5 s"


def test_shortest_dwell_decides() -> None:
    """Of two holds, the one that was cut short is named."""
    legs = path(line(10, 0, 0), hold(3), line(10, 10, 0), hold(3))
    track = flown(((10, 0, 0), 2.0, 4.0), ((10, 10, 0), 2.0, 1.0), ((10, 10, 0.1), 0.1, 0.0), stand_s=0.0)
    assert taken("dwell_at_holds", track, legs, at_least=3.0).leg == "leg 4 (hold for 3 s)"


def test_hold_flown_elsewhere_was_never_reached() -> None:
    """Flying to a place 4 m beside, 3.71 m past the hold, is no time at all there, and the distance is told."""
    legs = path(line(10, 0, 0), hold(3))
    found = taken("dwell_at_holds", flown(((10, 4, 0), 2.0, 5.0), stand_s=0.0), legs, at_least=3.0)
    assert found.value == 0
    assert found.says.startswith(
        "leg 2 (hold for 3 s) never came within 1.00 m of 10, 0, 0 m: nearest was 3.71 m"
    )


def test_hold_radius_is_what_the_scenario_tolerates() -> None:
    """Where 3 m of cross-track error are allowed, 3 m from the place still count as being there."""
    legs = path(line(10, 0, 0), hold(3))
    limits = {"dwell_at_holds": Limit(at_least=3.0), "cross_track_p95": Limit(at_most=3.0)}
    track = track_of(flown(((10, 2, 0), 2.0, 5.0), stand_s=0.0))
    found = measure(
        "dwell_at_holds", limits["dwell_at_holds"], evidence(track, "start-heading", legs, limits)
    )
    assert found.passed
    assert "within 3.00 m" in found.says


def ground(*changes: tuple[float, bool], end_s: float) -> Series:
    """Whether the vehicle stands on the ground, reported twice a second, from each time on."""
    times = np.arange(0, end_s, 0.5)
    values = np.zeros(len(times))
    for from_s, standing in changes:
        values[times >= from_s] = float(standing)
    return Series(times, values)


def landing(track: Series, on_ground: Series) -> dict[str, Measured]:
    """Landing offset and duration of a flight there and back."""
    legs = path(climb(3), line(8, 0, 3), RETURN, LAND)
    laid = evidence(track_of(track, on_ground), "start-heading", legs, {})
    limits = {"landing_offset": Limit(at_most=1.0), "duration": Limit(between=(5.0, 30.0))}
    return {name: measure(name, limit, laid) for name, limit in limits.items()}


def test_landing_offset_and_duration_are_from_the_last_touch_down() -> None:
    """A vehicle that bounces is down when it stays down."""
    track = round_trip(((8.0, 0.0, 3.0),), stay_s=0.0, land_at=(0.0, 2.0))
    end_s = float(track.time_s[-1])
    found = landing(
        track, ground((0, True), (2.5, False), (18.0, True), (18.5, False), (19.0, True), end_s=end_s)
    )
    assert found["landing_offset"].value == pytest.approx(2.0)
    assert found["landing_offset"].says == (
        "leg 4 (land) ended 2.00 m from 0, 0 m (0.00 m forward and 2.00 m right), at 19.0 s"
    )
    assert found["duration"].value == pytest.approx(16.5)


def test_vehicle_still_in_the_air_has_no_landing() -> None:
    """A capture that ends in the air has neither a landing offset nor a duration."""
    track = round_trip(((8.0, 0.0, 3.0),), stay_s=0.0)
    found = landing(track, ground((0, True), (2.5, False), end_s=float(track.time_s[-1])))
    assert [one.says for one in found.values()] == ["not measurable: the vehicle was not seen to land"] * 2


def test_speed_is_that_of_the_middle_of_the_leg() -> None:
    """Starting and stopping slowly at the ends of a leg does not count; its middle half does."""
    legs = path(line(20, 0, 0, speed=2.0))
    slow_ends = flown(((4, 0, 0), 0.5, 0), ((16, 0, 0), 2.2, 0), ((20, 0, 0), 0.5, 0), stand_s=0.0)
    found = taken("speed_on_legs", slow_ends, legs, at_most=0.5)
    assert found.value == pytest.approx(0.2, abs=0.01)
    assert found.says == "leg 1 (line to 20, 0, 0 m) was flown at 2.20 m/s instead of 2.00 m/s, from 0.0 s"


def test_frechet_distance_follows_both_in_order() -> None:
    """The whole path flown 0.5 m beside it is 0.5 m away, to within the steps that the path is cut into."""
    legs = path(line(20, 0, 3))
    beside = np.stack([np.linspace(0, 20, 200), np.full(200, 0.5), np.linspace(0, 3, 200)], axis=-1)
    found = taken("frechet_distance", Series(np.linspace(0, 20, 200), beside), legs)
    assert found.value == pytest.approx(0.5, abs=0.1)


def test_frechet_distance_sees_what_was_left_out() -> None:
    """There and back where only there was flown: the way back is as far away as the start."""
    legs = path(line(10, 0, 0), line(0, 0, 0))
    assert taken("frechet_distance", straight(np.zeros(101), up_m=0.0), legs).value == pytest.approx(
        10, abs=0.1
    )


SAMPLINGS = {
    "enough": (np.arange(0, 10, 0.1), 4.0, 0.0, ""),
    "too slow": (np.arange(0, 10, 0.5), 4.0, 0.0, "positions came at 2.0 Hz, and 4 Hz are needed"),
    "a gap": (
        np.r_[np.arange(0, 5, 0.1), np.arange(8, 10, 0.1)],
        4.0,
        0.05,
        "there are no positions for 3.1 s from 4.9 s",
    ),
    "a gap that is small enough": (np.r_[np.arange(0, 5, 0.1), np.arange(7, 60, 0.1)], 4.0, 0.05, ""),
    "nothing": (np.array([1.0]), 4.0, 0.05, "there are no positions"),
}


@pytest.mark.parametrize(("times", "hz", "gap_share", "missing"), SAMPLINGS.values(), ids=SAMPLINGS.keys())
def test_sampling_needed(times: Any, hz: float, gap_share: float, missing: str) -> None:
    """What a measure needs of the positions, and what is said when they do not have it."""
    positions = Series(times, np.zeros((len(times), 3)))
    assert Sampling(hz, gap_share).missing(positions) == missing


def test_flight_without_a_path_has_no_errors() -> None:
    """Without an expected path nothing lies beside it."""
    laid: Evidence = evidence(track_of(straight(np.zeros(50))), "start-heading", (), {})
    assert laid.air == AirTime(None, None)
    assert measure("cross_track_p95", Limit(at_most=1.0), laid).says == (
        "not measurable: the scenario expects no path"
    )
