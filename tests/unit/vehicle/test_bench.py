"""A bench rig: when it may arm, who holds it, and what it refuses."""

from __future__ import annotations

import multiprocessing
import sys
from pathlib import Path
from typing import Any

import pytest

from asflown.errors import VehicleProblem
from asflown.scenario.model import Scenario, VehicleFile
from asflown.url import parse
from asflown.vehicle.bench import Bench, possible_faults
from asflown.vehicle.rig_lock import RigLock, lock_path

LINK = "serial:///dev/x?baud=57600"
PASSES, FAILS = (sys.executable, "-c", ""), (sys.executable, "-c", "raise SystemExit(7)")


class Conversing:
    """Stands for the conversation, with which nothing is said here."""


def bench(simulated: list[bool], interlock: tuple[str, ...] | None = None, **more: Any) -> Bench:
    """A rig whose controller says the newest of `simulated`."""
    given = {"physics": "simulated", **more}
    file = VehicleFile(name="rig", kind="bench", link=LINK, interlock=interlock, **given)
    conversation: Any = Conversing()
    return Bench(file, parse(LINK), conversation, lambda: None, lambda: simulated[-1])


def test_it_arms_when_the_controller_says_that_its_sensors_are_simulated() -> None:
    """The interlock is then not even asked."""
    rig = bench([True], FAILS)
    rig.allow_arming()
    assert rig.record().facts["arming_allowed_by"] == "simulated sensors"


def test_it_arms_when_the_interlock_confirms_that_nothing_can_turn() -> None:
    """The user's own command, ended with 0."""
    rig = bench([False], PASSES)
    rig.allow_arming()
    assert rig.check()
    assert rig.record().facts["arming_allowed_by"] == "interlock"


@pytest.mark.parametrize(
    ("interlock", "says"),
    [
        (None, "does not say that its sensors and motors are simulated"),
        (FAILS, "ended with 7"),
        (("/nowhere/interlock",), "cannot be started"),
    ],
)
def test_it_does_not_arm_otherwise(interlock: tuple[str, ...] | None, says: str) -> None:
    """Nobody says that nothing can turn."""
    with pytest.raises(VehicleProblem, match=says):
        bench([False], interlock).allow_arming()


def test_without_physics_a_script_that_never_arms_needs_nobody_s_word() -> None:
    """It runs, and the guard is not told that it may arm; an interlock that is there is asked all the same."""
    rig = bench([False], physics="none")
    rig.allow_arming()
    assert (rig.may_arm, rig.record().facts["arming_allowed_by"]) == (False, "nobody")
    with pytest.raises(VehicleProblem, match="ended with 7"):
        bench([False], FAILS, physics="none").allow_arming()


def test_a_controller_that_takes_its_word_back_ends_the_flight() -> None:
    """Its motors may be real from that moment on."""
    said = [True]
    rig = bench(said)
    rig.allow_arming()
    assert rig.check()
    said.append(False)
    with pytest.raises(VehicleProblem, match="does not say any more"):
        rig.check()


def test_simulated_physics_need_a_link_and_an_airframe() -> None:
    """Told before anything is started."""
    file = VehicleFile(name="rig", kind="bench", link=LINK, physics="simulated", physics_link=LINK)
    conversation: Any = Conversing()
    rig = Bench(file, parse(LINK), conversation, lambda: None, lambda: True)
    scenario: Any = Scenario
    with pytest.raises(VehicleProblem, match="lacks simulates"):
        rig.begin_physics(scenario, 1, Path(), 0)


def test_faults_are_for_physics_of_ours() -> None:
    """Where nothing is simulated nothing is broken."""
    rig = {"name": "rig", "kind": "bench", "link": LINK}
    assert possible_faults(VehicleFile.model_validate({**rig, "physics": "none"})) == set()
    assert "motor-stop" in possible_faults(VehicleFile.model_validate({**rig, "physics": "simulated"}))


def _try(path: Path, found: Any) -> None:
    try:
        RigLock(path)
        found.put("had it")
    except VehicleProblem as problem:
        found.put(str(problem))


def test_a_rig_is_held_by_one_process_at_a_time(tmp_path: Path) -> None:
    """Another one is told which process has it; afterwards it can have it."""
    path, context = tmp_path / "lock", multiprocessing.get_context("spawn")
    found = context.Queue()
    lock = RigLock(path)
    for _ in range(2):
        process = context.Process(target=_try, args=(path, found))
        process.start()
        process.join()
        lock.release()
    assert "is in use by process" in found.get(timeout=10)
    assert found.get(timeout=10) == "had it"


def test_the_lock_is_the_rig_s_own() -> None:
    """By name and links, so that two rigs do not stand in each other's way."""
    one = VehicleFile(name="rig", kind="bench", link=LINK, physics="none")
    other = one.model_copy(update={"link": "serial:///dev/y"})
    assert lock_path(one) == lock_path(one.model_copy())
    assert lock_path(one) != lock_path(other)
