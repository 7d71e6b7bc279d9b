"""Measures that an installed package registers, as the guide shows it."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.grade import measures
from asflown.scenario import measure_names
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import flown
from tests.unit.record.flown import write_flight
from tests.unit.source import ROOT

SCENARIO = """\
asflown: 1
name: up
script: {run: [python, "{link}"]}
expect: {measures: {highest: {at_most: 1.5 m}}}
"""


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The package of the guide, installed; what it registers is taken away again."""
    (code,) = re.findall(r"```python\n(.*?)```", (ROOT / "harness/docs/rules.md").read_text(), re.DOTALL)
    (tmp_path / "field_measures.py").write_text(code)
    metadata = tmp_path / "field_measures-1.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: field-measures\nVersion: 1\n")
    (metadata / "entry_points.txt").write_text("[asflown.measures]\nfield = field_measures:measures\n")
    (tmp_path / "up.scenario.yaml").write_text(SCENARIO)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.chdir(tmp_path)
    measure_names.load_registered.cache_clear()
    yield tmp_path
    measure_names.load_registered.cache_clear()
    measures.TABLE.pop("highest", None)
    measure_names.MEASURES.pop("highest", None)
    sys.modules.pop("field_measures", None)


def test_a_registered_measure_is_known_to_the_command(
    package: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`asflown grade` finds the package, and a vehicle that climbs to 2 m breaks its limit of 1.5 m."""
    track = flown(((0, 0, 2), 1.0, 1.0), ((0, 0, 0), 1.0, 1.0))
    write_flight(package / "flight", flight_of(track))
    assert main(["grade", "flight", "--scenario", "up.scenario.yaml"]) == 1
    assert "2.0 m was the highest" in " ".join(capsys.readouterr().out.split())


def test_a_package_that_fails_is_named(package: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The user is told which package to mend."""
    (package / "field_measures.py").write_text("def measures():\n    raise OSError('no disk')\n")
    assert main(["check", "up.scenario.yaml"]) == 2
    told = " ".join("".join(capsys.readouterr()).split())
    assert "the measures of `field_measures:measures` (entry point `field`) cannot be registered" in told
    assert "Mend that package, or take it out of this environment" in told


@pytest.mark.usefixtures("package")
def test_without_the_package_the_name_is_not_known(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt name is still an error with its place."""
    Path("up.scenario.yaml").write_text(SCENARIO.replace("highest", "heighest"))
    assert main(["check", "up.scenario.yaml"]) == 2
    assert "there is no measure `heighest`. Did you mean `highest`?" in " ".join(
        capsys.readouterr().out.split()
    )
