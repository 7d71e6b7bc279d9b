"""Disturbed tracks: what is moved is moved by what was asked for, and nothing else is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from asflown.errors import UsageError
from asflown.grade.disturb import KINDS, Disturber, Kind
from asflown.grade.evidence import Evidence, evidence, frame_of
from asflown.record.series import Anchors, Series, Track
from asflown.record.track import load_track
from asflown.scenario.model import Scenario
from asflown.scenario.path import PathLeg, resolve_path
from tests.unit.grade.flights import flight_of, scenario
from tests.unit.grade.paths import arc, climb, flown, line, path, round_trip
from tests.unit.record.flown import write_flight


def laid(track: Track, by: Scenario) -> Evidence:
    """The track on the path of the scenario."""
    assert by.expect.path is not None
    legs = resolve_path(by.expect.path, by.start.home)
    return evidence(track, frame_of(by.expect), legs, by.expect.measures)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Evidence:
    """The exact round trip, on its path."""
    folder = write_flight(tmp_path_factory.mktemp("flight") / "f", flight_of(round_trip()))
    return laid(load_track(folder, "estimate"), scenario())


def beside(found: Evidence, kind: Kind, size: float) -> list[float]:
    """The median cross-track error on each leg of the disturbed track, at the times of the undisturbed legs."""
    again = laid(Disturber(found).disturbed(kind, size), scenario())
    return [float(np.median(part.cross_track_m)) for part in again.legs if part.cross_track_m is not None]


@pytest.mark.parametrize("size_m", [-0.7, 0.2, 0.9])
def test_sideways_is_beside_every_leg(found: Evidence, size_m: float) -> None:
    """Each leg has the whole offset as its cross-track error, right positive, whichever way it leads."""
    assert beside(found, "sideways", size_m) == pytest.approx([size_m] * 5, abs=0.06)


def test_a_shift_is_felt_across_legs_alone(found: Evidence) -> None:
    """Moved north by 1 m about a start heading of 30 deg: a leg forward has it at its left, by the sine."""
    forward, rightwards, *_ = beside(found, "shifted", 1.0)
    assert forward == pytest.approx(-0.5, abs=0.06)
    assert rightwards == pytest.approx(-np.cos(np.radians(30)), abs=0.06)


def test_sideways_on_an_arc_is_outwards_of_a_turn_to_the_left() -> None:
    """Right of a turn to the left is outside it, and of a turn to the right inside it."""
    for turn_rad, radius_m in ((np.pi, 4.0), (-np.pi, 6.0)):
        legs = path(climb(3), line(10, 0, 3), arc((10, 5 * np.sign(turn_rad)), turn_rad))
        angles = np.linspace(0, turn_rad, 40)
        y_m = 5 * np.sign(turn_rad) - 5 * np.sign(turn_rad) * np.cos(angles)
        x_m = 10 + 5 * np.sign(turn_rad) * np.sin(angles)
        track = flown(
            ((0, 0, 3), 1.0, 0.0),
            ((10, 0, 3), 2.0, 0.0),
            *(((x, y, 3.0), 2.0, 0.0) for x, y in zip(x_m[1:], y_m[1:], strict=True)),
        )
        moved = Disturber(bare(track, legs)).disturbed("sideways", 1.0)
        late = moved.positions.between(13.0, 15.0).values
        away_m = np.hypot(late[:, 0] - 10, late[:, 1] - 5 * np.sign(turn_rad))
        np.testing.assert_allclose(away_m, radius_m, atol=0.05)


def bare(positions: Series, legs: tuple[PathLeg, ...]) -> Evidence:
    """A track of positions alone, in the axes of its path, on that path."""
    ned = Series(positions.time_s, positions.values * np.array([1.0, 1.0, -1.0]))
    still = Series(positions.time_s, np.zeros_like(positions.values))
    anchors = Anchors(float(positions.time_s[0]), (0.0, 0.0, 0.0), 0.0, "made up")
    track = Track("estimate", ned, still, None, {}, anchors, float(positions.time_s[-1]))
    return evidence(track, "start-heading", legs, {})


def test_height_is_added_while_flying(found: Evidence) -> None:
    """All legs are higher, the ground is where it was, and the height signal says so, too."""
    track = Disturber(found).disturbed("height", 0.4)
    again = laid(track, scenario())
    assert [float(np.median(part.vertical_m)) for part in again.legs] == pytest.approx([0.4] * 9, abs=0.02)
    assert track.signals["height"].values[[0, -1]] == pytest.approx(
        found.track.signals["height"].values[[0, -1]], abs=1e-9
    )
    assert track.signals["height"].values.max() == pytest.approx(3.4, abs=0.02)


def test_delay_moves_everything_from_lift_off_on(found: Evidence) -> None:
    """The lift-off, each leg and the touch-down come 5 s later; the vehicle stood until then, without a gap."""
    track = Disturber(found).disturbed("delay", 5.0)
    again = laid(track, scenario())
    assert again.matched is not None
    assert found.matched is not None
    before = [leg.begin_s for leg in found.matched.legs[1:]]
    assert [leg.begin_s - 5 for leg in again.matched.legs[1:]] == pytest.approx(before, abs=0.11)
    assert np.diff(track.positions.time_s).max() < 0.06
    assert track.anchors == found.track.anchors


def test_waiting_has_no_speed_and_no_gap(found: Evidence) -> None:
    """Half-way along the longest leg (8 m) the vehicle stands for 4 s, with samples that say so."""
    track = Disturber(found).disturbed("wait", 4.0)
    standing = track.signals["speed"].between(8.0, 10.0).values
    assert len(standing) == pytest.approx(40, abs=2)
    assert standing.max() == 0
    assert track.end_s == pytest.approx(found.track.end_s + 4)


@pytest.mark.parametrize("share", [-0.6, -0.2, 0.3, 1.0, 2.0])
def test_speed_is_changed_on_legs_alone(found: Evidence, share: float) -> None:
    """Legs take their time divided by the factor, at the factor's speed; holds, climb and landing are as they were."""
    again = laid(Disturber(found).disturbed("speed", share), scenario())
    assert found.air.touch_down_s is not None
    assert again.air.touch_down_s is not None
    assert found.matched is not None
    sided_s = sum(leg.end_s - leg.begin_s for leg in found.matched.legs if leg.leg.kind in {"line", "return"})
    assert sided_s == pytest.approx(15.49, abs=1.7)  # 30.97 m at 2 m/s; where a hold begins is known to 0.2 s
    expected = found.air.touch_down_s + sided_s / (1 + share) - sided_s
    assert again.air.touch_down_s == pytest.approx(expected, abs=0.7)
    fastest = float(np.percentile(again.track.signals["speed"].values, 99))
    assert fastest == pytest.approx(2 * (1 + share), rel=0.1)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_changes_by_nothing(found: Evidence, kind: Kind) -> None:
    """A disturbance of size 0 is the track itself."""
    track = Disturber(found).disturbed(kind, 0.0)
    assert track is found.track


