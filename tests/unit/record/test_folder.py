"""Flight folders: names, reservation, and what is said of a folder that is not one."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import FolderProblem
from asflown.record import folder as folders
from asflown.record import truth
from tests.unit.record import flown


def test_folder_name_tells_time_scenario_vehicle_and_count(tmp_path: Path) -> None:
    """Equal names get different folders by a running number."""
    made = [folders.create(tmp_path / "flights", "20260301T101500", "nest-boxes", "palm80") for _ in range(3)]
    assert [folder.name for folder in made] == [
        f"20260301T101500-nest-boxes-palm80-{number}" for number in (1, 2, 3)
    ]
    assert all(folder.is_dir() for folder in made)


def test_folder_name_is_plain_whatever_the_vehicle_is_called(tmp_path: Path) -> None:
    """A vehicle given as a path cannot lead out of the folder of flights."""
    made = folders.create(tmp_path, "t", "s", "../my vehicles/quad.vehicle.yaml")
    assert made.parent == tmp_path
    assert made.name == "t-s-my-vehicles-quad-vehicle-yaml-1"


def test_unwritable_place_is_a_folder_problem(tmp_path: Path) -> None:
    """The message names the place, the reason and the remedy."""
    (tmp_path / "file").touch()
    with pytest.raises(FolderProblem) as caught:
        folders.create(tmp_path / "file" / "flights", "t", "s", "v")
    assert str(caught.value) == (
        f"{tmp_path / 'file' / 'flights'} cannot be written (Not a directory)."
        " Free the place, or name another folder for the flights"
    )


def test_manifest_that_is_not_there(tmp_path: Path) -> None:
    """A folder without a manifest is no flight's folder, and the message says what to name instead."""
    with pytest.raises(FolderProblem) as caught:
        folders.read_manifest(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path} is not a flight's folder (flight.json: No such file or directory)."
        " Name a folder below .asflown/flights, as `asflown fly` prints it"
    )


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"{", "flight.json: Invalid JSON: EOF while parsing an object at line 1 column 1"),
        (b"{}", "flight.json: flight_id: Field required"),
        (b"\xff", "flight.json is not UTF-8"),
    ],
    ids=["cut", "empty", "binary"],
)
def test_manifest_that_is_none(tmp_path: Path, content: bytes, fault: str) -> None:
    """A broken manifest is reported with its fault, not as a traceback."""
    (tmp_path / "flight.json").write_bytes(content)
    with pytest.raises(FolderProblem) as caught:
        folders.read_manifest(tmp_path)
    assert fault in caught.value.problem


def test_event_cut_short_is_left_out(tmp_path: Path) -> None:
    """A line without its end was being written when the run was killed."""
    (tmp_path / "events.jsonl").write_bytes(b'{"time_us":1,"kind":"a"}\n{"time_us":2,"ki')
    assert list(folders.read_events(tmp_path)) == [{"time_us": 1, "kind": "a"}]


def test_truth_that_is_not_there(tmp_path: Path) -> None:
    """A flight without truth says what can be graded instead."""
    with pytest.raises(FolderProblem) as caught:
        truth.read(tmp_path)
    assert "grade the estimate" in caught.value.remedy


def test_truth_that_is_something_else(tmp_path: Path) -> None:
    """Another file under that name is refused, not misread."""
    (tmp_path / "truth.npy").write_bytes(b"PK\x03\x04" + bytes(500))
    with pytest.raises(FolderProblem, match="is not a flight's truth"):
        truth.read(tmp_path)


@pytest.mark.parametrize(
    "left", [truth.HEADER_BYTES - 60, truth.HEADER_BYTES, truth.HEADER_BYTES + 2 * truth.ROW_BYTES]
)
def test_a_closed_truth_that_is_cut_short_says_so(tmp_path: Path, left: int) -> None:
    """Its header says how many rows there were: it is not read as a shorter flight, nor taken for another file."""
    whole = truth.header(3) + bytes(3 * truth.ROW_BYTES)
    (tmp_path / "truth.npy").write_bytes(whole[:left])
    there = max(0, left - truth.HEADER_BYTES) // truth.ROW_BYTES
    with pytest.raises(FolderProblem, match=rf"truth.npy is cut short: {there} of its rows are there"):
        truth.read(tmp_path)


def test_what_is_missing_of_captures_is_told_by_name_and_bytes(tmp_path: Path) -> None:
    """By what the manifest says of each file; one that has grown is whole, and so is one it does not mention."""
    flown.write_flight(tmp_path, flown.Flight(lambda _: (0.0, 0.0, 0.0), 2.0, (0.5, 1.5), (0.7, 1.2)))
    manifest = folders.read_manifest(tmp_path)
    assert folders.cut_short(tmp_path, manifest) == ()
    manifest.captures = {"events.jsonl": 0, "script.log": 7, "truth.npy": 1, "station.tlog": 5, "../x": 9}
    (tmp_path / "station.tlog").unlink()
    assert folders.cut_short(tmp_path, manifest) == (
        f"{tmp_path / 'station.tlog'} is missing",
        f"{tmp_path / 'script.log'} is cut short: 0 of 7 bytes are there",
    )


@pytest.mark.parametrize(
    "tail",
    [b"\0" * 40, b"\xff\n", b"[1]\n", b'{"kind": "x"}\n', b"{" * 100_000 + b"\n", b'{"time_us": 2'],
    ids=["zeros", "bytes", "list", "no time", "deep", "cut"],
)
def test_rubbish_behind_the_events_is_left_out(tmp_path: Path, tail: bytes) -> None:
    """What a power cut leaves at the end of the file is no event and no error."""
    (tmp_path / "events.jsonl").write_bytes(b'{"time_us":1,"kind":"armed"}\n' + tail)
    assert [event["kind"] for event in folders.read_events(tmp_path)] == ["armed"]
