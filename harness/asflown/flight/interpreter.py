"""Which program runs a script, and whether its interpreter can be held to the virtual clock.

`python` in a scenario means the user's python: $ASFLOWN_PYTHON, else the active virtual environment's, else the one
that asflown itself runs on.
"""

from __future__ import annotations

import functools
import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import asflown.clock.shim
from asflown.errors import ScriptProblem

SHIM_FOLDER = Path(asflown.clock.shim.__file__).parent
OLDEST_HELD = (3, 9)
PROBE_TIMEOUT_S = 30
_PYTHON = re.compile(r"python(\d+(\.\d+)*)?(\.exe)?")
_FLAGS_WITH_VALUE = ("-W", "-X")
_PROBE = """
import json, sys
custom = sys.modules.get("sitecustomize")
print(json.dumps([sys.implementation.name, list(sys.version_info[:3]), getattr(custom, "__file__", None)]))
"""


@dataclass(frozen=True, slots=True)
class Command:
    """A command line ready to be started, and why its interpreter cannot be held ('' when it can)."""

    argv: tuple[str, ...]
    why_not_held: str


def resolve(run: tuple[str, ...], folder: Path) -> Command:
    """The command for `run` as started in `folder`. Raises ScriptProblem when its program is not there."""
    program = _program(run[0], folder)
    argv = (program, *run[1:])
    interpreter = _interpreter(program, run[1:])
    if interpreter is None:
        return Command(argv, f"{run[0]} is not run by a Python interpreter")
    return Command(argv, _why_not_held(interpreter))


def resolve_all(commands: tuple[tuple[str, ...], ...], folder: Path) -> tuple[Command, ...]:
    """Several commands. Raises ScriptProblem for the first whose program is not there."""
    return tuple(resolve(run, folder) for run in commands)


def users_python() -> str:
    """The interpreter that `python` stands for in a scenario."""
    if chosen := os.environ.get("ASFLOWN_PYTHON"):
        return chosen
    if environment := os.environ.get("VIRTUAL_ENV"):
        candidate = Path(environment) / "bin" / "python"
        if candidate.exists():
            return str(candidate)
    return sys.executable


def _program(name: str, folder: Path) -> str:
    if name in ("python", "python3"):
        return users_python()
    local = folder / name
    if local.is_file() and os.access(local, os.X_OK):
        return str(local)
    found = shutil.which(name)
    if found is None:
        raise ScriptProblem(
            f"the script's program {name!r} is neither in {folder} nor on the PATH",
            "Install it, or write the program's full path into `script: run:`",
        )
    return found


def _interpreter(program: str, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
    """The interpreter with its flags, by the program's name or its first line; None when it is not Python."""
    if _PYTHON.fullmatch(Path(program).name):
        return (program, *_flags(arguments))
    try:
        with Path(program).open("rb") as file:
            first = file.readline(256)
    except OSError:
        return None
    if not first.startswith(b"#!"):
        return None
    words = first[2:].decode("utf-8", "replace").split()
    if words and Path(words[0]).name == "env":
        words = [shutil.which(words[1]) or words[1], *words[2:]] if len(words) > 1 else words
    return tuple(words) if words and _PYTHON.fullmatch(Path(words[0]).name) else None


def _flags(arguments: tuple[str, ...]) -> tuple[str, ...]:
    """The leading options that are the interpreter's own."""
    flags: list[str] = []
    rest = list(arguments)
    while rest and rest[0].startswith("-") and rest[0] not in ("-c", "-m", "-"):
        flags.append(rest.pop(0))
        if flags[-1] in _FLAGS_WITH_VALUE and rest:
            flags.append(rest.pop(0))
    return tuple(flags)


@functools.cache
def _why_not_held(interpreter: tuple[str, ...]) -> str:
    """Asks the interpreter itself, without running the user's script."""
    name = " ".join(interpreter)
    environment = {**os.environ, "PYTHONPATH": search_path()}
    try:
        answer = subprocess.run(
            [*interpreter, "-c", _PROBE],
            env=environment,
            capture_output=True,
            timeout=PROBE_TIMEOUT_S,
            check=True,
        )
        implementation, version, custom = json.loads(answer.stdout.splitlines()[-1])
    except (OSError, subprocess.SubprocessError, ValueError, IndexError):
        return f"{name} did not answer when it was asked for its version"
    if implementation != "cpython" or tuple(version[:2]) < OLDEST_HELD:
        return f"{name} is {implementation} {'.'.join(map(str, version))}; CPython 3.9 and newer can be held"
    if custom is None or Path(custom).parent != SHIM_FOLDER:
        return f"{name} does not load modules named by PYTHONPATH at its start"
    return ""


def search_path() -> str:
    """PYTHONPATH with the held clock in front of what the user has there."""
    return os.pathsep.join(filter(None, (str(SHIM_FOLDER), os.environ.get("PYTHONPATH", ""))))
