"""Where baselines are kept: in the folder `baseline` beside the scenario, one file for each vehicle and release line.

A proposal lies beside what it would replace until it is approved. Nothing here commits anything: git does, and git
knows who did.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from asflown.change.baseline_make import HASH_DIGITS
from asflown.change.baseline_model import SUFFIX, Baseline, read_baseline, release_line
from asflown.change.history_prune import StoredFlight
from asflown.errors import UsageError

FOLDER = "baseline"
PROPOSED = ".proposed"


def file_for(folder: Path, scenario: str, vehicle: str, release: str) -> Path:
    """The approved baseline's file of a scenario in `folder`, whether it is there or not."""
    line = release_line(release)
    parts = [scenario, _for_a_name(vehicle), *([_for_a_name(line)] if line else [])]
    return folder / FOLDER / f"{'.'.join(parts)}{SUFFIX}"


def proposal_for(approved: Path) -> Path:
    """The file of the proposal that would replace `approved`."""
    return approved.with_name(approved.name.removesuffix(SUFFIX) + PROPOSED + SUFFIX)


def is_proposal(file: Path) -> bool:
    """Whether a file is a proposal, not yet approved."""
    return file.name.endswith(PROPOSED + SUFFIX)


def _for_a_name(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", text)


def baselines_below(folder: Path) -> tuple[Path, ...]:
    """All files of baselines below a folder, proposals among them, sorted; hidden folders are passed over."""
    found = folder.rglob(f"{FOLDER}/*{SUFFIX}")
    return tuple(sorted(one for one in found if not _is_hidden(one.relative_to(folder))))


def baselines_in(folder: Path) -> tuple[Path, ...]:
    """The files of baselines directly in a folder, proposals among them, sorted; none where it is not there."""
    return tuple(sorted(folder.glob(f"*{SUFFIX}")))


def baseline_for(folder: Path, scenario: str, vehicle: str, release: str) -> Baseline | None:
    """The approved baseline of a scenario in `folder` on a vehicle, for this release or line ('': whichever there is).

    None where there is none. Raises UsageError for one that cannot be read.
    """
    files = (file for file in baselines_in(folder / FOLDER) if not is_proposal(file))
    for one in map(read_baseline, files):
        if (one.scenario, one.vehicle) == (scenario, vehicle) and (not release or one.covers(release)):
            return one
    return None


def _is_hidden(path: Path) -> bool:
    return any(part.startswith(".") for part in path.parts)


def approved_below(places: Iterable[Path], word: str = "") -> tuple[Path, ...]:
    """Approved baselines named by files or folders, those whose title has `word` in it.

    Raises UsageError when a place holds none.
    """
    found = [file for place in places for file in _in(place) if not is_proposal(file)]
    return tuple(dict.fromkeys(one for one in found if word in one.name))


def _in(place: Path) -> Iterator[Path]:
    if place.is_file():
        yield place
        return
    below = baselines_below(place) if place.is_dir() else ()
    if not below:
        raise UsageError(f"there is no baseline in {place}", "Make one with `asflown baseline propose`")
    yield from below


def refers_to(one: Baseline, flight: StoredFlight) -> bool:
    """Whether a flight is one of those that a baseline was made from, or a repetition of one."""
    scenario, vehicle, release, clock = flight.kind
    return (
        (one.scenario, one.vehicle, one.release, one.clock) == (scenario, vehicle, release, clock)
        and flight.seed in one.seeds
        and flight.script_sha256[:HASH_DIGITS] == one.inputs.script
        and flight.parameters_sha256[:HASH_DIGITS] == one.inputs.parameters
    )


def protector(scenario_files: Iterable[Path], roots: Iterable[Path]) -> Callable[[StoredFlight], bool]:
    """Tells which flights a baseline refers to: those beside these scenarios and below these folders, and proposals.

    Raises UsageError for a baseline that cannot be read: what it refers to is not known, so nothing may go.
    """
    folders = {file.parent for file in scenario_files}
    files = {file.resolve() for folder in folders for file in (folder / FOLDER).glob(f"*{SUFFIX}")}
    files |= {file.resolve() for root in roots for file in baselines_below(root)}
    kept = [read_baseline(file) for file in sorted(files)]
    return lambda flight: any(refers_to(one, flight) for one in kept)


def approved_by(file: Path) -> str:
    """Who approved a baseline and when, as git tells it; that it is not committed, where it is not."""
    if _git(file, "rev-parse", "--is-inside-work-tree") is None:
        return "not in a git repository: nobody knows who approved it"
    answer = _git(file, "log", "-1", "--format=%an, %ad, %h", "--date=short", "--", file.name)
    if not answer:
        return "not committed yet: approved by nobody"
    changed = _git(file, "status", "--porcelain", "--", file.name)
    return f"{answer}{'; changed since, and not committed' if changed else ''}"


def _git(file: Path, *arguments: str) -> str | None:
    """What git answers in the file's folder; None where it does not."""
    try:
        answer = subprocess.run(
            ["git", *arguments], cwd=file.parent, capture_output=True, text=True, timeout=10, check=True
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return answer.stdout.strip()
