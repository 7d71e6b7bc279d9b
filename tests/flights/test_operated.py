"""`asflown fly` with a real vehicle on a real terminal, and without one."""

from __future__ import annotations

import subprocess
from pathlib import Path

from asflown.flight.conductor import fly
from asflown.flight.plan import FlightPlan
from asflown.record import manifest as manifests
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle
from tests.flights.flying import HELLO, command, write_scenario
from tests.flights.operated import ANSWERS, CTRL_C, run_on_terminal

RIG = "asflown: 1\nname: rig\nkind: bench\nlink: 'serial:///dev/nothing-here?baud=57600'\nphysics: none\n"
QUAD = "asflown: 1\nname: quad\nkind: airframe\nlink: 'serial:///dev/nothing-here?baud=57600'\n"


def prepared(folder: Path, vehicle: str = RIG, *, moving: bool = False) -> list[str]:
    """A scenario and a vehicle that is not there; the command that flies it."""
    file = write_scenario(folder, HELLO)
    text = file.read_text(encoding="utf-8")
    if not moving:
        before, _, _ = text.partition("expect:")
        file.write_text(before + "expect: {}\n", encoding="utf-8")
    (folder / "rig.vehicle.yaml").write_text(vehicle, encoding="utf-8")
    return command("fly", file, "--vehicle", folder / "rig.vehicle.yaml", "--keep", folder / "flights")


def test_the_operator_is_led_through_everything_and_then_the_rig_is_looked_for(tmp_path: Path) -> None:
    """All questions answered: what is missing then is the rig itself."""
    code, shown = run_on_terminal(prepared(tmp_path), tmp_path)
    assert code == 3
    asked = [part for part in ANSWERS if part in shown]
    assert asked == ["Where does the rig stand?", "What powers it", "Type: propellers off", "Type: hands off"]
    assert "there is no serial port /dev/nothing-here" in " ".join(shown.split())


def test_a_wrong_word_is_asked_for_again_and_then_nothing_flies(tmp_path: Path) -> None:
    """Three times `yes` to the propellers: the port is not even opened."""
    code, shown = run_on_terminal(prepared(tmp_path), tmp_path, {**ANSWERS, "Type: propellers off": "yes"})
    assert code == 3
    assert shown.count("That is not `propellers off`.") == 3
    assert "not confirmed: propellers" in " ".join(shown.split())
    assert "serial port" not in shown


def test_who_walks_away_from_the_questions_leaves_a_folder_that_says_so(tmp_path: Path) -> None:
    """Ctrl-C: exit code 130, outcome `interrupted`."""
    code, _ = run_on_terminal(prepared(tmp_path), tmp_path, {**ANSWERS, "What powers it": CTRL_C})
    assert code == 130
    (folder,) = (entry for entry in (tmp_path / "flights").iterdir() if entry.is_dir())
    assert manifests.read(folder).outcome == "interrupted"


def test_without_a_terminal_it_is_refused_at_once(tmp_path: Path) -> None:
    """Input from a pipe confirms nothing, and exit code 3 says that nothing flew."""
    for vehicle in (RIG, QUAD):
        done = subprocess.run(
            prepared(tmp_path, vehicle),
            input="propellers off\n" * 20,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 3
        assert "this is not a terminal" in " ".join(done.stderr.split())


def test_a_rig_that_declares_itself_unattended_needs_nobody(tmp_path: Path) -> None:
    """It goes on to look for its port."""
    done = subprocess.run(
        prepared(tmp_path, RIG + "unattended: bench\n"), capture_output=True, text=True, check=False
    )
    assert "there is no serial port" in " ".join((done.stdout + done.stderr).split())


def test_a_bench_without_physics_has_no_path(tmp_path: Path) -> None:
    """Refused before anybody is asked, with the reason."""
    done = subprocess.run(prepared(tmp_path, moving=True), capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "expects a path, and rig is a bench without physics" in " ".join(done.stderr.split())


def test_a_program_that_asks_nobody_flies_nothing_real(tmp_path: Path) -> None:
    """The conductor itself refuses, whoever calls it."""
    prepared(tmp_path, QUAD)
    loaded = load_scenario(tmp_path / "try-out.scenario.yaml")
    plan = FlightPlan(loaded, load_vehicle("rig.vehicle.yaml", tmp_path), 1, "any", tmp_path / "flights")
    manifest = fly(plan, lambda progress: None).manifest
    assert manifest.outcome == "error"
    assert manifest.problem.startswith("nobody was asked whether quad may fly")
