"""`asflown vehicle`: the list, and what is refused before anything is served."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.cli.main import main

FILE = """\
asflown: 1
name: mill-quad
kind: {kind}
{more}
"""


def vehicle_file(folder: Path, kind: str, more: str) -> Path:
    """A folder with one vehicle file in it."""
    place = folder / "vehicles"
    place.mkdir()
    (place / "mill-quad.vehicle.yaml").write_text(FILE.format(kind=kind, more=more), encoding="utf-8")
    return folder


def test_the_list_holds_built_in_vehicles_and_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line each, with kind, airframe and release."""
    folder = vehicle_file(tmp_path, "built-in", "airframe: field1400\nrelease: r1")
    assert main(["vehicle", "list", str(folder)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "palm80     built-in, release r1",
        "field1400  built-in, release r1",
        "mill-quad  built-in, airframe field1400, release r1",
    ]


def test_a_real_vehicle_is_listed_with_its_link(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """So that people see what they would connect to."""
    folder = vehicle_file(tmp_path, "airframe", "link: udp-listen://127.0.0.1:14550")
    main(["vehicle", "list", str(folder)])
    assert "mill-quad  airframe, udp-listen://127.0.0.1:14550" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--heading", "30", "has no unit"),
        ("--battery", "120 %", "`120 %` is out of range"),
        ("--wind", "-2 m/s", "out of range"),
        ("--wind", "2 m", "is a length, and a speed is needed"),
        ("--seed", "-1", "not a whole number"),
        ("--turbulence", "awful", "there is no choice `awful`. There are none, light, moderate, severe"),
    ],
    ids=["no unit", "too much charge", "wind below nought", "wrong unit", "seed", "turbulence"],
)
def test_wrong_options_are_usage_errors(
    option: str, value: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, and the message says what is wrong with the value."""
    with pytest.raises(SystemExit) as ended:
        main(["vehicle", "serve", "palm80", f"{option}={value}"])
    assert ended.value.code == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "exit_code", "says"),
    [
        (["palm8"], 2, "Did you mean `palm80`?"),
        (["palm80", "--listen", "udp:127.0.0.1:14550"], 2, "udp:127.0.0.1:14550"),
        (["palm80", "--release", "r99"], 3, "r99"),
    ],
    ids=["misspelt name", "misspelt link", "unknown release"],
)
def test_what_cannot_be_served_is_one_message(
    arguments: list[str], exit_code: int, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """With its exit code and without a traceback."""
    assert main(["vehicle", "serve", *arguments]) == exit_code
    errors = capsys.readouterr().err
    assert says in errors
    assert "Traceback" not in errors


def test_a_built_in_vehicle_shows_the_numbers_of_its_modes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Those that a script asks for: its own, or what the vehicle file puts in their place."""
    main(["vehicle", "show", "palm80"])
    assert "  set-points                     4302\n" in capsys.readouterr().out
    file = tmp_path / "other.vehicle.yaml"
    file.write_text(
        "asflown: 1\nname: other\nkind: built-in\nairframe: palm80\nidentity: {modes: {set-points: 41}}\n"
    )
    main(["vehicle", "show", str(file)])
    assert "  set-points                       41\n" in capsys.readouterr().out
