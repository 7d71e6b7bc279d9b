"""A baseline: what approved flights of one scenario on one vehicle and release line were like, as reviewable text.

It judges later flights without the folders of those it was made from. One value a line, sorted, rounded to what its
tolerance makes sensible, no time stamps and no names of machines: making it anew from equal flights gives equal text.
Who approved it is who committed it. Angles are in degrees here, as in scenario files; all else is SI.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from asflown.record.series import Source
from asflown.scenario.base import Model
from asflown.scenario.model import Limit
from asflown.scenario.reading import plain_mapping, validated
from asflown.scenario.yaml_tree import read_tree

SUFFIX = ".baseline.yaml"
STEPS_OF_TOLERANCE = 200
"""Values are rounded to steps of about this part of what their tolerance measures in."""
HEADER = """\
# What approved flights of this scenario were like. Written by `asflown baseline`; approved by whoever commits it.
"""


SeedName = Annotated[
    str, Field(pattern=r"^seed [0-9]{1,18}$", description="`seed` and its number, as `seed 7`")
]


class Inputs(Model):
    """What the flights were given; the first digits of hashes."""

    script: str
    """Over the files of the script's folder."""
    parameters: str
    """Of the vehicle; empty where nobody has read them."""


class MeasureBaseline(Model):
    """One measure by one source."""

    unit: str
    allowed: Limit
    mean: float
    deviation: float
    """Standard deviation of one flight; 0 for a single one."""
    flights: dict[SeedName, float]
    """The value of each flight: `seed 1: 0.412`."""

    def by_seed(self) -> dict[int, float]:
        """The value of each flight in the file's unit."""
        return {int(name.split()[1]): value for name, value in self.flights.items()}


class RuleBaseline(Model):
    """One rule by one source."""

    formula: str
    lowest: float | None
    """Lowest robustness of any flight."""


class PathPlace(Model):
    """Where flights were at one place of a leg, in the axes of the expected path, metres."""

    at: float
    """Share of the leg's length, 0 to 1."""
    x: float
    y: float
    up: float
    within: float
    """No flight was farther from the mean of the others."""


class Baseline(Model):
    """The whole file."""

    asflown: Literal[1]
    scenario: str
    vehicle: str
    release: str
    """As flown; it holds for the whole line, see `release_line`."""
    clock: Literal["lockstep", "paced"]
    judge: str
    source: Literal["estimate", "truth", "both"]
    seeds: tuple[int, ...] = Field(min_length=1)
    inputs: Inputs
    measures: dict[str, MeasureBaseline] = Field(default_factory=dict)
    """By `name` or, for the source that is not the only one, `name (source)`."""
    rules: dict[str, RuleBaseline] = Field(default_factory=dict)
    path: dict[str, tuple[PathPlace, ...]] = Field(default_factory=dict)
    """By the leg's name."""

    @property
    def title(self) -> str:
        """`nest-boxes on palm80@r1`."""
        return f"{self.scenario} on {self.vehicle}{'@' if self.release else ''}{self.release}"

    def covers(self, release: str) -> bool:
        """Whether a release is of the line this holds for."""
        line = release_line(self.release)
        return release == line or release.startswith((f"{line}.", f"{line}-"))


def release_line(release: str) -> str:
    """`r1` of `r1`, `1.14` of `1.14.2`: releases of one line are expected to fly alike."""
    return release.rpartition(".")[0] or release


def read_baseline(file: Path) -> Baseline:
    """The baseline in `file`. Raises UsageError when it cannot be read, FileProblem for what is wrong in it."""
    root = read_tree(file)
    return validated(Baseline, plain_mapping(root), root)


def key(name: str, source: Source, sources: Literal["estimate", "truth", "both"]) -> str:
    """The name under which a measure or rule stands in a baseline."""
    return f"{name} ({source})" if sources == "both" else name


_SHOWN_AS = {"rad": ("deg", 180 / math.pi), "rad/s": ("deg/s", 180 / math.pi)}


def shown_unit(unit: str) -> tuple[str, float]:
    """The unit that a baseline writes for an SI unit, and by what values are multiplied."""
    return _SHOWN_AS.get(unit, (unit, 1.0))


