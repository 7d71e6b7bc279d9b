"""`asflown completion`: scripts that shells can read and that complete what the command has."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from asflown.cli.main import COMMANDS, main

ASK = """\
source {script}
COMP_WORDS=({words})
COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1))
_shtab_asflown
printf '%s\\n' "${{COMPREPLY[@]}}"
"""


def completed(folder: Path, words: str, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What bash offers for the last of these words."""
    assert main(["completion", "bash"]) == 0
    script = folder / "asflown.bash"
    script.write_text(capsys.readouterr().out)
    asked = ASK.format(script=script, words=words)
    done = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True, cwd=folder)
    return sorted(done.stdout.split())


def test_bash_completes_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command is offered where nothing is typed, and the one that is meant where something is."""
    names = {module.__name__.rpartition(".")[2] for module in COMMANDS}
    assert names <= set(completed(tmp_path, "asflown ''", capsys))
    assert completed(tmp_path, "asflown doct", capsys) == ["doctor"]


def test_bash_completes_options_and_choices(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Options of the subcommand, and the values that an option may have."""
    assert completed(tmp_path, "asflown fly --retry", capsys) == ["--retry-errors"]
    assert completed(tmp_path, "asflown fly --clock l", capsys) == ["lockstep"]


def test_bash_completes_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where a path is wanted, files are offered."""
    (tmp_path / "nest.scenario.yaml").touch()
    assert completed(tmp_path, "asflown check nes", capsys) == ["nest.scenario.yaml"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_every_shell_gets_a_script(shell: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """It names the command; where the shell is installed, it reads the script without complaint."""
    assert main(["completion", shell]) == 0
    text = capsys.readouterr().out
    assert "asflown" in text
    if (program := shutil.which(shell)) and shell != "tcsh":
        (tmp_path / "script").write_text(text)
        subprocess.run([program, "-n", str(tmp_path / "script")], check=True)


def test_help_loads_nothing_for_completion() -> None:
    """The package that makes the scripts is imported by that command alone."""
    code = (
        "import sys; from asflown.cli.main import build_parser; build_parser(); print('shtab' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert done.stdout.strip() == "False"