@pytest.mark.parametrize("kind", KINDS)
def test_little_changes_by_little(found: Evidence, kind: Kind) -> None:
    """A disturbance of a millionth moves no sample by more than a few, and loses no signal."""
    track = Disturber(found).disturbed(kind, 1e-6)
    before, after = found.track.positions, track.positions
    where = [np.interp(before.time_s, after.time_s, column) for column in after.values.T]
    np.testing.assert_allclose(np.stack(where, axis=-1), before.values, atol=1e-4)
    assert track.signals.keys() == found.track.signals.keys()


def test_gaps_stay_gaps(tmp_path: Path) -> None:
    """Where nothing was known, nothing is put in by flying slower."""
    folder = write_flight(tmp_path / "f", flight_of(round_trip(), silent_s=(9.5, 12.5)))
    gap = laid(load_track(folder, "estimate"), scenario())
    slower = Disturber(gap).disturbed("speed", -0.5)
    assert np.diff(slower.positions.time_s).max() > 3.0


@pytest.mark.parametrize(("kind", "size"), [("speed", -0.95), ("delay", -1.0), ("height", 101.0)])
def test_senseless_sizes_are_refused(found: Evidence, kind: Kind, size: float) -> None:
    """What lies beyond the bounds of a kind is the caller's mistake, and the message has the bounds."""
    with pytest.raises(UsageError, match="makes no sense for"):
        Disturber(found).disturbed(kind, size)


def test_without_legs_to_the_side_there_is_no_right_of_it() -> None:
    """Straight up: sideways, wait and speed are refused with the reason; height is not."""
    up = Disturber(bare(flown(((0, 0, 3), 1.0, 2.0)), path(climb(3))))
    assert up.cannot("sideways") == "no leg that leads to the side was flown"
    assert not up.cannot("height")
    with pytest.raises(UsageError, match="no leg that leads to the side was flown"):
        up.disturbed("sideways", 1.0)
