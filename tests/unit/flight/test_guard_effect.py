"""Whether a reaction shows, at the exact edges of time, speed and progress."""

from __future__ import annotations

from typing import Any

import pytest

from asflown.flight.guard_effect import Effect
from asflown.flight.guard_terms import GuardTerms
from asflown.flight.takeover import Takeover
from asflown.flight.watch import ON_GROUND, VehicleWatch

SECOND_US = 1_000_000
NUMBERS: dict[Any, int] = {"position-hold": 42, "safe-recovery": 43, "land": 44}


class Shown:
    """A vehicle in a mode at a place, of which one reaction is expected."""

    def __init__(self, mode: str, reaction: Any, **seen: Any) -> None:
        self.watch = VehicleWatch()
        terms = GuardTerms(modes=dict(NUMBERS))
        takeover = Takeover(terms, self.watch, lambda change: None, lambda now_us, how: None)
        self.effect = Effect(self.watch, takeover)
        self.see(start_ned_m=(0.0, 0.0, 0.0), custom_mode=NUMBERS[mode], position_us=0, **seen)
        self.effect.begin(0, reaction)

    def see(self, **facts: Any) -> None:
        """From now on the vehicle tells this."""
        for name, value in facts.items():
            setattr(self.watch.seen, name, value)

    def look(self, at_us: int) -> str:
        """Why it failed; '' while it did not."""
        return self.effect.look(at_us, accepted=False, refused=False)


def test_who_stands_need_not_move() -> None:
    """Half a minute of standing is what was asked for."""
    shown = Shown("position-hold", "stop-here", velocity_ned_m_s=(0.0, 0.0, 0.0))
    assert [shown.look(at_s * SECOND_US) for at_s in (0, 10, 20, 30)] == [""] * 4
    assert shown.effect.shown_for_us(30 * SECOND_US) == 30 * SECOND_US


def test_a_vehicle_that_tells_no_place_cannot_be_seen_to_move() -> None:
    """Its mode must do."""
    shown = Shown("safe-recovery", "come-home")
    shown.see(position_us=None)
    assert [shown.look(at_s * SECOND_US) for at_s in (0, 10, 20, 30)] == [""] * 4


def test_a_vehicle_on_the_ground_need_not_move() -> None:
    """It has come down."""
    shown = Shown("land", "set-down", landed_state=ON_GROUND)
    assert [shown.look(at_s * SECOND_US) for at_s in (0, 10, 20, 30)] == [""] * 4


@pytest.mark.parametrize(
    ("north_m", "down_m", "fails"),
    [
        (30.0, -8.0, True),
        (29.5, -8.0, False),
        (30.5, -8.0, False),
        (29.75, -8.0, True),
        (30.0, -7.5, False),
        (30.0, -8.5, False),
        (30.0, -7.75, True),
    ],
)
def test_half_a_metre_in_twenty_seconds_is_progress(north_m: float, down_m: float, fails: bool) -> None:
    """In distance or height, either way; a microsecond before nothing is judged."""
    shown = Shown("land", "set-down", north_m=30.0, down_m=-8.0)
    assert shown.look(0) == ""
    shown.see(north_m=north_m, down_m=down_m)
    assert shown.look(19_999_999) == ""
    assert shown.look(20 * SECOND_US) == ("set-down makes no progress" if fails else "")


def test_progress_is_counted_from_the_place_of_the_last_one() -> None:
    """Half a metre, and then none for twenty seconds."""
    shown = Shown("safe-recovery", "come-home", north_m=30.0, down_m=-8.0)
    shown.see(north_m=29.5)
    assert shown.look(10 * SECOND_US) == ""
    shown.see(north_m=29.25)
    assert [shown.look(at_us) for at_us in (29_999_999, 30_000_000)] == ["", "come-home makes no progress"]


@pytest.mark.parametrize(("speed_m_s", "shows"), [(0.7, False), (0.69, True), (None, True)])
def test_who_stands_is_slower_than_seven_tenths(speed_m_s: float | None, shows: bool) -> None:
    """Not as fast; and until it stands it has shown for no time at all."""
    velocity = None if speed_m_s is None else (speed_m_s, 0.0, 0.0)
    shown = Shown("position-hold", "stop-here", velocity_ned_m_s=velocity)
    assert shown.look(0) == ""
    assert (shown.effect.shown, shown.effect.shown_for_us(3)) == (shows, 3 if shows else 0)
