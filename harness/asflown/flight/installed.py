"""What asflown runs on: this Python and the packages it needs. Imports nothing of them, so that it can say so.

A finding is `ok`, `note` (something that not everybody needs is missing) or `wrong` (flights cannot be flown).
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib import metadata
from typing import Literal

State = Literal["ok", "note", "wrong"]
OLDEST_PYTHON = (3, 11)
_REQUIREMENT = re.compile(r"([A-Za-z0-9._-]+)\s*>=\s*([0-9.]+)")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at."""

    name: str
    state: State
    found: str
    """What was measured, in plain words with units."""
    todo: str = ""
    """What to do; empty when nothing is."""


def look_at_python(version: Sequence[int] = sys.version_info[:3], platform: str = sys.platform) -> Finding:
    """The interpreter of asflown itself, and the system it runs on."""
    found = f"{'.'.join(map(str, version))} on {platform}"
    if tuple(version[:2]) < OLDEST_PYTHON:
        return Finding("python", "wrong", found, "Make the environment with Python 3.11 or newer")
    if platform != "linux":
        return Finding("python", "wrong", found, "Use Linux; a virtual machine or a container will do")
    return Finding("python", "ok", found)


def look_at_packages(requirements: Iterable[str] | None = None) -> Finding:
    """Whether each required package is there and new enough, by what is installed; extras are left out."""
    try:
        asked = metadata.requires("asflown") or [] if requirements is None else requirements
    except metadata.PackageNotFoundError:
        todo = f"To have its packages looked after: {sys.executable} -m pip install asflown"
        return Finding("packages", "note", "asflown runs from a folder and is not installed", todo)
    needed = [match for text in asked if "extra ==" not in text and (match := _REQUIREMENT.match(text))]
    faults = [fault for name, least in (match.groups() for match in needed) if (fault := _fault(name, least))]
    if not faults:
        return Finding("packages", "ok", f"{len(needed)} needed, all there and new enough")
    names = " ".join(f"'{match[1]}>={match[2]}'" for match in needed if _fault(match[1], match[2]))
    return Finding("packages", "wrong", "; ".join(faults), f"{sys.executable} -m pip install {names}")


def _fault(name: str, least: str) -> str:
    try:
        have = metadata.version(name)
    except metadata.PackageNotFoundError:
        return f"{name} is missing"
    return f"{name} is {have}, needed is {least}" if _numbers(have) < _numbers(least) else ""


def _numbers(version: str) -> tuple[int, ...]:
    """The release part of a version; `2.4` and `2.4.0` are alike."""
    numbers = [int(part) for part in re.findall(r"\d+", re.split(r"[^0-9.]", version)[0])]
    while numbers and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)
