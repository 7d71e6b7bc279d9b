"""`asflown bisect`: what its candidates are, when a flight is bad, and what is refused before anything flies."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from asflown.cli import bad_when
from asflown.cli.candidates import (
    ParameterChanges,
    Revisions,
    Tags,
    parameter_changes,
    parameters_in,
    revisions_between,
)
from asflown.cli.main import main
from asflown.errors import FlightError, UsageError
from asflown.grade.result import Grade, Measured, VerdictWord
from asflown.record.folder import read_manifest
from asflown.report.flown import Flown
from asflown.scenario.file import LoadedScenario, load_scenario
from asflown.scenario.model import Limit, VehicleFile
from asflown.scenario.parameter_file import read_parameters
from asflown.scenario.vehicle_file import load_vehicle, read_vehicle
from tests.unit.change.stored import rewrite, store_flight
from tests.unit.cli.jobs_made_up import scenario_file


@pytest.fixture
def loaded(tmp_path: Path) -> LoadedScenario:
    """A made-up scenario in a folder of its own."""
    return load_scenario(scenario_file(tmp_path / "hop"))


def flown(tmp_path: Path, verdict: VerdictWord, value: float | None = 0.5) -> Flown:
    """A graded flight with one measure."""
    folder = store_flight(tmp_path / "flights", 1)
    measured = Measured("cross_track_p95", "m", value, Limit(at_most=1.0), 0.5, "estimate")
    return Flown(read_manifest(folder), Grade(verdict, "because", (measured,), (), (), (), ""), folder)


@pytest.mark.parametrize(("verdict", "bad"), [("pass", False), ("fail", True)])
def test_without_a_bound_the_verdict_decides(tmp_path: Path, verdict: VerdictWord, bad: bool) -> None:
    """A flight that fails is bad."""
    assert bad_when.parse(None)(flown(tmp_path, verdict)) is bad


def test_a_flight_that_does_not_decide_stops_the_search(tmp_path: Path) -> None:
    """It is neither good nor bad, and is not taken for either."""
    with pytest.raises(FlightError, match="neither good nor bad: because"):
        bad_when.parse(None)(flown(tmp_path, "inconclusive"))


@pytest.mark.parametrize(
    ("bound", "bad"),
    [("cross_track_p95 > 0.4 m", True), ("cross_track_p95>60cm", False), ("cross_track_p95 < 0.6 m", True)],
)
def test_a_bound_on_a_measure_decides(tmp_path: Path, bound: str, bad: bool) -> None:
    """In any unit, in either direction, whatever the verdict."""
    assert bad_when.parse(bound)(flown(tmp_path, "pass")) is bad


def test_a_measure_that_was_not_measured_stops_the_search(tmp_path: Path) -> None:
    """Its flights decide nothing."""
    with pytest.raises(FlightError, match="has no cross_track_p95"):
        bad_when.parse("cross_track_p95 > 1 m")(flown(tmp_path, "pass", None))


@pytest.mark.parametrize("bound", ["", "duration", "crosstrack > 1 m", "duration > 5", "duration > 1 m"])
def test_a_bound_of_nothing_is_refused(bound: str) -> None:
    """A measure, a sign, and a quantity of its kind are needed."""
    with pytest.raises(UsageError):
        bad_when.parse(bound)


def changes(tmp_path: Path, loaded: LoadedScenario, vehicle: VehicleFile | None = None) -> ParameterChanges:
    """Two files that differ in three of four parameters."""
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_text("tilt,25\nacceleration,2\nspeed.travel,3\n")
    bad.write_text("tilt,20\nacceleration,2\nspeed.travel,4\ndrag,0.4\n")
    return parameter_changes(loaded, vehicle or load_vehicle("palm80"), (good, bad), tmp_path / "work")


def test_what_differs_between_two_files_is_searched(tmp_path: Path, loaded: LoadedScenario) -> None:
    """By name; what is in one of them alone differs, too."""
    assert changes(tmp_path, loaded).names == ("drag", "speed.travel", "tilt")


def test_a_candidate_has_some_of_the_changes(tmp_path: Path, loaded: LoadedScenario) -> None:
    """The others are as in the good file."""
    made = changes(tmp_path, loaded).make("drag + tilt").vehicle
    assert made.parameters.start is not None
    assert read_parameters(Path(made.parameters.start)) == {
        "acceleration": 2, "drag": 0.4, "speed.travel": 3, "tilt": 20,
    }  # fmt: skip


def test_parameters_of_a_flight_are_those_it_was_flown_with(tmp_path: Path) -> None:
    """By its manifest; one that nobody has read is refused."""
    folder = store_flight(tmp_path / "flights", 1)
    with pytest.raises(UsageError, match="nobody has read the parameters"):
        parameters_in(folder)
    vehicle = read_manifest(folder).vehicle.model_dump() | {"parameters": {"tilt": 25.0}}
    rewrite(folder, vehicle=vehicle)
    assert parameters_in(folder) == {"tilt": 25.0}


def test_no_parameters_are_written_to_a_real_vehicle(tmp_path: Path, loaded: LoadedScenario) -> None:
    """Only a built-in vehicle is powered up with others."""
    real = load_vehicle("palm80").model_copy(update={"kind": "bench"})
    with pytest.raises(UsageError, match="asflown writes no parameters to it"):
        changes(tmp_path, loaded, real)


def test_a_tag_replaces_that_of_the_image(tmp_path: Path, loaded: LoadedScenario) -> None:
    """And is the release; a port in the image's name is no tag."""
    file = tmp_path / "boxed.vehicle.yaml"
    file.write_text(
        "asflown: 1\nname: boxed\nkind: container\ncontainer: {image: 'here:5000/fly:1.3', port: 5760/tcp}\n"
    )
    made = Tags(loaded, read_vehicle(file), ("1.3", "1.4")).make("1.4").vehicle
    assert made.container is not None
    assert (made.container.image, made.release) == ("here:5000/fly:1.4", "1.4")


