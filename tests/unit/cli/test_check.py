"""`asflown check`: one line for each file that is sound, every problem of those that are not."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path

import pytest

from asflown.cli import check
from asflown.errors import UsageError
from tests.unit.scenario.files import SCENARIO, VEHICLE, spoilt, write_scenario


def run(*arguments: object) -> int:
    parser = argparse.ArgumentParser()
    check.add_parser(parser.add_subparsers())
    options = parser.parse_args(["check", *map(str, arguments)])
    return int(options.run(options))


def test_sound_files_are_ok(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Scenario and vehicle files below a folder, in order; exit code 0."""
    scenario = write_scenario(tmp_path)
    vehicle = tmp_path / "shed-quad.vehicle.yaml"
    vehicle.write_text(VEHICLE)
    (tmp_path / "shed-quad.params.csv").touch()
    assert run(tmp_path) == 0
    assert capsys.readouterr().out == f"{scenario}: ok\n{vehicle}: ok\n"


def test_all_problems_of_all_files_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each problem on a line with its place, sound files among them, and how many cannot be used; exit code 2."""
    one = write_scenario(tmp_path, spoilt(SCENARIO, "height: 8 m", "height: 8"), "1.scenario.yaml")
    two = write_scenario(tmp_path, SCENARIO, "2.scenario.yaml")
    three = write_scenario(tmp_path, spoilt(SCENARIO, "radio: ideal", "radio: idael"), "3.scenario.yaml")
    assert run(tmp_path) == 2
    first, second, third, last = capsys.readouterr().out.splitlines()
    assert first == f"{one}:38:17: `height: 8` has no unit. Write `8 m`"
    assert second == f"{two}: ok"
    assert third.startswith(f"{three}:16:10: there is no radio profile 'idael'. Did you mean ideal?")
    assert last == "2 of 3 files cannot be used"


def test_a_hopeless_file_is_told_in_full(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where other commands stop after ten problems, this one goes on."""
    file = write_scenario(tmp_path, SCENARIO + "".join(f"key{number}: 1\n" for number in range(14)))
    assert run(file) == 2
    assert len(capsys.readouterr().out.splitlines()) == 15


@pytest.mark.parametrize("kind", ["scenario", "vehicle"])
def test_schema_is_printed(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The output is JSON that names its dialect."""
    assert run("--schema", kind) == 0
    assert json.loads(capsys.readouterr().out)["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_asking_for_nothing_or_both_is_a_mistake(tmp_path: Path) -> None:
    """Without a path there is nothing to check, and --schema takes none."""
    with pytest.raises(UsageError, match="nothing to check"):
        run()
    with pytest.raises(UsageError, match="checks no files"):
        run(tmp_path, "--schema", "scenario")


def test_parser_imports_nothing_heavy() -> None:
    """Help must be quick: neither numpy nor pydantic is needed to build the parser."""
    code = (
        "import argparse, sys; from asflown.cli import check; "
        "check.add_parser(argparse.ArgumentParser().add_subparsers()); "
        "sys.exit(bool({'numpy', 'pydantic', 'lark', 'yaml'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
