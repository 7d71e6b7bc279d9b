"""`asflown compare` and `asflown explain` as a user calls them: exit codes, files, and what is said of a mistake."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from asflown.cli.main import main
from tests.unit.change.flown import UP, flight, several, speed

NEAR, FAR = [0.20, 0.21, 0.19, 0.20, 0.22, 0.18], [0.50, 0.52, 0.49, 0.51, 0.50, 0.48]
CASES: dict[str, tuple[list[float], dict[str, Any], list[str], int]] = {
    "equivalent": (NEAR, {}, [], 0),
    "different": (FAR, {}, [], 1),
    "not decided": (NEAR, {}, ["--band", "cross_track_p95=1 cm"], 4),
    "not decided by its share": (NEAR, {}, ["--band-share", "0.01"], 4),
    "may stand in": (NEAR, {"clock": {"kind": "paced"}}, ["--stand-in"], 0),
    "may not stand in": (FAR, {"clock": {"kind": "paced"}}, ["--stand-in"], 1),
}
"""B's numbers, what else it is, more arguments, exit code."""
MISTAKES = {
    "one name": (["A"], "A and B are two names, and there is 1. Name A and B, or A1 A2 ... --with B1 B2 ..."),
    "no such measure": (
        ["A", "B", "--band", "cross_track=1m"],
        "--band cross_track=1m names no measure and its band. Did you mean `cross_track_rms=...`?",
    ),
    "no unit": (["A", "B", "--band", "duration=2"], "`2` has no unit"),
    "no band": (
        ["A", "B", "--band", "duration=0 s"],
        "--band duration=0 s is no band. Give a size above zero",
    ),
    "no such flight": (["A", "gone"], "there is no folder `gone`, and no flight of that name"),
}


@pytest.mark.parametrize(("values", "changes", "more", "code"), CASES.values(), ids=CASES.keys())
def test_the_exit_code_is_the_answer(
    values: list[float], changes: dict[str, Any], more: list[str], code: int, tmp_path: Path
) -> None:
    """And stands in the JSON report, too."""
    several(tmp_path / "a", NEAR)
    several(tmp_path / "b", values, first_seed=11, **changes)
    names = [str(tmp_path / "a"), str(tmp_path / "b"), "--json", str(tmp_path / "it.json")]
    assert main(["compare", *names, *more]) == code
    assert json.loads((tmp_path / "it.json").read_text(encoding="utf-8"))["exit_code"] == code


def test_several_names_make_a_side(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --with between the two."""
    names = [str(one.folder) for one in several(tmp_path, NEAR[:4])]
    main(["compare", *names[:2], "--with", *names[2:]])
    assert "2 flights of nest-boxes/palm80@r1, lockstep, seeds 3, 4" in " ".join(
        capsys.readouterr().out.split()
    )


@pytest.mark.parametrize(("arguments", "said"), MISTAKES.values(), ids=MISTAKES.keys())
def test_a_mistake_is_one_message(
    arguments: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """With what to do about it."""
    monkeypatch.chdir(tmp_path)
    flight(tmp_path / "A")
    flight(tmp_path / "B")
    assert main(["compare", *arguments]) == 2
    assert said in capsys.readouterr().err


def test_a_plan_is_made_from_flights_there_are(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is compared yet, so nothing is decided."""
    several(tmp_path / "a", NEAR)
    assert main(["compare", str(tmp_path / "a"), "--plan"]) == 0
    assert "from 6 flights of nest-boxes/palm80@r1, lockstep" in capsys.readouterr().out


def test_a_flight_is_explained(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the flights beside it, and the commands that show more."""
    flight(tmp_path / "earlier", started_utc="2026-01-01T10:00:00Z")
    up = [UP[0], (2.0, speed(3.0)), *UP[2:]]
    failed = flight(tmp_path / "failed", verdict="fail", up=up, clock={"digest": "other"})
    assert main(["explain", str(failed.folder)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("  FAIL  nest-boxes on palm80@r1, seed 1, lockstep\n")
    assert f"asflown compare {tmp_path / 'earlier'} {failed.folder}" in said
    assert max(len(line) for line in said.splitlines() if "asflown" not in line) <= 80


def test_what_is_no_flight_is_not_explained(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A usage error."""
    assert main(["explain", str(tmp_path)]) == 2
    assert "is not a flight's folder" in capsys.readouterr().err