def git(folder: Path, *arguments: str) -> str:
    """What git answers."""
    return subprocess.run(
        ["git", *arguments], cwd=folder, capture_output=True, text=True, check=True
    ).stdout.strip()


def begin_repository(folder: Path) -> None:
    """A new one, with somebody to commit."""
    git(folder, "init", "-q")
    git(folder, "config", "user.name", "Somebody")
    git(folder, "config", "user.email", "s@example.org")


def test_revisions_are_those_that_changed_the_script(tmp_path: Path, loaded: LoadedScenario) -> None:
    """From the good one on; each is flown with the script of its time and the scenario of today."""
    begin_repository(tmp_path)
    for number in range(4):
        (tmp_path / ("hop/hop.py" if number != 2 else "other.txt")).write_text(f"# version {number}\n")
        git(tmp_path, "add", ".")
        git(tmp_path, "commit", "-q", "-m", f"version {number}")
    good = git(tmp_path, "rev-parse", "HEAD~3")
    names = revisions_between(loaded, good, "HEAD")
    assert len(names) == 3
    assert good.startswith(names[0])
    loaded.file.write_text(loaded.file.read_text().replace("30 s", "31 s"))
    found = Revisions(loaded, load_vehicle("palm80"), None, names, tmp_path / "work").make(names[1])
    assert (found.loaded.folder / "hop.py").read_text() == "# version 1\n"
    assert "31 s" in found.loaded.file.read_text()


def test_a_revision_with_a_link_out_of_its_folder_is_refused(tmp_path: Path, loaded: LoadedScenario) -> None:
    """What a revision leads to elsewhere is not laid out, and the message names the revision and the link."""
    begin_repository(tmp_path)
    (tmp_path / "hop/legs.csv").symlink_to("/etc/hostname")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "a link")
    revisions = Revisions(loaded, load_vehicle("palm80"), None, ("HEAD",), tmp_path / "work")
    with pytest.raises(UsageError, match=r"revision HEAD cannot be flown: .*legs\.csv.*Put a file there"):
        revisions.make("HEAD")


REFUSED = {
    "releases the wrong way": (["--releases", "palm80", "r3.8", "r1"], "not an older and a newer one"),
    "one vehicle": (["--vehicles", "palm80@r1"], "1 candidate cannot be bisected"),
    "no tags": (["--tags", "boxed.vehicle.yaml", "1.3"], "needs a vehicle file and two tags"),
    "rates": (["--vehicles", "palm80@r1", "palm80@r2", "--bad-rate", "0.01"], "not in order"),
    "no git": (["--revisions", "v1", "v2"], "git rev-list"),
}


@pytest.mark.parametrize(("arguments", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_searched_is_refused(
    loaded: LoadedScenario,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    says: str,
) -> None:
    """Exit code 2 before anything flies."""
    monkeypatch.chdir(tmp_path)
    assert main(["bisect", str(loaded.file), *arguments]) == 2
    assert says in capsys.readouterr().err
