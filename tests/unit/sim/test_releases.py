"""Releases: found by name, complete for every airframe; builds between them; constants set from a file."""

from __future__ import annotations

from itertools import pairwise

import pytest

from asflown.errors import VehicleProblem
from asflown.scenario.model import Conditions, Identity, Start
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.craft import Craft
from asflown.sim.interface import CraftSetup
from asflown.sim.releases import GAINS, HISTORY, RELEASES, Tuning, gains_of, release_named, retuned


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


def test_the_last_build_is_the_release() -> None:
    """What was changed on the way and is not in r3 was taken back: r3.8 flies as r3 does."""
    last, release = RELEASES[HISTORY[-1]], RELEASES["r3"]
    assert last.tunings == release.tunings
    assert last.level_share is release.level_share


def test_builds_differ_from_one_to_the_next() -> None:
    """Each has a change that the one before did not have."""
    builds = [RELEASES[name] for name in HISTORY]
    assert all((a.tunings, a.level_share) != (b.tunings, b.level_share) for a, b in pairwise(builds))


def test_every_control_constant_has_a_name_for_files() -> None:
    """No constant is left out, and names fit into the parameter protocol."""
    assert set(GAINS.values()) == set(Tuning.__dataclass_fields__)
    assert max(map(len, GAINS)) <= 16


def test_a_file_of_the_releases_own_constants_changes_nothing() -> None:
    """Setting what is there already gives the release's tuning."""
    tuning = RELEASES["r1"].tunings["palm80"]
    assert retuned(tuning, gains_of(tuning)) == tuning


def test_a_constant_that_no_craft_flies_with_is_refused() -> None:
    """The message names the bounds."""
    with pytest.raises(VehicleProblem, match=r"gain.position.p: 0.28 to 7 only, and not 70"):
        retuned(RELEASES["r1"].tunings["palm80"], {"gain.position.p": 70.0})


def test_the_craft_tells_of_constants_it_was_given() -> None:
    """They are among its parameters and in their hash, so that flights with others are not taken for equal."""
    setups = [
        CraftSetup("palm80", "r1", Start(), Conditions(), 1, gains)
        for gains in ({}, {"gain.position.p": 1.5}, {"gain.position.p": 1.6})
    ]
    crafts = [Craft(setup, Identity()) for setup in setups]
    assert "gain.position.p" not in crafts[0].parameters()
    assert crafts[2].parameters()["gain.position.p"] == 1.6
    assert len({craft.parameters_sha256() for craft in crafts}) == 3
