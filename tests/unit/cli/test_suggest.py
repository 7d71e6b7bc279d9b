"""`asflown grade --suggest` from the command line, on folders of flights."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.record import manifest
from asflown.record.folder import read_manifest
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import flown
from tests.unit.record.flown import write_flight

SCENARIO = """\
asflown: 1
name: round
script: {run: [python, "{link}"]}
expect:
  measures:
    duration: {at_most: 99 s}   # a guess
"""


@pytest.fixture
def field(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A scenario file and three short flights of it, each with a seed of its own."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "round.scenario.yaml").write_text(SCENARIO)
    for number in range(3):
        track = flown(((0, 0, 2), 1.0, 1.0 + number), ((0, 0, 0), 1.0, 1.0))
        folder = write_flight(tmp_path / f"flight-{number}", flight_of(track))
        manifest.write(read_manifest(folder).model_copy(update={"seed": number}), folder)
    return tmp_path


def suggested(*more: str) -> int:
    """Runs the command on the three flights."""
    places = [f"flight-{number}" for number in range(3)]
    return main(["grade", *places, "--scenario", "round.scenario.yaml", "--suggest", *more])


def test_a_diff_is_printed_and_nothing_is_written(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Half of all flights, with confidence 80 %: three flights are enough; the comment stays."""
    assert suggested("--coverage", "0.5", "--confidence", "0.8") == 0
    out = capsys.readouterr().out
    assert "# duration: " in out
    assert "as 0.5 of all flights stay below" in out
    assert "-    duration: {at_most: 99 s}   # a guess\n+    duration: {at_most: " in out
    assert (field / "round.scenario.yaml").read_text() == SCENARIO


def test_the_file_is_written_where_that_is_asked_for(field: Path) -> None:
    """`--write` changes the one value; asking again changes nothing."""
    assert suggested("--coverage", "0.5", "--confidence", "0.8", "--write") == 0
    once = (field / "round.scenario.yaml").read_text()
    assert once != SCENARIO
    assert once.splitlines()[-1].endswith(" s}   # a guess")
    assert suggested("--coverage", "0.5", "--confidence", "0.8", "--write") == 0
    assert (field / "round.scenario.yaml").read_text() == once


REFUSED = {
    "too few": ((), "Fly 19 more with other seeds (22 in all)"),
    "coverage": (("--coverage", "2"), "--coverage 2 is out of range"),
    "report": (("--json", "x.json"), "--suggest writes no report"),
}


@pytest.mark.usefixtures("field")
@pytest.mark.parametrize(("more", "words"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_refused(more: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A usage error, in words."""
    assert suggested(*more) == 2
    assert words in capsys.readouterr().err


@pytest.mark.usefixtures("field")
def test_write_belongs_to_suggest(capsys: pytest.CaptureFixture[str]) -> None:
    """`--write` alone would be misunderstood."""
    assert main(["grade", "flight-0", "--scenario", "round.scenario.yaml", "--write"]) == 2
    assert "--write belongs to --suggest" in capsys.readouterr().err
