"""Grades a flight: its captures against what its scenario expects.

Grading reads the folder and decides nothing by chance or by time: the same folder gives the same grade, byte for
byte. Whoever flew it, and on which clock, does not matter here.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TypeAlias

from pydantic import TypeAdapter

from asflown import files
from asflown.errors import FolderProblem
from asflown.grade.evidence import Evidence, evidence, frame_of
from asflown.grade.legs_flown import which_legs
from asflown.grade.match import LegMatch
from asflown.grade.measures import BOTH_SIDES, measure, not_measurable
from asflown.grade.result import Check, Grade, Measured, RuleGraded, Source, VerdictWord
from asflown.grade.rules import grade_rule, not_graded
from asflown.record import folder as folders
from asflown.record.arming import flights_in
from asflown.record.manifest import Manifest, SafetyEvent
from asflown.record.track import Track, load_track
from asflown.scenario.model import Expect, Scenario
from asflown.scenario.path import PathLeg, resolve_path
from asflown.units import format_quantity

FILE_NAME = "grade.json"

_NO_MORE = "no more to ask for"
_REACTIONS = frozenset({"stop-here", "come-home", "set-down", _NO_MORE, "arming withheld"})
_NOT_FLOWN = frozenset({"error", "interrupted"})
_GRADE = TypeAdapter(Grade)

Tracks: TypeAlias = Mapping[Source, Track | FolderProblem]
"""The tracks of one flight by their source; in place of one that cannot be had, why."""


def grade_flight(folder: Path, scenario: Scenario) -> Grade:
    """The grade of the flight in `folder` by the expectations of `scenario`.

    A flight that could not be carried out gets the verdict `error`, and nothing is measured. Raises FolderProblem
    when `folder` is not a flight's.
    """
    manifest = folders.read_manifest(folder)
    if manifest.outcome in _NOT_FLOWN:
        reason = manifest.problem or f"the flight ended as '{manifest.outcome}'"
        return Grade("error", reason, (), (), (), (), "")
    checks = (*_capture_checks(folder, manifest), *_script_checks(manifest, scenario))
    grade = grade_tracks(load_tracks(folder, scenario), scenario, checks)
    taken = next((check for check in checks if check.passed is None), None)
    return grade if taken is None else replace(grade, verdict="inconclusive", reason=taken.says)


def grade_capture(tlog: Path, scenario: Scenario) -> Grade:
    """The grade of any tlog with one flight by the expectations of `scenario`; of its script nothing is known.

    Raises FolderProblem when no track can be made of it, and when there are several flights in it.
    """
    grades = grade_flights_in(tlog, scenario)
    if len(grades) > 1:
        raise several_flights(tlog, len(grades))
    return grades[0]


def grade_flights_in(tlog: Path, scenario: Scenario) -> tuple[Grade, ...]:
    """The grade of each flight in any tlog, in order: an arming that led into the air is a flight.

    Raises FolderProblem when no track can be made of it.
    """
    whole = load_track(tlog, "estimate", scenario.start.home)
    missing = _loaded(tlog, "truth", scenario)
    return tuple(
        grade_tracks({"estimate": flight, "truth": missing}, scenario) for flight in flights_in(whole)
    )


def several_flights(tlog: Path, count: int) -> FolderProblem:
    """The error for a tlog with several flights where one is wanted."""
    return FolderProblem(
        f"{tlog} has {count} flights, each with an arming of its own",
        "Cut it, or grade them one by one with `asflown grade`",
    )


def grade_tracks(tracks: Tracks, scenario: Scenario, checks: tuple[Check, ...] = ()) -> Grade:
    """The grade of tracks, however they were made, by the expectations of `scenario`; `checks` are passed on."""
    expect = scenario.expect
    path = () if expect.path is None else resolve_path(expect.path, scenario.start.home)
    judged = [_Judged(tracks, expect, path, source) for source in sources_of(expect)]
    checks += tuple(check for one in judged for check in one.legs_check(several=len(judged) > 1))
    measures = tuple(measured for one in judged for measured in one.measures())
    rules = tuple(rule for one in judged for rule in one.rules())
    verdict, reason = _verdict(checks, measures, rules)
    not_flown = dict.fromkeys(leg.leg.name for one in judged for leg in one.not_flown())
    anchors = "; ".join(dict.fromkeys(one.anchors() for one in judged))
    return Grade(verdict, reason, measures, rules, checks, tuple(not_flown), anchors)


def sources_of(expect: Expect) -> tuple[Source, ...]:
    """The sources that are graded, in order."""
    return ("estimate", "truth") if expect.source == "both" else (expect.source,)


def load_tracks(place: Path, scenario: Scenario) -> Tracks:
    """The tracks that grading by `scenario` looks at; in place of one that cannot be had, why.

    Raises FolderProblem for a tlog without a track, or with several flights.
    """
    wanted = set(sources_of(scenario.expect))
    if BOTH_SIDES.intersection(scenario.expect.measures):
        wanted = {"estimate", "truth"}
    if not place.is_dir() and (count := len(flights_in(load_track(place)))) > 1:
        raise several_flights(place, count)
    return {source: _loaded(place, source, scenario) for source in ("estimate", "truth") if source in wanted}


def _loaded(place: Path, source: Source, scenario: Scenario) -> Track | FolderProblem:
    try:
        return load_track(place, source, scenario.start.home)
    except FolderProblem as problem:
        return problem


def write_grade(folder: Path, grade: Grade) -> None:
    """Replaces grade.json in `folder` in one step. Raises FolderProblem when it cannot be written."""
    target = folder / FILE_NAME
    part = folder / f".{FILE_NAME}.{os.getpid()}.part"
    try:
        part.unlink(
            missing_ok=True
        )  # of a run with this number that was killed, or a link that somebody laid
        with part.open("xb") as out:
            out.write(_GRADE.dump_json(grade, indent=2) + b"\n")
            out.flush()
            os.fsync(out.fileno())
        part.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):  # as where the file system is read-only
            part.unlink(missing_ok=True)
        raise FolderProblem(
            f"{target} cannot be written ({error.strerror})", "Make the folder writable, or copy it"
        ) from error


def read_grade(folder: Path) -> Grade:
    """The grade written last. Raises FolderProblem when there is none, or it is not one."""
    path = folder / FILE_NAME
    try:
        return _GRADE.validate_json(files.read_plain(path, follow=False))
    except OSError as error:
        raise FolderProblem(
            f"{path} cannot be read ({error.strerror})", f"Grade it: `asflown grade {folder}`"
        ) from error
    except ValueError as error:
        raise FolderProblem(f"{path} is not a grade", f"Grade it again: `asflown grade {folder}`") from error


class _Judged:
    """One source of one flight: its evidence, or why there is none."""

    def __init__(self, tracks: Tracks, expect: Expect, path: tuple[PathLeg, ...], source: Source) -> None:
        self._expect, self._source = expect, source
        self._evidence: Evidence | None = None
        self._problem = ""
        track = tracks[source]
        if isinstance(track, FolderProblem):
            self._problem = track.problem
            return
        self._evidence = self._laid(track, path)
        if BOTH_SIDES.intersection(expect.measures):
            self._evidence = self._with_both_sides(tracks, path, self._evidence)
        self._signals = self._evidence.signals()

    def _laid(self, track: Track, path: tuple[PathLeg, ...]) -> Evidence:
        return evidence(track, frame_of(self._expect), path, self._expect.measures)

    def _with_both_sides(self, tracks: Tracks, path: tuple[PathLeg, ...], own: Evidence) -> Evidence:
        """The evidence beside that of the other source, where there is one."""
        sides: dict[Source, Evidence] = {self._source: own}
        other: Source = "truth" if self._source == "estimate" else "estimate"
        track = tracks.get(other)
        if isinstance(track, Track):
            sides[other] = self._laid(track, path)
        return replace(own, estimate=sides.get("estimate"), truth=sides.get("truth"))

    def measures(self) -> Iterator[Measured]:
        for name, limit in self._expect.measures.items():
            if self._evidence is None:
                yield not_measurable(name, limit, self._source, self._problem)
            else:
                yield measure(name, limit, self._evidence)

    def rules(self) -> Iterator[RuleGraded]:
        for rule in self._expect.rules:
            if self._evidence is None:
                yield not_graded(rule, self._source, self._problem)
            else:
                yield grade_rule(rule, self._signals, self._source, self._evidence.track.anchors.at_s)

    def not_flown(self) -> tuple[LegMatch, ...]:
        if self._evidence is None or self._evidence.matched is None:
            return ()
        return self._evidence.matched.not_flown()

    def legs_check(self, *, several: bool) -> Iterator[Check]:
        """Whether all legs were flown; nothing where no track could be laid on the path."""
        if self._evidence is None or self._evidence.matched is None:
            return
        name = f"legs flown ({self._source})" if several else "legs flown"
        missing = self.not_flown()
        yield Check(name, not missing, which_legs(self._evidence.matched))

    def anchors(self) -> str:
        if self._evidence is None:
            return f"there is no {self._source}: {self._problem}"
        return self._evidence.track.anchors.says


def _capture_checks(folder: Path, manifest: Manifest) -> Iterator[Check]:
    """Of captures that are not whole any more nothing is concluded, neither good nor bad."""
    missing = folders.cut_short(folder, manifest)
    if missing:
        yield Check("captures", None, f"{'; '.join(missing)}. Take a whole copy of the folder")


def _script_checks(manifest: Manifest, scenario: Scenario) -> Iterator[Check]:
    """What the conductor found wrong is told in its words, which name the script's own last words."""
    if manifest.by_hand:
        return
    stepped_in = list(_safety_checks(manifest))
    if any(
        check.passed is None for check in stepped_in
    ):  # whatever else there is, it is not the script's doing
        yield from stepped_in
        return
    script = manifest.script
    in_time = script.ended != "time-limit"
    limit = format_quantity(scenario.script.time_limit_s, "s")
    kept = f"the script ended within its time limit of {limit}"
    broken = manifest.problem or f"the script ran longer than its time limit of {limit}"
    yield Check("time limit", in_time, kept if in_time else broken)
    if in_time:
        passed = script.ended == "exited" and script.exit_code == scenario.script.exit_code
        yield Check("exit code", passed, _how_it_ended(manifest, scenario.script.exit_code, passed=passed))
    yield from stepped_in


