"""`asflown baseline`: from flights to a proposal to what is approved, and what is refused on the way."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.grade.result import VerdictWord
from tests.unit.change.stored import store_flight
from tests.unit.change.test_baseline import MISSES, SCENARIO, scenario_file

APPROVED = Path("hop/baseline/hop.palm80.r1.baseline.yaml")
PROPOSED = Path("hop/baseline/hop.palm80.r1.proposed.baseline.yaml")


@pytest.fixture(autouse=True)
def repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A git repository with a scenario and flights of it."""
    monkeypatch.chdir(tmp_path)
    for arguments in (
        ["init", "-q"],
        ["config", "user.name", "Reviewer"],
        ["config", "user.email", "r@example.org"],
    ):
        subprocess.run(["git", *arguments], check=True)
    scenario_file(Path("hop"))
    fly("first")


def fly(store: str, by: float = 0.0, verdict: VerdictWord = "pass") -> None:
    """Flights that miss by so much more."""
    for number, miss in enumerate(MISSES):
        values = {"cross_track_p95": miss + by * (1 + 0.02 * (number % 3 - 1)), "duration": 60.0}
        store_flight(
            Path(store), number, values=values, verdict=verdict, scenario_file=Path("hop/hop.scenario.yaml")
        )


def test_flights_become_a_proposal_and_then_the_baseline(capsys: pytest.CaptureFixture[str]) -> None:
    """Who approved it is who committed it."""
    assert main(["baseline", "propose", "first"]) == 0
    assert PROPOSED.is_file()
    assert main(["baseline", "approve", "hop"]) == 0
    assert APPROVED.is_file()
    assert not PROPOSED.exists()
    main(["baseline", "show", "hop"])
    assert "not committed yet" in capsys.readouterr().out
    subprocess.run(["git", "add", str(APPROVED)], check=True)
    subprocess.run(["git", "commit", "-q", "-m", "approve"], check=True)
    main(["baseline", "show", "hop"])
    assert "approved by: Reviewer, " in capsys.readouterr().out


def test_a_proposal_shows_what_it_changes(capsys: pytest.CaptureFixture[str]) -> None:
    """In deviations, and as a pull request shows it."""
    main(["baseline", "propose", "first"])
    main(["baseline", "approve", "hop"])
    fly("second", by=0.1)
    assert main(["baseline", "propose", "second"]) == 0
    assert "+3.8 deviations" in capsys.readouterr().out
    assert main(["baseline", "diff", "hop", "--text"]) == 0
    assert "-      seed 0: 0.300\n" in capsys.readouterr().out


def test_a_wider_tolerance_must_be_accepted_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    """It is refused until somebody says that it is meant."""
    main(["baseline", "propose", "first"])
    main(["baseline", "approve", "hop"])
    scenario_file(Path("hop"), SCENARIO.replace("at_most: 1 m", "at_most: 2 m"))
    main(["baseline", "propose", "first"])
    assert main(["baseline", "approve", "hop"]) == 2
    assert "If that is meant, say so: --wider cross_track_p95" in capsys.readouterr().err
    assert PROPOSED.is_file()
    assert main(["baseline", "approve", "hop", "--wider", "cross_track_p95"]) == 0


def test_failed_flights_are_not_proposed(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is written."""
    fly("failed", verdict="fail")
    assert main(["baseline", "propose", "failed"]) == 2
    assert not PROPOSED.exists()


def test_a_baseline_is_retired_by_its_file(capsys: pytest.CaptureFixture[str]) -> None:
    """Not by a folder, which may hold others."""
    main(["baseline", "propose", "first"])
    main(["baseline", "approve", "hop"])
    assert main(["baseline", "retire", "hop"]) == 2
    assert main(["baseline", "retire", str(APPROVED)]) == 0
    assert not APPROVED.exists()


@pytest.mark.parametrize("what", ["diff", "approve", "show"])
def test_where_there_is_nothing_that_is_said(what: str, capsys: pytest.CaptureFixture[str]) -> None:
    """With what to do about it."""
    assert main(["baseline", what, "hop"]) == 2
    assert "asflown baseline propose" in capsys.readouterr().err


def test_two_baselines_are_compared(capsys: pytest.CaptureFixture[str]) -> None:
    """Those of two release lines, for instance."""
    main(["baseline", "propose", "first"])
    main(["baseline", "approve", "hop"])
    copy = Path("other.baseline.yaml")
    copy.write_text(APPROVED.read_text().replace("mean: 0.307", "mean: 0.333"))
    capsys.readouterr()
    assert main(["baseline", "diff", str(APPROVED), "--with", str(copy)]) == 0
    assert "+1.0 deviations" in capsys.readouterr().out
    assert main(["baseline", "diff", "hop", "--with", str(copy)]) == 2


def test_recorded_flights_are_held_against_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 1 and the measure that changed; 0 for those it was made from; 2 where there is none of the line."""
    main(["baseline", "propose", "first"])
    main(["baseline", "approve", "hop"])
    fly("second", by=0.3)
    assert main(["baseline", "check", "first"]) == 0
    capsys.readouterr()
    assert main(["baseline", "check", "second", "--json", "found.json"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert (
        "CHANGED against the baseline of hop on palm80@r1: changed: cross_track_p95 0.31 m to 0.61 m" in out
    )
    assert json.loads(Path("found.json").read_text())["conclusion"] == "different"
    assert main(["baseline", "check", "second", "--line", "r2"]) == 2
