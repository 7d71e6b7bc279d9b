"""`asflown fly` refuses what can be refused before anything flies."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.errors import ExitCode
from tests.unit.cli.jobs_made_up import SCENARIO, scenario_file


@pytest.fixture
def scenario(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A valid scenario; the command runs in its folder."""
    monkeypatch.chdir(tmp_path)
    return scenario_file(tmp_path)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    """The message of a command that must refuse; nothing may have been flown."""
    code = main(["fly", *map(str, arguments)])
    said = capsys.readouterr()
    assert (code, said.out) == (ExitCode.USAGE, "")
    assert list(Path().rglob("flight.json")) == []
    return said.err


@pytest.mark.parametrize("option", ["--junit", "--json"])
def test_a_report_that_cannot_be_written_is_refused(
    scenario: Path, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A report's place is proved before the first flight, not after the last."""
    Path("file").write_text("")
    assert refused(capsys, scenario, option, "file/report") == (
        "asflown: file/report cannot be written (Not a directory). Name a place that can be written\n"
    )


def test_flights_that_cannot_be_kept_are_refused(scenario: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The place for flight folders is proved, too."""
    Path("file").write_text("")
    assert "cannot be written" in refused(capsys, scenario, "--keep", "file")


def test_two_reports_need_two_files(scenario: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One report must not overwrite the other."""
    said = refused(capsys, scenario, "--junit", "a", "--json", "./a")
    assert said == "asflown: --junit and --json both name a. Give each a file of its own\n"


def test_a_scenario_without_a_vehicle_needs_one_named(
    scenario: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message names the scenario and what can be flown."""
    scenario.write_text(SCENARIO.replace("vehicle: palm80\n", ""))
    said = refused(capsys, scenario)
    assert said == (
        f"asflown: {scenario} names no vehicle. Say which one flies it: --vehicle palm80 or field1400, or a file\n"
    )


def test_an_unknown_vehicle_is_refused(scenario: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A vehicle's name is looked up before flying, and the nearest one is offered."""
    said = refused(capsys, scenario, "--vehicle", "plam80")
    assert said == "asflown: there is no vehicle `plam80`. Did you mean `palm80`?\n"


def test_a_path_that_is_not_there_is_refused(scenario: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt path is told with what is near it."""
    assert "Did you mean hop.scenario.yaml?" in refused(capsys, "hpo.scenario.yaml")


def test_mistakes_of_all_files_are_told_at_once(
    scenario: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each mistake of each scenario has its file, line and column; nobody has to mend them one run at a time."""
    other = scenario_file(tmp_path / "other", "other")
    scenario.write_text(SCENARIO.replace("30 s", "30"))
    other.write_text(SCENARIO.replace("palm80", "palm80\nsumary: x"))
    said = refused(capsys, scenario, other)
    assert f"{scenario}:5:41: " in said
    assert f"{other}:4:1: " in said
