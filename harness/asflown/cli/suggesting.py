"""`asflown grade --suggest`: limits proposed from flown flights, as a change of the scenario file."""

from __future__ import annotations

import contextlib
import difflib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from asflown.grade.suggest import Suggestion
    from asflown.grade.tolerances import Graded
    from asflown.scenario.edit import Edited
    from asflown.scenario.file import LoadedScenario
    from asflown.scenario.model import Share90

USUAL_SHARE, USUAL_CONFIDENCE = 0.9, 0.9


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for; None takes the scenario's own `judge`, or the usual ones."""

    places: tuple[Path, ...]
    scenario: Path | None
    coverage: float | None
    confidence: float | None
    write: bool


def suggest_limits(request: Request) -> int:
    """Prints what would change, or writes it; returns the exit code.

    Raises UsageError where nothing can be proposed, and FolderProblem for what cannot be graded.
    """
    from asflown.grade.suggest import suggest
    from asflown.scenario.edit import edited
    from asflown.scenario.file import load_scenario

    loaded = load_scenario(_scenario_of(request))
    judge = _judge(request, loaded)
    suggestion = suggest(_graded(request.places, loaded), judge)
    files = edited(loaded, [change for one in suggestion.proposals for change in one.changes])
    for line in _told(suggestion, files):
        print(f"# {line}")
    for file in files:
        _show_or_write(file, write=request.write)
    return 0


def _scenario_of(request: Request) -> Path:
    """The file to change: the one given, or the one that all flights are of."""
    from asflown.errors import UsageError
    from asflown.record.folder import read_manifest

    if request.scenario is not None:
        return request.scenario
    files = []
    for place in request.places:
        if not place.is_dir():
            raise UsageError(f"nothing says what {place} should have flown", "Add --scenario FILE")
        files.append(Path(read_manifest(place).scenario_file))
    several = sorted({str(file) for file in files})
    if len(several) > 1:
        raise UsageError(
            f"these flights are of several scenarios ({', '.join(several)})", "Name flights of one scenario"
        )
    return files[0]


def _judge(request: Request, loaded: LoadedScenario) -> Share90:
    from asflown.errors import UsageError
    from asflown.scenario.model import Share90

    own = loaded.scenario.judge
    usual = own if isinstance(own, Share90) else Share90(share=USUAL_SHARE, confidence=USUAL_CONFIDENCE)
    for name, share, lowest in (("coverage", request.coverage, 0.0), ("confidence", request.confidence, 0.5)):
        if share is not None and not (share > 0 and lowest <= share < 1):
            raise UsageError(
                f"--{name} {share:g} is out of range", f"Give a share from {lowest:g} to below 1"
            )
    return usual.model_copy(
        update={
            "share": usual.share if request.coverage is None else request.coverage,
            "confidence": usual.confidence if request.confidence is None else request.confidence,
        }
    )


def _graded(places: Sequence[Path], loaded: LoadedScenario) -> list[Graded]:
    """Every flight by the scenario's expectations; the grades in their folders are left as they are."""
    from asflown.errors import UsageError
    from asflown.grade.grade import grade_capture, grade_flight
    from asflown.record.folder import read_manifest
    from asflown.record.foreign import capture_manifest
    from asflown.report.flown import Flown

    graded: list[Graded] = []
    for place in dict.fromkeys(places):
        if not place.exists():
            raise UsageError(f"there is no file or folder {place}", "Name a flight's folder or a tlog")
        folder = place.is_dir()
        manifest = (
            read_manifest(place) if folder else capture_manifest(place, loaded.scenario.name, loaded.file)
        )
        grade = (grade_flight if folder else grade_capture)(place, loaded.scenario)
        graded.append((Flown(manifest, grade, place).judged, grade))
    return graded


def _told(suggestion: Suggestion, files: Sequence[Edited]) -> Iterator[str]:
    """What is proposed for each measure, and what to look at before it is accepted."""
    texts = {keys: text for file in files for keys, text in file.texts.items()}
    for one in suggestion.proposals:
        new = " to ".join(texts[change.keys] for change in one.changes)
        yield f"{one.measure}: {f'{new}, as ' if new else ''}{one.says}"
    changed = sum(bool(one.changes) for one in suggestion.proposals)
    broken = 1 - suggestion.coverage
    if changed > 1:
        together = min(1.0, changed * broken)
        yield (
            f"each limit by itself is broken by up to {broken:.0%} of all flights, the {changed} together by up to "
            f"{together:.0%}: leave room where every flight has to pass"
        )
    if suggestion.failing:
        which = f"{suggestion.failing} of these {suggestion.flights} flights do not pass as the file is now"
        yield f"{which}, and took part: look at them first"


def _show_or_write(file: Edited, *, write: bool) -> None:
    if file.before == file.after:
        print(f"# {file.file} would not change")
        return
    if write:
        _replace(file)
        print(f"# {file.file} is changed")
        return
    before, after = file.before.splitlines(keepends=True), file.after.splitlines(keepends=True)
    name = str(file.file)
    print("".join(difflib.unified_diff(before, after, name, name, n=1)), end="")


def _replace(file: Edited) -> None:
    """Puts the new text in the old one's place in one step, with its permissions."""
    from asflown.errors import FolderProblem

    part = file.file.with_name(f".{file.file.name}.{os.getpid()}.part")
    try:
        part.write_bytes(file.after.encode("utf-8"))
        part.chmod(file.file.stat().st_mode & 0o7777)
        part.replace(file.file.resolve())
    except OSError as error:
        with contextlib.suppress(OSError):  # as where the file system is read-only
            part.unlink(missing_ok=True)
        raise FolderProblem(
            f"{file.file} cannot be written ({error.strerror})", "Make it and its folder writable"
        ) from error
