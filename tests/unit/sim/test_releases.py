"""Releases: found by name, complete for every airframe."""

from __future__ import annotations

import pytest

from asflown.errors import VehicleProblem
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.releases import RELEASES, release_named


@pytest.mark.parametrize("name", list(RELEASES))
def test_a_release_flies_every_airframe(name: str) -> None:
    """Each release has control constants for each built-in airframe."""
    assert release_named(name).tunings.keys() == AIRFRAMES.keys()


def test_an_unknown_release_is_refused_with_the_known_ones() -> None:
    """The message names what there is."""
    with pytest.raises(VehicleProblem) as problem:
        release_named("r99")
    assert str(problem.value) == (
        f"The built-in flight controller has no release 'r99'. Known are: {', '.join(RELEASES)}."
    )
