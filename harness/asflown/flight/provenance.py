"""Hashes, versions and the git state of what was flown, for the manifest."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import platform
import shutil
import subprocess
from pathlib import Path

from pydantic import BaseModel

from asflown.flight.script_files import own_files

HASHED_FILE_BYTES_MAX = 4 << 20
"""Bigger files in a script's folder count by name and size only."""
DISTRIBUTIONS = ("asflown", "jsbsim", "numpy", "pymavlink")


def sha256_of_file(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    return hashlib.sha256(file.read_bytes()).hexdigest()


def sha256_of_model(model: BaseModel) -> str:
    """SHA-256 of a model's values, whatever file they came from."""
    return hashlib.sha256(model.model_dump_json().encode()).hexdigest()


def sha256_of_folder(folder: Path) -> str:
    """SHA-256 over the names and contents of a script's files; see `script_files.own_files`."""
    hasher = hashlib.sha256()
    for file in own_files(folder):
        with contextlib.suppress(OSError):  # it went away, or is not this user's to read
            size = file.stat().st_size
            content = file.read_bytes() if size <= HASHED_FILE_BYTES_MAX else str(size).encode()
            hasher.update(str(file.relative_to(folder)).encode() + b"\0")
            hasher.update(content)
    return hasher.hexdigest()


def git_state(folder: Path) -> dict[str, str]:
    """Commit of the repository that `folder` is in, and whether it had changes; empty outside of one."""
    try:
        answer = subprocess.run(
            [_git(), "status", "--porcelain=v2", "--branch", "--untracked-files=no", "."],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=10,
            check=True,
        )
    except (OSError, subprocess.SubprocessError):
        return {}
    lines = answer.stdout.splitlines()
    commit = next((line.split()[-1] for line in lines if line.startswith("# branch.oid")), "")
    changed = any(not line.startswith("#") for line in lines)
    return {"commit": commit, "changed": "yes" if changed else "no"}


def _git() -> str:
    """Git as the user's PATH has it."""
    return shutil.which("git") or "git"


def versions() -> dict[str, str]:
    """What flew it."""
    return {"python": platform.python_version()} | {
        name: importlib.metadata.version(name) for name in DISTRIBUTIONS
    }
