"""What `asflown new` puts together: from a script, from a captured flight, or from both."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from asflown.errors import FileProblem, FolderProblem, UsageError
from asflown.record.drawn_path import DrawnLeg, draw_path
from asflown.record.folder import read_manifest
from asflown.record.manifest import Manifest
from asflown.record.track import load_track
from asflown.report import atomic
from asflown.scenario.draft import Draft, DraftLeg, drafted
from asflown.scenario.file import SUFFIX, load_scenario
from asflown.scenario.model import Script
from asflown.scenario.script_reading import LinkGuess, guess_link, python_problem

EXAMPLE = (
    DraftLeg("climb: {to: 3 m}"),
    DraftLeg("line: {to: [8 m, 0 m, 3 m]}", "8 m forward, at 3 m; add a speed: {to: ..., speed: 2 m/s}"),
    DraftLeg("hold: {for: 3 s}"),
    DraftLeg("return: {}", "to above the start"),
    DraftLeg("land: {}"),
)
LONGEST_DRAWN = 200
"""Legs; a flight with more is no path that a person would write down."""


@dataclass(frozen=True, slots=True)
class NewRequest:
    """What was asked for."""

    name: str
    script: Path | None
    vehicle: str
    from_flight: Path | None
    into: Path | None


@dataclass(frozen=True, slots=True)
class Written:
    """The new file, and what its writer should know."""

    file: Path
    link: LinkGuess
    problem: FileProblem | None
    """Why the script could not be read."""


def write_new(request: NewRequest) -> Written:
    """Writes the scenario file and reads it back. Raises UsageError for what is given wrong, or stands already."""
    script, known = _script_of(request)
    folder = request.into or script.parent
    if not folder.is_dir():
        raise UsageError(f"{folder} is no folder", "Make it first, or name another with --into")
    file = folder / f"{request.name}{SUFFIX}"
    if file.exists():
        raise UsageError(f"{file} stands already", "Choose another name, or remove the file")
    draft = Draft(
        request.name,
        _vehicle(request.vehicle, folder),
        known or _run_words(script, folder),
        _known_link(request) or guess_link(script),
        EXAMPLE,
    )
    if request.from_flight is not None:
        draft = _drawn(draft, request.from_flight)
    text = drafted(draft)
    atomic.write_text(file, text)
    load_scenario(file)
    return Written(file, draft.link, python_problem(script))


def _script_of(request: NewRequest) -> tuple[Path, tuple[str, ...]]:
    """The script, and `run` where the flight's own scenario is at hand in the same folder."""
    if request.script is not None:
        if not request.script.is_file():
            raise UsageError(
                f"there is no script {request.script}", "Name the file of your script with --script"
            )
        return request.script, ()
    own = _own_script(request)
    if own is None:
        raise UsageError("no script is named", "Add --script FILE: the program that flies the vehicle")
    scenario_file, script = own
    found = [scenario_file.parent / word for word in script.run if (scenario_file.parent / word).is_file()]
    if not found:
        raise UsageError(f"the script of {scenario_file} is not there", "Add --script FILE")
    into = request.into or found[0].parent
    return found[0], _moved(_without_link(script.run), scenario_file.parent, into)


def _own_script(request: NewRequest) -> tuple[Path, Script] | None:
    """The scenario file that a flight was flown by, and its script, where it can still be read."""
    if request.from_flight is None or not request.from_flight.is_dir():
        return None
    file = Path(read_manifest(request.from_flight).scenario_file)
    if not file.is_file():
        return None
    return file, load_scenario(file).scenario.script


def _known_link(request: NewRequest) -> LinkGuess | None:
    """How the flown script took its link; None when another one is named, or nothing is known."""
    if request.script is not None or (own := _own_script(request)) is None:
        return None
    file, script = own
    return LinkGuess(
        script.run[len(_without_link(script.run)) :],
        f"as in {file.name}",
        script.link.style,
        script.link.side,
        script.link.transport,
        script.listens or "",
        script.dials or "",
    )


