"""ci/try and ci/test tell what is missing before they begin."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.unit.source import ROOT

NO_VENV = """#!/bin/sh
case "$*" in *ensurepip*) exit 1;; esac
exec python3 "$@"
"""


@pytest.mark.parametrize("command", ["ci/try", "ci/test"])
@pytest.mark.parametrize(
    ("python", "said"),
    [
        (
            "no-such-python",
            "asflown needs Python 3.11 or newer, and none was found (looked for: no-such-python).",
        ),
        ("python-without-venv", "has no module venv to make an environment with."),
    ],
)
def test_a_missing_python_is_told_from_any_folder(
    command: str, python: str, said: str, tmp_path: Path
) -> None:
    """Without a usable Python there is one clear message with what to install, and exit code 3."""
    stand_in = tmp_path / "python-without-venv"
    stand_in.write_text(NO_VENV)
    stand_in.chmod(0o755)
    environment = {
        "PATH": f"{tmp_path}:{os.environ['PATH']}",
        "ASFLOWN_VENV": str(tmp_path / "venv"),
        "ASFLOWN_BASE_PYTHON": python,
    }
    done = subprocess.run(
        [ROOT / command],
        cwd=tmp_path,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (3, "")
    assert said in done.stderr
    assert "apt-get install" in done.stderr
    assert not (tmp_path / "venv").exists()