def _safety_checks(manifest: Manifest) -> Iterator[Check]:
    """A guard that stepped in is a failure; a pilot who took over before leaves no verdict on the script."""
    for event in manifest.safety_events:
        who, _, what = event.what.partition(": ")
        says = f"{event.what} at {event.at_s:.1f} s: {event.cause}"
        if who == "pilot":
            yield Check("pilot", None, f"{says}; what followed is not the script's doing")
            return
        if who == "guard" and what in _REACTIONS:
            yield Check("guard", False, _no_more(event) if what == _NO_MORE else says.removeprefix("guard: "))
            return


def _no_more(event: SafetyEvent) -> str:
    """The guard met its limit while the vehicle did what it would have asked for: on its way down, mostly."""
    cause = event.cause.removesuffix("; it does as much already")
    said = f"stepped in at {event.at_s:.1f} s: {cause}; what it asks for then the vehicle did already"
    silent = "; a script sends something, such as a HEARTBEAT, until its flight is over"
    return f"{said}{silent if cause.startswith('script silent') else ''}"


def _how_it_ended(manifest: Manifest, expected: int, *, passed: bool) -> str:
    code = manifest.script.exit_code
    if passed:
        return f"the script exited with {code}"
    return manifest.problem or f"the script exited with {code}, and {expected} is expected"


def _verdict(
    checks: tuple[Check, ...], measures: tuple[Measured, ...], rules: tuple[RuleGraded, ...]
) -> tuple[VerdictWord, str]:
    """Fail when anything fails, inconclusive when anything does not decide, pass otherwise; with one sentence."""
    judged: list[tuple[str, bool | None, str]] = [(one.name, one.passed, one.says) for one in checks]
    judged += [(one.name, one.passed, one.says) for one in measures]
    judged += [(f"rule {one.name}", one.passed, one.says) for one in rules]
    for verdict, passed in _WORST_FIRST:
        found = [(name, says) for name, ok, says in judged if ok is passed]
        if found:
            return verdict, _sentence(found)
    return "pass", ""


_WORST_FIRST: tuple[tuple[VerdictWord, bool | None], ...] = (("fail", False), ("inconclusive", None))


def _sentence(found: list[tuple[str, str]]) -> str:
    """The first thing in full, the others by name."""
    name, says = found[0]
    others = list(dict.fromkeys(other for other, _ in found[1:] if other != name))
    more = f"; also {', '.join(others)}" if others else ""
    return f"{name}: {says}{more}"