def _without_link(run: tuple[str, ...]) -> tuple[str, ...]:
    """The words before the first that has to do with the link: a placeholder, or the option before it."""
    first = next((index for index, word in enumerate(run) if "{" in word), len(run))
    if 0 < first < len(run) and run[first - 1].startswith("-"):
        first -= 1
    return run[:first]


def _moved(words: tuple[str, ...], before: Path, now: Path) -> tuple[str, ...]:
    """Files among the words, relative to another folder."""
    return tuple(os.path.relpath(before / word, now) if (before / word).is_file() else word for word in words)


def _run_words(script: Path, folder: Path) -> tuple[str, ...]:
    relative = os.path.relpath(script, folder)
    if script.suffix == ".py":
        return ("python", relative)
    if not os.access(script, os.X_OK):
        raise UsageError(
            f"{script} is neither a .py file nor may it be run",
            "Name your script; one in another language is made runnable by chmod +x",
        )
    return (relative,)


def _vehicle(vehicle: str, folder: Path) -> str:
    """A vehicle file is named relative to the scenario's folder, too."""
    return os.path.relpath(vehicle, folder) if Path(vehicle).is_file() else vehicle


def _drawn(draft: Draft, flight: Path) -> Draft:
    if not flight.exists():
        raise FolderProblem(f"there is no file or folder {flight}", "Name a flight's folder, or a tlog file")
    path = draw_path(load_track(flight))
    if len(path.legs) > LONGEST_DRAWN:
        raise UsageError(
            f"{flight} would take {len(path.legs)} legs", "Write the legs by hand, with arcs for curves"
        )
    draft = replace(
        draft,
        legs=tuple(_leg(leg) for leg in path.legs),
        drawn_from=flight.name,
        highest_m=path.highest_m,
        farthest_m=path.farthest_m,
        beside_m=allowed_beside_m(path.legs),
        duration_s=path.duration_s,
        time_limit_s=max(120.0, round(path.duration_s / 30 + 1) * 60.0),
    )
    return _placed(draft, read_manifest(flight)) if flight.is_dir() else draft


def allowed_beside_m(legs: Sequence[DrawnLeg]) -> float:
    """A fifth of the shortest line, between 1 and 2 m: turning back a third too early must not pass."""
    lengths_m = [math.dist(one.to_m, two.to_m) for one, two in pairwise(legs) if two.kind == "line"]
    return round(min(2.0, max(1.0, 0.2 * min(lengths_m, default=10.0))), 1)


def _placed(draft: Draft, manifest: Manifest) -> Draft:
    """With the start that the flight had."""
    start = manifest.start
    home = start.get("home") or {}
    keys = ("latitude_deg", "longitude_deg", "altitude_m")
    known = all(home.get(key) is not None for key in keys)
    latitude_deg, longitude_deg, altitude_m = (float(home[key]) if known else 0.0 for key in keys)
    return replace(
        draft,
        heading_rad=float(start.get("heading_rad", 0.0)),
        home=(latitude_deg, longitude_deg, altitude_m) if known else None,
    )


def _leg(leg: DrawnLeg) -> DraftLeg:
    place = ", ".join(f"{value:g} m" for value in leg.to_m)
    speed = f"speed: {leg.speed_m_s:g} m/s" if leg.speed_m_s > 0 else ""
    if leg.kind == "climb":
        return DraftLeg(f"climb: {{to: {leg.to_m[2]:g} m}}")
    if leg.kind == "line":
        return DraftLeg(f"line: {{to: [{place}]{', ' if speed else ''}{speed}}}")
    if leg.kind == "hold":
        return DraftLeg(f"hold: {{for: {leg.for_s:g} s}}")
    if leg.kind == "return":
        return DraftLeg(f"return: {{{speed}}}")
    return DraftLeg("land: {}")
