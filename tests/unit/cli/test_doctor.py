"""`asflown doctor`: a line for each thing it looked at, what to do beneath, and an exit code."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest

from asflown.cli import doctor
from asflown.flight.installed import Finding
from asflown.flight.machine import LEAST_FREE_BYTES

WRONG = Finding("loopback", "wrong", "127.0.0.1 carries nothing", "Bring the interface up")
NOTE = Finding("container engine", "note", "there is no engine", "Only for containers. " + "Install it " * 9)
OK = Finding("python", "ok", "3.11.7 on linux")


def run(*arguments: str) -> int:
    parser = argparse.ArgumentParser()
    doctor.add_parser(parser.add_subparsers())
    options = parser.parse_args(["doctor", *arguments])
    return int(options.run(options))


def test_this_machine_can_fly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the tests run flights can be flown, and the real checks say so in at most 80 columns."""
    monkeypatch.chdir(tmp_path)
    assert run() == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("ok     python ")
    assert lines[-1].startswith("flights can be flown here")
    assert max(map(len, lines)) <= 80
    assert list(tmp_path.iterdir()) == []
    assert LEAST_FREE_BYTES > 0


@pytest.mark.parametrize(
    ("found", "code"), [((OK,), 0), ((OK, NOTE), 0), ((NOTE, WRONG), 1)], ids=["ok", "note", "wrong"]
)
def test_only_what_every_flight_needs_fails(
    found: tuple[Finding, ...],
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A note leaves the exit code 0, something wrong makes it 1; the JSON says the same."""
    monkeypatch.setattr(doctor, "_look", lambda: found)
    assert run("--json") == code
    said = json.loads(capsys.readouterr().out)
    assert said["passed"] is (code == 0)
    assert [one["name"] for one in said["findings"]] == [one.name for one in found]


def test_what_to_do_stands_beneath() -> None:
    """The whole text: state, name, finding; the remedy indented under it; the sum at the end."""
    assert doctor.table((OK, WRONG)) == [
        "ok     python            3.11.7 on linux",
        "wrong  loopback          127.0.0.1 carries nothing",
        "                      -> Bring the interface up",
        "",
        "1 wrong: flights cannot be flown here",
    ]


def test_long_remedies_are_wrapped() -> None:
    """No line is longer than 80 columns, and no word is lost."""
    lines = doctor.table((NOTE,))
    assert max(map(len, lines)) <= 80
    assert " ".join(lines).count("Install it") == 9
