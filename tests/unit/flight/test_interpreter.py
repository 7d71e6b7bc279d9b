"""Which program runs a script, and whether it can be held."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from asflown.errors import ScriptProblem
from asflown.flight import interpreter


def make_program(folder: Path, name: str, first_line: str) -> Path:
    """An executable file that begins with `first_line`."""
    program = folder / name
    program.write_text(f"{first_line}\n", encoding="utf-8")
    program.chmod(0o755)
    return program


def test_python_means_the_users_python(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ASFLOWN_PYTHON comes first, then the active environment, then asflown's own interpreter."""
    (tmp_path / "bin").mkdir()
    active = make_program(tmp_path / "bin", "python", "#!/bin/sh")
    monkeypatch.setenv("ASFLOWN_PYTHON", "/chosen/python")
    monkeypatch.setenv("VIRTUAL_ENV", str(tmp_path))
    assert interpreter.users_python() == "/chosen/python"
    monkeypatch.delenv("ASFLOWN_PYTHON")
    assert interpreter.users_python() == str(active)
    monkeypatch.delenv("VIRTUAL_ENV")
    assert interpreter.users_python() == sys.executable


def test_a_plain_python_can_be_held(tmp_path: Path) -> None:
    """The interpreter that runs this test loads the held clock, with ordinary options, too."""
    assert interpreter.resolve((sys.executable, "-u", "-X", "utf8", "x.py"), tmp_path).why_not_held == ""


@pytest.mark.parametrize("option", ["-I", "-E", "-S"])
def test_an_isolated_python_is_found_out_before_the_flight(tmp_path: Path, option: str) -> None:
    """Options that keep the held clock out are noticed by asking the interpreter, and named."""
    command = interpreter.resolve((sys.executable, option, "x.py"), tmp_path)
    assert command.why_not_held == (
        f"{sys.executable} {option} does not load modules named by PYTHONPATH at its start"
    )


def test_a_program_that_is_not_python_cannot_be_held(tmp_path: Path) -> None:
    """A compiled program or a shell script is named as what it is."""
    make_program(tmp_path, "fly.sh", "#!/bin/sh")
    assert interpreter.resolve(("./fly.sh",), tmp_path).why_not_held == (
        "./fly.sh is not run by a Python interpreter"
    )


def test_a_script_that_names_its_python_can_be_held(tmp_path: Path) -> None:
    """An executable script is asked through the interpreter in its first line."""
    make_program(tmp_path, "fly", f"#!{sys.executable}")
    command = interpreter.resolve(("./fly", "--link", "x"), tmp_path)
    assert (command.argv, command.why_not_held) == ((str(tmp_path / "fly"), "--link", "x"), "")


def test_a_missing_program_is_named(tmp_path: Path) -> None:
    """A program that is nowhere is an error that says where it was looked for."""
    with pytest.raises(ScriptProblem) as caught:
        interpreter.resolve(("no-such-program-here",), tmp_path)
    assert str(caught.value) == (
        f"the script's program 'no-such-program-here' is neither in {tmp_path} nor on the PATH. "
        "Install it, or write the program's full path into `script: run:`"
    )
