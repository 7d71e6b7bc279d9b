"""`asflown fly --retry-errors`: what could not be carried out is flown again, what failed never is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from asflown.cli.main import main
from asflown.report.document_model import report_schema
from tests.flights.flying import HELLO, SCENARIO

ONCE_MUTE = f"""
import pathlib, sys
mark = pathlib.Path("was-here")
if not mark.exists():
    mark.touch()
    sys.exit(0)  # without a word on its link: nothing was carried out
{HELLO}"""
FAILS = f"""
import pathlib
with pathlib.Path("flown.txt").open("a") as file:
    file.write("once\\n")
{HELLO}
sys.exit(7)
"""


def fly(folder: Path, script: str, monkeypatch: pytest.MonkeyPatch, *more: str) -> tuple[int, dict[str, Any]]:
    """Flies a scenario of that script; the exit code, and the verdict of the JSON report, which is valid."""
    monkeypatch.chdir(folder)
    (folder / "script.py").write_text(script)
    text = SCENARIO.format(name="hop", time_limit="20 s", script_more="", more="")
    (folder / "hop.scenario.yaml").write_text(text)
    code = main(["fly", "hop.scenario.yaml", "--keep", "kept", "--json", "report.json", *more])
    report = json.loads((folder / "report.json").read_text())
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)
    (verdict,) = report["verdicts"]
    return code, verdict


@pytest.mark.flight
def test_an_error_is_flown_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second attempt counts, both are on disk, and the report names the first with its reason and folder."""
    _, verdict = fly(tmp_path, ONCE_MUTE, monkeypatch, "--retry-errors", "2")
    assert verdict["verdict"] != "error"
    folders = sorted(str(path) for path in Path("kept").iterdir() if path.is_dir())
    assert len(folders) == 2
    (first,) = verdict["flown_again"]
    assert first.startswith("seed 1: the script never sent anything")
    assert first.endswith(f"({folders[0]})")
    assert verdict["statement"].endswith("flown again after an error: 1 flight")


@pytest.mark.flight
def test_without_being_asked_nothing_is_flown_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error stays an error: exit code 3."""
    code, verdict = fly(tmp_path, ONCE_MUTE, monkeypatch)
    assert (code, verdict["verdict"], verdict["flown_again"]) == (3, "error", [])


@pytest.mark.flight
def test_a_failure_is_never_flown_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A script that fails was flown once, however often errors may be repeated."""
    code, verdict = fly(tmp_path, FAILS, monkeypatch, "--retry-errors", "3")
    assert (code, verdict["verdict"], verdict["flown_again"]) == (1, "fail", [])
    assert Path("flown.txt").read_text() == "once\n"


def test_a_real_vehicle_is_not_flown_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Refused before anything else happens: a person looks first."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "script.py").touch()
    (tmp_path / "hop.scenario.yaml").write_text(
        SCENARIO.format(name="hop", time_limit="20 s", script_more="", more="")
    )
    (tmp_path / "quad.vehicle.yaml").write_text(
        "asflown: 1\nname: quad\nkind: airframe\nlink: serial:///dev/ttyUSB0?baud=57600\n"
    )
    assert main(["fly", "hop.scenario.yaml", "--vehicle", "quad.vehicle.yaml", "--retry-errors", "1"]) == 2
    assert "--retry-errors does not fly quad again: it is a real vehicle" in capsys.readouterr().err
