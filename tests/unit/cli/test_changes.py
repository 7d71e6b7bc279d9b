"""`asflown fly` with several vehicles and against baselines: what is refused before anything flies."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.cli.planning import Subject
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle
from tests.unit.cli.jobs_made_up import scenario_file

REFUSED = {
    "no baseline": (["--against-baseline"], "there is no approved baseline of hop on palm80@r1"),
    "none of the line": (["--against-baseline", "r7"], "there is no approved baseline of hop on palm80@r7"),
    "a vehicle twice": (["--vehicle", "palm80", "--vehicle", "palm80"], "--vehicle names one vehicle twice"),
    "an unknown vehicle": (["--vehicle", "palm80", "--vehicle", "nobody"], "nobody"),
}


@pytest.mark.parametrize(("arguments", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_compared_is_refused(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    says: str,
) -> None:
    """Exit code 2, and no flight's folder is there."""
    file = scenario_file(tmp_path / "hop")
    monkeypatch.chdir(tmp_path)
    assert main(["fly", str(file), *arguments]) == 2
    assert says in capsys.readouterr().err
    assert not list(tmp_path.glob(".asflown/flights/*hop*"))


@pytest.mark.parametrize(
    ("asked", "title"), [("palm80@r2", "palm80@r2"), ("palm80", "palm80"), (None, "palm80")]
)
def test_reports_name_the_release_that_was_asked_for(tmp_path: Path, asked: str | None, title: str) -> None:
    """So that two releases of one vehicle are told apart."""
    loaded = load_scenario(scenario_file(tmp_path))
    assert Subject(loaded, load_vehicle(asked or "palm80"), asked, (1,)).title == title
