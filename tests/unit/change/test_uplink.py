"""The uplink as steps, and two flights' steps side by side."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.change.uplink import align, steps
from tests.unit.change.flown import UP, flight, go, heartbeat, speed, take_off

VELOCITY = 0b110111000111
FIELDS = "SET_POSITION_TARGET_LOCAL_NED"


def test_frames_that_repeat_belong_to_one_step(tmp_path: Path) -> None:
    """A step lasts until the next; its frames are counted."""
    found = steps(flight(tmp_path / "a"))
    assert [(one.key, round(one.begin_s, 3), round(one.lasted_s, 3), one.frames) for one in found] == [
        ("COMMAND_LONG NAV_TAKEOFF", 1.0, 1.0, 1),
        ("COMMAND_LONG DO_CHANGE_SPEED", 2.0, 1.0, 1),
        (f"{FIELDS} position", 3.0, 1.0, 2),
        (f"{FIELDS} position", 4.0, 0.0, 1),
    ]


def test_heartbeats_are_no_step(tmp_path: Path) -> None:
    """They are sent for another reason."""
    up = [(0.5, heartbeat()), *UP, (3.7, heartbeat())]
    assert len(steps(flight(tmp_path / "a", up=up))) == 4


def test_velocities_of_whatever_size_are_one_step(tmp_path: Path) -> None:
    """They are computed anew for each message."""
    up = [(1 + k / 10, go(k, -k, mask=VELOCITY)) for k in range(10)]
    (found,) = steps(flight(tmp_path / "a", up=up))
    assert (found.key, found.frames, found.values) == (f"{FIELDS} velocity", 10, ())


def test_places_are_laid_on_the_start(tmp_path: Path) -> None:
    """Forward, right and up of the first position, which is 3 m up in the vehicle's own axes."""
    found = steps(flight(tmp_path / "a"))[3]
    values = dict(zip(found.names, found.values, strict=True))
    assert (values["forward"], values["right"], values["up"]) == pytest.approx((8.0, 6.0, 0.0), abs=1e-6)


def test_steps_are_aligned_by_kind(tmp_path: Path) -> None:
    """What one flight has more is passed over, and told as the first that is other."""
    one = steps(flight(tmp_path / "a", up=[(1, take_off()), (2, speed(2)), (3, go(1, 0))]))
    other = steps(flight(tmp_path / "b", up=[(1, take_off()), (3, go(1, 0))]))
    aligned = align(one, other)
    assert [mine.key for mine, _ in aligned.pairs] == [one[0].key, one[2].key]
    assert aligned.first_other == (one[1], other[1])
