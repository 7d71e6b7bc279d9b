"""What a flight's page tells: the path expected and flown, signals over time, rules, events, the script's words.

Everything is read from the flight's folder and its scenario; nothing is graded anew. Where something cannot be had,
the story says why in `missing`, and the rest is told all the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from asflown.errors import AsflownError, FolderProblem
from asflown.grade.evidence import Evidence, evidence, frame_of
from asflown.grade.rule_course import rule_course
from asflown.record import decode, folder
from asflown.record.series import PathFrame, Series, Source
from asflown.record.track import load_track
from asflown.report.flown import Flown
from asflown.report.site.events import Event, events_of
from asflown.report.visible import tail
from asflown.scenario.model import Scenario
from asflown.scenario.path import PathLeg, resolve_path

SCRIPT_LOG_BYTES = 20_000
_LONGEST_S = 86_400
_MOST_MISSING = 200
AXES: dict[PathFrame, tuple[str, str]] = {
    "start-heading": ("forward", "right"),
    "north-east": ("north", "east"),
    "geodetic": ("north", "east"),
}


@dataclass(frozen=True, slots=True)
class Curve:
    """One signal over flight time."""

    title: str
    unit: str
    """SI, as `units` writes it; `1/s` for a rate."""
    series: Series
    limits: tuple[float, ...] = ()
    """Lines that it should not cross."""


@dataclass(frozen=True, slots=True)
class RuleCourse:
    """How far a rule's condition was from turning, over flight time; negative: against the rule."""

    name: str
    text: str
    series: Series
    broken: bool = False
    """The rule as a whole did not hold: `eventually` may hold though its condition did not, most of the time."""


@dataclass(slots=True)
class Story:
    """One flight, ready to be drawn."""

    flown: Flown
    scenario: Scenario | None
    path: tuple[PathLeg, ...] = ()
    frame: PathFrame = "start-heading"
    laid: Evidence | None = None
    truth: Series | None = None
    """Positions as they were, x, y, u in the path's axes, beside an estimate."""
    curves: list[Curve] = field(default_factory=list)
    rules: list[RuleCourse] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    script_log: str = ""
    missing: list[str] = field(default_factory=list)

    @property
    def begin_s(self) -> float:
        """Where the time axis begins."""
        return 0.0

    @property
    def end_s(self) -> float:
        """Where the time axis ends."""
        return max(1.0, self.flown.manifest.flight_time_s, *(float(c.series.time_s[-1]) for c in self.curves))

    @property
    def corridor_m(self) -> float | None:
        """The lateral limit that the scenario sets, if it sets one."""
        return None if self.scenario is None else _upper(self.scenario, "cross_track_max", "cross_track_p95")


def story_of(flown: Flown, scenario: Scenario | None) -> Story:
    """The story of a flight; `scenario` is None when its file is not there any more."""
    story = Story(flown, scenario)
    story.script_log = (
        tail(flown.folder / folder.SCRIPT_LOG, SCRIPT_LOG_BYTES) if flown.folder.is_dir() else ""
    )
    story.events = events_of(flown.folder)
    story.missing += folder.cut_short(flown.folder, flown.manifest)
    if scenario is None:
        story.missing.append(
            f"the scenario is not at {flown.manifest.scenario_file} any more: no expected path, no rules"
        )
    else:
        story.frame = frame_of(scenario.expect)
        if scenario.expect.path is not None:
            story.path = resolve_path(scenario.expect.path, scenario.start.home)
    _lay(story)
    _link(story)
    return story


def positions(story: Story, frame: PathFrame) -> Series | None:
    """Where a flight was, in the axes of `frame`; None where that cannot be told."""
    laid = story.laid
    if laid is None:
        return None
    found = laid.positions if story.frame == frame else laid.track.in_frame(frame)
    return found if found is not None and len(found) > 1 else None


def _lay(story: Story) -> None:
    scenario, place = story.scenario, story.flown.folder
    home = None if scenario is None else scenario.start.home
    source: Source = "truth" if scenario is not None and scenario.expect.source == "truth" else "estimate"
    try:
        track = load_track(place, source, home)
    except FolderProblem as problem:
        story.missing.append(problem.problem)
        return
    limits = {} if scenario is None else scenario.expect.measures
    story.laid = laid = evidence(track, story.frame, story.path, limits)
    signals = laid.signals()
    _add(story, signals, "cross_track", "Cross-track error", "m", _both(story.corridor_m))
    vertical = [(part.time_s, part.vertical_m) for part in laid.legs]
    if vertical:
        joined = Series(np.concatenate([t for t, _ in vertical]), np.concatenate([v for _, v in vertical]))
        upper = None if scenario is None else _upper(scenario, "vertical_max", "vertical_p95")
        story.curves.append(Curve("Height error", "m", joined, _both(upper)))
    _add(story, signals, "height", "Height", "m")
    _add(story, signals, "speed", "Ground speed", "m/s")
    _add(story, signals, "battery", "Battery", "1")
    grade = story.flown.grade
    broken = set() if grade is None else {one.name for one in grade.rules if one.passed is False}
    for rule in () if scenario is None else scenario.expect.rules:
        course = rule_course(rule, signals, track.anchors.at_s)
        if course is not None:
            text = rule.formula or f"always {rule.always}"
            story.rules.append(RuleCourse(rule.name, text, course, broken=rule.name in broken))
    if source == "estimate" and story.flown.truth_is_known:
        story.truth = _truth(place, story.frame)


def _truth(place: Path, frame: PathFrame) -> Series | None:
    try:
        return load_track(place, "truth").in_frame(frame)
    except FolderProblem:
        return None


def _add(
    story: Story, signals: Any, name: str, title: str, unit: str, limits: tuple[float, ...] = ()
) -> None:
    signal = signals.get(name)
    if signal is not None and len(signal) > 1:
        story.curves.append(Curve(title, unit, signal, limits))


def _link(story: Story) -> None:
    """Frames from the vehicle in each second, and how many are missing by their running numbers.

    The last second is seldom a whole one: what was received in it would look like a loss, and is left out.
    """
    file = story.flown.folder / folder.VEHICLE_TLOG if story.flown.folder.is_dir() else story.flown.folder
    try:
        index = decode.index(file)
    except AsflownError:
        return
    senders = index.system.astype(int) * 256 + index.component
    if not len(senders):
        return
    ours = np.flatnonzero(senders == np.bincount(senders).argmax())
    epoch_us = story.flown.manifest.clock.epoch_us or int(index.time_us[0])
    seconds = np.clip((index.time_us[ours] - epoch_us) // 1_000_000, 0, _LONGEST_S)
    missing = (np.diff(index.sequence[ours].astype(int)) - 1) % 256
    missing[missing > _MOST_MISSING] = 0  # a restart of the numbers, not two hundred lost messages
    for title, weights, at in (("received", None, seconds), ("missing", missing, seconds[1:])):
        counts = np.bincount(at, weights).astype(np.float64)
        middles = np.arange(len(counts), dtype=np.float64) + 0.5
        whole = slice(0, -1 if title == "received" and len(counts) > 2 else None)
        story.curves.append(Curve(f"Messages {title}", "1/s", Series(middles[whole], counts[whole])))


def _upper(scenario: Scenario, *names: str) -> float | None:
    for name in names:
        limit = scenario.expect.measures.get(name)
        if limit is not None and limit.at_most is not None:
            return limit.at_most
    return None


def _both(limit: float | None) -> tuple[float, ...]:
    return () if limit is None else (-limit, limit)
