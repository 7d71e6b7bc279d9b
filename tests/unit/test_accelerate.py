"""The program that builds the compiled vehicle: what it changes in sources, and what it says where it cannot build."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.flights.test_accelerated import program
from tests.unit.source import ROOT

accelerate = program()


def run(folder: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    """The program with another environment."""
    argv = [sys.executable, str(ROOT / "ci" / "accelerate.py"), str(folder)]
    environment = {**os.environ, "ASFLOWN_REQUIRE_ALL": "0", **variables}
    return subprocess.run(argv, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("line", "declared"),
    [
        ("STEP_S = 0.0025", "STEP_S: Final = 0.0025"),
        ("_A, _B = 1, 2.5", "_A: Final = 1\n_B: Final = 2.5"),
        ("SHARE = 5.0 / 9.0", "SHARE: Final = 5.0 / 9.0"),
        ("SCALED = STEP_S * 2", "SCALED = STEP_S * 2"),
        ("FIELD = (0.1, 0.2)", "FIELD = (0.1, 0.2)"),
        ('NAMES = ("x", "y")', 'NAMES = ("x", "y")'),
        ("Vector = 3", "Vector = 3"),
    ],
)
def test_names_of_plain_numbers_become_constants(line: str, declared: str) -> None:
    """Numbers and sums of numbers are declared; what is computed from names, tuples and types stay as they are."""
    head = "from __future__ import annotations\n"
    assert accelerate.with_constants(f"{head}\n{line}\n") == (
        f"{head}\nfrom typing import Final\n\n{declared}\n"
    )


def test_every_module_that_is_compiled_is_there() -> None:
    """The list names modules of the package."""
    assert [name for name in accelerate.MODULES if not (accelerate.PACKAGE / f"{name}.py").exists()] == []


@pytest.mark.parametrize(("required", "code"), [("0", 0), ("1", 1)], ids=["optional", "required"])
def test_a_missing_compiler_is_said(tmp_path: Path, required: str, code: int) -> None:
    """Without a compiler nothing is built, which is an error only where everything is required."""
    done = run(tmp_path / "build", CC="no-such-compiler", ASFLOWN_REQUIRE_ALL=required)
    assert (done.returncode, done.stderr) == (
        code,
        "no accelerated build: there is no C compiler (no-such-compiler)\n",
    )
    assert not (tmp_path / "build").exists()


def test_a_folder_with_something_else_is_left_alone(tmp_path: Path) -> None:
    """The program writes over nothing but its own builds."""
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    done = run(tmp_path)
    assert done.returncode == 2
    assert "holds something else" in done.stderr
    assert [entry.name for entry in tmp_path.iterdir()] == ["mine.txt"]