def places_for(allowed: Limit) -> int:
    """Decimals that make sense beside a limit: steps of at most one part in STEPS_OF_TOLERANCE of it."""
    size = limit_size(allowed)
    if not 1e-100 < size < 1e100:  # nothing, not a number, or nothing that anybody flies by
        return 4
    return max(0, min(6, math.ceil(-math.log10(size / STEPS_OF_TOLERANCE) - 1e-9)))


def limit_size(allowed: Limit) -> float:
    """What a limit measures in: its scale, half its width, or its own size; 0 where it has none."""
    if allowed.scale is not None:
        return allowed.scale
    if allowed.between is not None:
        return abs(allowed.between[1] - allowed.between[0]) / 2
    end = allowed.at_most if allowed.at_most is not None else allowed.at_least
    return abs(end or 0.0)


def in_shown_unit(allowed: Limit, factor: float) -> Limit:
    """A limit in SI as a limit in the unit that the file shows."""

    def turned(value: float | None) -> float | None:
        return None if value is None else float(f"{value * factor:.9g}")

    ends = allowed.between
    between = None if ends is None else (float(f"{ends[0] * factor:.9g}"), float(f"{ends[1] * factor:.9g}"))
    return Limit(
        at_most=turned(allowed.at_most), at_least=turned(allowed.at_least), between=between,
        scale=turned(allowed.scale),
    )  # fmt: skip


def baseline_text(one: Baseline) -> str:
    """The file's whole text."""
    return HEADER + "".join(f"{line}\n" for line in _lines(one))


def _lines(one: Baseline) -> Iterator[str]:
    yield f"asflown: {one.asflown}"
    yield f"scenario: {one.scenario}"
    yield f"vehicle: {_plain(one.vehicle)}"
    yield f"release: {json.dumps(one.release)}"
    yield f"clock: {one.clock}"
    yield f"judge: {_plain(one.judge)}"
    yield f"source: {one.source}"
    yield f"seeds: [{', '.join(map(str, one.seeds))}]"
    yield "inputs:"
    yield f"  script: {json.dumps(one.inputs.script)}"
    yield f"  parameters: {json.dumps(one.inputs.parameters)}"
    yield from _section("measures", one.measures, _measure_lines)
    yield from _section("rules", one.rules, _rule_lines)
    if one.path:
        yield "path:"
        for name, places in one.path.items():  # in the order of the legs
            yield f"  {_plain(name)}:"
            yield from (_place_line(place) for place in places)


def _section(title: str, entries: Mapping[str, object], lines: object) -> Iterator[str]:
    assert callable(lines)
    if entries:
        yield f"{title}:"
        for name in sorted(entries):
            yield f"  {_plain(name)}:"
            yield from lines(entries[name])


def _measure_lines(one: MeasureBaseline) -> Iterator[str]:
    places = places_for(one.allowed)
    yield f"    unit: {json.dumps(one.unit)}"
    yield "    allowed:"
    for name, value in one.allowed.model_dump(exclude_none=True).items():
        text = f"[{', '.join(f'{end:g}' for end in value)}]" if isinstance(value, tuple) else f"{value:.9g}"
        yield f"      {name}: {text}"
    yield f"    mean: {one.mean:.{places}f}"
    yield f"    deviation: {one.deviation:.{places}f}"
    yield "    flights:"
    for seed, value in sorted(one.by_seed().items()):
        yield f"      seed {seed}: {value:.{places}f}"


def _rule_lines(one: RuleBaseline) -> Iterator[str]:
    yield f"    formula: {json.dumps(one.formula, ensure_ascii=False)}"
    yield f"    lowest: {'null' if one.lowest is None else f'{one.lowest:.2f}'}"


def _place_line(one: PathPlace) -> str:
    where = ", ".join(f"{name}: {getattr(one, name) + 0.0:.2f}" for name in ("at", "x", "y", "up", "within"))
    return f"    - {{{where.replace('-0.00', '0.00')}}}"


def _plain(text: str) -> str:
    """A text as YAML: bare where nothing in it means anything to YAML, quoted otherwise."""
    return (
        text if re.fullmatch(r"[A-Za-z][A-Za-z0-9 _().@/-]*", text) else json.dumps(text, ensure_ascii=False)
    )
