"""Names that lead elsewhere: pipes, devices, loops of links, names that no file can have, folders from strangers."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.errors import FolderProblem, UsageError
from asflown.grade.grade import read_grade, write_grade
from asflown.record.folder import read_events, read_manifest
from asflown.report.visible import tail
from asflown.scenario.file import load_scenario
from tests.hostile.readers import READERS
from tests.unit.scenario.files import SCENARIO, write_scenario

PLACES: dict[str, Callable[[Path], None]] = {
    "a pipe": os.mkfifo,
    "a device without end": lambda path: path.symlink_to("/dev/zero"),
    "a terminal": lambda path: path.symlink_to("/dev/tty"),
    "a folder": lambda path: path.mkdir(),
    "a link to itself": lambda path: path.symlink_to(path.name),
    "a link to nothing": lambda path: path.symlink_to("nowhere"),
    "nothing": lambda path: None,
}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("name", [name for name in READERS if name not in {"formula", "given", "results"}])
def test_what_is_no_plain_file_is_refused(name: str, place: str, tmp_path: Path) -> None:
    """Nobody waits for a pipe, reads a device to its end, or stumbles over a link: an error says what it is."""
    reader = READERS[name]
    if name in {"history", "search"} and place in {"nothing", "a link to nothing", "a link to itself"}:
        return  # what is not there is begun
    reader.beside(tmp_path)
    path = tmp_path / reader.file
    path.parent.mkdir(exist_ok=True)
    if path.exists():
        path.unlink()
    PLACES[place](path)
    if name == "grade" and place == "nothing":
        with pytest.raises(FolderProblem):
            read_grade(path.parent)
        return
    with pytest.raises(UsageError) as refused:
        reader.read(path)
    assert refused.value.remedy


@pytest.mark.parametrize(
    "word", ["a" * 300, "a/" * 3000, "x\\0y", "../" * 60 + "etc/passwd", "/dev/zero", "~"], ids=range(6)
)
@pytest.mark.parametrize(
    "line",
    ["extends: {}", "vehicle: {}.yaml", "script: {{run: [python, {}.py, '{{link}}']}}"],
    ids=["extends", "vehicle", "script"],
)
def test_names_inside_a_scenario_that_lead_nowhere_are_refused(word: str, line: str, tmp_path: Path) -> None:
    """A name that no file can have, or that leads out, is refused at its place in the file."""
    key = line.partition(":")[0]
    quoted = line.format(f'"{word}"') if key == "extends" else line.format(word.replace("\\0", "0"))
    text = "\n".join(part for part in SCENARIO.splitlines() if not part.startswith(key))
    with pytest.raises(UsageError):
        load_scenario(write_scenario(tmp_path, f"{text}\n{quoted}\n"))


def test_the_command_takes_no_fright_at_a_long_name(capsys: pytest.CaptureFixture[str]) -> None:
    """A name longer than the system takes is a usage error of one line."""
    assert main(["check", "x" * 5000]) == 2
    assert "there is no file or folder" in capsys.readouterr().err


def test_a_flight_from_elsewhere_shows_nothing_of_its_readers(tmp_path: Path) -> None:
    """Links in a flight's folder that point out are not followed: a report would show what its reader alone may see."""
    secret, flight = tmp_path / "secret", tmp_path / "flight"
    secret.write_text("swordfish\n")
    flight.mkdir()
    for name in ("script.log", "events.jsonl", "grade.json", "flight.json"):
        (flight / name).symlink_to(secret)
    assert tail(flight / "script.log", 1000) == ""
    for read in (read_manifest, read_grade, lambda folder: list(read_events(folder))):
        with pytest.raises(FolderProblem) as refused:
            read(flight)
        assert "a link that leads elsewhere" in str(refused.value)
        assert "swordfish" not in str(refused.value)


def test_grading_a_flight_from_elsewhere_overwrites_nothing_outside(tmp_path: Path) -> None:
    """Neither the grade nor the file it is first written to follows a link that lies in wait."""
    victim, flight = tmp_path / "victim", tmp_path / "flight"
    victim.write_text("mine\n")
    READERS["history"].beside(tmp_path)
    shutil.move(tmp_path / "one", flight)
    grade = read_grade(flight)
    (flight / "grade.json").unlink()
    for name in ("grade.json", f".grade.json.{os.getpid()}.part"):
        (flight / name).symlink_to(victim)
    write_grade(flight, grade)
    assert victim.read_text() == "mine\n"
    assert read_grade(flight) == grade
