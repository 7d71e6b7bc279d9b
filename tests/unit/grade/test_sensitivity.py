"""The smallest disturbance that is caught: found where a sum by hand puts it, and said where there is none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from asflown.errors import FolderProblem
from asflown.grade.disturb import Kind
from asflown.grade.grade import load_tracks
from asflown.grade.sensitivity import Found, sensitivity
from tests.unit.grade.flights import flight_of, scenario
from tests.unit.grade.paths import round_trip
from tests.unit.record.flown import write_flight

CEILING = {"name": "ceiling", "always": "height < 4.5 m"}
PROMPT = {"name": "climbs promptly", "formula": "eventually[0 s, 12 s] (height > 2.8 m)"}


def of(tmp_path: Path, *kinds: Kind, **expect: Any) -> dict[tuple[str, str], Found]:
    """What is caught of the exact round trip, by kind and words."""
    folder = write_flight(tmp_path / "f", flight_of(round_trip(), position_hz=5.0))
    by = scenario(**expect)
    return {(one.kind, one.says): one for one in sensitivity(load_tracks(folder, by), by, kinds)}


def test_a_limit_of_an_exact_flight_is_what_is_caught(tmp_path: Path) -> None:
    """Of a flight without errors, an offset is caught as soon as it is as large as the limit."""
    limits = {"cross_track_p95": {"at_most": 0.8}, "vertical_p95": {"at_most": 0.5}}
    found = of(tmp_path, "sideways", "height", measures=limits, rules=[])
    for way in ("right", "left"):
        one = found["sideways", f"flies {way} of every leg"]
        assert one.size == pytest.approx(0.8, abs=0.05)
        assert (one.caught_by, one.passes_again) == (("cross_track_p95",), ())
    assert found["height", "flies too high"].size == pytest.approx(0.5, rel=0.03)
    assert found["height", "flies too low"].size == pytest.approx(0.5, rel=0.03)


@pytest.mark.slow
def test_the_size_found_is_close_to_one_that_passes(tmp_path: Path) -> None:
    """Between the size that passes and the one that is caught lies no more than a hundredth."""
    for one in of(tmp_path, "height", "wait").values():
        if one.size is not None:
            assert one.passes is not None
            assert 0 <= one.size - one.passes <= 0.01 * one.size


def test_a_rule_catches_what_measures_cannot(tmp_path: Path) -> None:
    """A late lift-off changes no measure; a rule with a window catches it, when 2.8 m is reached 12 s after arming.

    Armed at 0.5 s, lifted off at 2 s, at 2.8 m 2.8 s later: 4.3 s after arming, which leaves 7.7 s.
    """
    late = of(tmp_path, "delay", measures={}, rules=[PROMPT])["delay", "lifts off later"]
    assert late.caught_by == ("rule climbs promptly",)
    assert late.size == pytest.approx(7.7, abs=1.1)


def test_what_is_never_caught_is_said(tmp_path: Path) -> None:
    """Without such a rule a late lift-off is not caught however late it is."""
    late = of(tmp_path, "delay", measures={}, rules=[CEILING])["delay", "lifts off later"]
    assert (late.outcome, late.size, late.caught_by, late.looked_up_to) == ("not-caught", None, (), 600.0)


def test_a_larger_disturbance_that_passes_again_is_told(tmp_path: Path) -> None:
    """A rule that only a middling height breaks is not monotone, and that is seen."""
    rule = {"name": "high or low", "formula": "eventually (height > 5 m) or always (height < 3.3 m)"}
    found = of(tmp_path, "height", measures={}, rules=[rule])["height", "flies too high"]
    assert found.size == pytest.approx(0.3, rel=0.05)
    assert found.passes_again
    assert found.passes_again[0] > 2.0


def test_a_flight_that_fails_undisturbed_is_refused(tmp_path: Path) -> None:
    """From a flight that fails already nothing can be said, and the message has its reason."""
    with pytest.raises(FolderProblem, match="does not pass undisturbed \\(duration: "):
        of(tmp_path, "height", measures={"duration": {"at_most": 5.0}}, rules=[])


def test_without_a_path_what_needs_one_makes_no_sense(tmp_path: Path) -> None:
    """No expected path: no leg to be right of; height is still looked for."""
    found = of(tmp_path, "sideways", "height", path=None, measures={}, rules=[CEILING])
    aside = found["sideways", "flies right of every leg"]
    assert (aside.outcome, aside.reason) == ("makes-no-sense", "no leg that leads to the side was flown")
    assert found["height", "flies too high"].size == pytest.approx(1.5, rel=0.02)
