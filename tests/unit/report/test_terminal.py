"""What the terminal shows when the flights are over."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from asflown.grade.statistics import ToleranceLimits
from asflown.grade.tolerances import MeasureTolerance
from asflown.record.manifest import VehicleRecord
from asflown.report import terminal
from asflown.report.flown import ScenarioOutcome
from tests.unit.report.builders import FAILED, KEPT, UNDECIDED, VIOLATED, flown, grade, outcome

REPEAT = "asflown fly scenarios/nest_boxes/nest-boxes.scenario.yaml --vehicle palm80 --flights 1 --seed 7"
PACED = {"kind": "paced", "deterministic": False, "reason": "python -I leaves out the shim"}


def shown(*outcomes: ScenarioOutcome) -> list[str]:
    """The lines printed, as into a file."""
    out = io.StringIO()
    terminal.show(outcomes, terminal.console(out))
    return [line.rstrip() for line in out.getvalue().splitlines()]


def test_a_pass_shows_every_number_with_its_margin() -> None:
    """Verdict, how it flew, the table, the sum: nothing to look up elsewhere."""
    assert shown(outcome(flown(), statement="")) == [
        "",
        "PASS   nest-boxes on palm80",
        "  seed 7: 52.4 s of flight in 0.8 s (65x), lockstep, digest 3f9a3f9a3f9a",
        "  measure or rule            value  allowed                  margin",
        "  cross_track_p95           0.31 m  at most 0.8 m             +0.61",
        "  ceiling          1.35 m to spare  always (height < 4.5 m)   +0.30",
        "",
        "1 scenario, 1 flight: 1 pass",
    ]


def test_a_failure_comes_first_in_plain_words_and_last_as_a_command() -> None:
    """What went wrong stands above the numbers; the last line flies it again."""
    lines = shown(outcome(flown(FAILED), verdict="fail"))
    assert lines[1] == "FAIL   nest-boxes on palm80: 1 flown"
    assert lines[2].startswith("  - leg 4 (line to 8, 6, 3 m) is 1.4 m too far right, from 22.1 s")
    assert lines[-2:] == ["once more what did not pass:", f"  {REPEAT}"]


def test_a_flight_that_did_not_pass_points_to_its_story(tmp_path: Path) -> None:
    """The first of each scenario whose folder is there, above the command that flies it again."""
    failed = [replace(flown(FAILED, seed=seed), folder=tmp_path) for seed in (7, 8)]
    lines = shown(outcome(flown(seed=6), *failed, verdict="fail"))
    assert lines[-5:-2] == [
        "what happened, step by step:",
        f"  asflown explain {tmp_path}",
        "once more what did not pass:",
    ]


def test_of_several_flights_the_worst_number_is_shown_with_its_seed() -> None:
    """A table of three flights is as long as a table of one."""
    undecided = grade(replace(UNDECIDED, name="cross_track_p95"), verdict="inconclusive")
    one = outcome(flown(seed=7), flown(FAILED, seed=8), flown(undecided, seed=9), verdict="fail")
    row = next(line for line in shown(one) if "cross_track_p95  " in line)
    assert row.split() == ["cross_track_p95", "2.20", "m", "at", "most", "0.8", "m", "-1.75", "8"]


def test_a_paced_flight_says_why_it_is_not_deterministic() -> None:
    """The reason names the call that kept the flight out of lockstep."""
    lines = shown(outcome(flown(clock=PACED)))
    assert "not deterministic: python -I leaves out the shim" in " ".join(" ".join(lines).split())


@pytest.mark.parametrize(("kind", "warned"), [("built-in", False), ("bench", True), ("airframe", True)])
def test_real_vehicles_come_with_the_cautions(kind: str, warned: bool) -> None:
    """The cautions are printed whenever something real was flown."""
    text = " ".join(shown(outcome(flown(vehicle=VehicleRecord(name="quad", kind=kind)))))
    assert ("Rotors and batteries hurt people." in text) is warned


def test_tolerance_limits_are_told_and_their_absence_once() -> None:
    """What a share of all flights keeps stands below the table; a reason shared by measures is said once."""
    few = "2 flights are too few for a limit, which takes 22"
    keeps = ToleranceLimits(None, 0.4, 0.9, 0.9, "distribution-free", 24)
    told = "0.9 of all flights stay below 0.40 m"
    tolerances = (
        MeasureTolerance("cross_track_p95", "m", "estimate", "r2", keeps, told),
        MeasureTolerance("vertical_p95", "m", "estimate", "", None, few),
        MeasureTolerance("duration", "s", "estimate", "", None, few),
    )
    text = " ".join(" ".join(shown(outcome(flown(), tolerances=tolerances))).split())
    assert f"cross_track_p95 (r2): {told}" in text
    assert f"vertical_p95 and duration: {few}" in text


def test_what_left_no_folder_is_named() -> None:
    """A flight that could not even begin is in the list of troubles."""
    one = outcome(verdict="error", not_flown=(1,), failures=("port 14560 is taken",))
    assert "  - port 14560 is taken" in shown(one)


@given(
    name=st.text(st.characters(codec="ascii", categories=["L", "N"]), min_size=1, max_size=120),
    says=st.text(max_size=300),
)
def test_all_but_the_commands_fits_80_columns(name: str, says: str) -> None:
    """Whatever a scenario calls things, lines end within 80 columns; commands stay in one piece to be copied."""
    failed = grade(replace(VIOLATED, name=name, says=says), KEPT, verdict="fail")
    lines = shown(outcome(flown(failed), verdict="fail", name=name[:60]))
    assert max(cell_len(line) for line in lines if "asflown fly" not in line) <= terminal.WIDTH


def test_nothing_but_words_goes_into_a_file() -> None:
    """No colour codes where there is no terminal."""
    assert "\x1b" not in "".join(shown(outcome(flown(FAILED), verdict="fail")))


def test_colour_is_left_out_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """NO_COLOR is obeyed on a terminal, too."""
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("FORCE_COLOR", "1")
    out = io.StringIO()
    terminal.show([outcome(flown(FAILED), verdict="fail")], terminal.console(out))
    assert "\x1b[31m" not in out.getvalue()
    assert "\x1b[1;31m" not in out.getvalue()


def test_text_of_a_script_cannot_steer_the_terminal() -> None:
    """Control characters in a problem are spelled out, and markup is text."""
    one = outcome(flown(None, outcome="error", problem="\x1b[2Jgone [red]x[/red]"), verdict="error")
    assert "  - #x1B[2Jgone [red]x[/red]" in shown(one)
