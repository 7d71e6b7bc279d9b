"""Vehicle files: built-in names, files by name or path, and what does not belong together."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import FileProblem, UsageError
from asflown.scenario.vehicle_file import known_vehicles, load_vehicle, read_vehicle
from tests.unit.scenario.files import VEHICLE, spoilt


def write(folder: Path, text: str = VEHICLE) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "shed-quad.params.csv").touch()
    file = folder / "shed-quad.vehicle.yaml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("name", "airframe", "release"),
    [("palm80", "palm80", "r1"), ("field1400", "field1400", "r1"), ("palm80@r2", "palm80", "r2")],
)
def test_built_in_vehicles_need_no_file(name: str, airframe: str, release: str) -> None:
    """By name alone, or with a release behind @."""
    vehicle = load_vehicle(name)
    assert (vehicle.kind, vehicle.airframe, vehicle.release) == ("built-in", airframe, release)


def test_file_is_read_into_si(tmp_path: Path) -> None:
    """Numbers, pairs and times of a firmware; the parameter file is found beside the vehicle file."""
    vehicle = read_vehicle(write(tmp_path))
    identity = vehicle.identity
    assert identity.modes == {"set-points": 41, "position-hold": (3, 1), "land": 44}
    assert (identity.pilot_modes, identity.set_point_stream.time_out_s) == ((50, 51), 0.5)
    assert vehicle.parameters.expect == str(tmp_path.resolve() / "shed-quad.params.csv")


@pytest.mark.parametrize("place", ["scenario", "scenario/vehicles", "vehicles"])
def test_file_is_found_by_its_name(tmp_path: Path, place: str) -> None:
    """Beside the scenario, in its folder `vehicles`, or in the `vehicles` beside that folder."""
    (tmp_path / "scenario").mkdir()
    write(tmp_path / place)
    assert load_vehicle("shed-quad", tmp_path / "scenario").name == "shed-quad"
    assert known_vehicles(tmp_path / "scenario") == ["palm80", "field1400", "shed-quad"]


def test_file_is_found_by_its_path(tmp_path: Path) -> None:
    """A path is relative to the folder that is searched, or absolute."""
    file = write(tmp_path / "lower")
    assert load_vehicle("lower/shed-quad.vehicle.yaml", tmp_path).name == "shed-quad"
    assert load_vehicle(str(file)).name == "shed-quad"


UNKNOWN = {
    "palm8": "there is no vehicle `palm8`. Did you mean `palm80`?",
    "shed-qad": "there is no vehicle `shed-qad`. Did you mean `shed-quad`?",
    "zz": "there is no vehicle `zz`. Vehicles found are palm80, field1400, shed-quad",
    "palm80@": "`palm80@` names no release. Write `palm80`, or `palm80@r1`",
}


@pytest.mark.parametrize(("name", "message"), UNKNOWN.items(), ids=UNKNOWN.keys())
def test_unknown_vehicle_names_the_nearest(tmp_path: Path, name: str, message: str) -> None:
    """The whole message; files in reach are among the names."""
    write(tmp_path)
    with pytest.raises(UsageError) as refused:
        load_vehicle(name, tmp_path)
    assert str(refused.value) == message


WRONG = {
    "link spelled otherwise": (
        "serial:///dev/ttyUSB0?baud=57600",
        "/dev/ttyUSB0",
        (
            "4:7: link '/dev/ttyUSB0' is of no known kind. "
            "The kinds are udp://, udp-listen://, tcp://, tcp-listen://, serial://, pty://"
        ),
    ),
    "no link": ("link: serial:///dev/ttyUSB0?baud=57600\n", "", "1:1: the key `link` is missing. "),
    "bench without physics": ("kind: airframe", "kind: bench", "1:1: the key `physics` is missing. "),
    "physics in the air": (
        "system: 1",
        "physics: simulated",
        "5:1: `physics` does not belong to a vehicle of kind `airframe`. It belongs to bench: take it out",
    ),
    "built-in with a link": (
        "kind: airframe",
        "kind: built-in\nairframe: palm80",
        (
            "5:1: `link` does not belong to a vehicle of kind `built-in`. "
            "It belongs to bench and airframe: take it out"
        ),
    ),
    "misspelt mode": ("land: 44", "lnd: 44", "8:50: unknown key `lnd`. Did you mean `land`?"),
    "mode of three numbers": (
        "[3, 1]",
        "[3, 1, 4]",
        "8:42: `position-hold: [3, 1, 4]` has too many entries. Give 2",
    ),
    "mode in words": (
        "land: 44",
        "land: down",
        "8:56: `land: down` must be a whole number. Write it in digits, without quotes and unit",
    ),
    "autopilot out of range": (
        "autopilot: 200",
        "autopilot: 256",
        "7:14: `autopilot: 256` is out of range. It must be at most 255",
    ),
    "missing parameter file": (
        "shed-quad.params.csv",
        "shed.params.csv",
        "11:22: there is no file `shed.params.csv`. Did you mean `shed-quad.params.csv`?",
    ),
    "time without unit": ("500 ms", "500", "10:51: `time_out: 500` has no unit. Write `500 s`"),
}


@pytest.mark.parametrize(("old", "new", "message"), WRONG.values(), ids=WRONG.keys())
def test_mistake_is_told_with_its_place(tmp_path: Path, old: str, new: str, message: str) -> None:
    """The message of one mistake, from its place on."""
    file = write(tmp_path, spoilt(VEHICLE, old, new))
    with pytest.raises(FileProblem) as refused:
        read_vehicle(file)
    assert str(refused.value).startswith(f"{file}:{message}")
