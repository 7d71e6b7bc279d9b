"""Which flights are flown, with which seeds, in which order."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.cli.planning import Subject, jobs_for, seeds_for
from asflown.scenario.file import load_scenario
from asflown.scenario.model import Repeat
from asflown.scenario.vehicle_file import load_vehicle
from tests.unit.cli.jobs_made_up import scenario_file


@pytest.mark.parametrize(
    ("repeat", "flights", "first", "seeds"),
    [
        (Repeat(), None, None, (1,)),
        (Repeat(flights=3), None, None, (1, 2, 3)),
        (Repeat(seeds=(5, 9)), None, None, (5, 9)),
        (Repeat(seeds=(5, 9)), 1, None, (5,)),
        (Repeat(seeds=(5, 9)), 4, None, (5, 9, 10, 11)),
        (Repeat(), 2, 7, (7, 8)),
        (Repeat(flights=3), None, 7, (7, 8, 9)),
        (Repeat(seeds=(5, 9)), None, 0, (0, 1)),
    ],
)
def test_seeds_are_the_scenarios_unless_the_command_begins(
    repeat: Repeat, flights: int | None, first: int | None, seeds: tuple[int, ...]
) -> None:
    """A seed on the command line counts up from there; otherwise the scenario's seeds come first."""
    assert seeds_for(repeat, flights, first) == seeds


@given(
    seeds=st.lists(st.integers(0, 50), unique=True, max_size=5),
    flights=st.none() | st.integers(1, 12),
    first=st.none() | st.integers(0, 50),
)
def test_no_seed_is_flown_twice(seeds: list[int], flights: int | None, first: int | None) -> None:
    """Equal seeds are copies, not samples: each flight of a scenario has a seed of its own."""
    flown = seeds_for(Repeat(seeds=tuple(seeds)), flights, first)
    assert len(set(flown)) == len(flown) >= 1
    assert flights is None or len(flown) == flights


def _subject(tmp_path: Path, *seeds: int) -> Subject:
    return Subject(load_scenario(scenario_file(tmp_path)), load_vehicle("palm80"), None, seeds)


def test_jobs_follow_scenarios_and_seeds_in_order(tmp_path: Path) -> None:
    """Scenario by scenario, seed by seed, numbered through."""
    subject = _subject(tmp_path, 4, 3)
    jobs = jobs_for((subject, subject), "any", tmp_path, prove=False)
    assert [(job.number, job.subject, job.plan.seed) for job in jobs] == [
        (0, 0, 4),
        (1, 0, 3),
        (2, 1, 4),
        (3, 1, 3),
    ]


def test_proving_flies_the_first_seed_once_more(tmp_path: Path) -> None:
    """The copy comes right behind the flight that it is compared with, and is marked as one."""
    jobs = jobs_for((_subject(tmp_path, 4, 3),), "lockstep", tmp_path, prove=True)
    assert [job.title for job in jobs] == [
        "hop on palm80, seed 4",
        "hop on palm80, seed 4, once more",
        "hop on palm80, seed 3",
    ]
    assert [job.is_copy for job in jobs] == [False, True, False]
    assert {job.plan.clock for job in jobs} == {"lockstep"}
