"""What a scenario must be beyond its form: things that exist, that fit together, and that can be flown.

Each check looks at one matter and yields problems at their place in the file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from asflown import files, url
from asflown.errors import FileProblem, FileProblems, FormulaProblem, LegProblem, UsageError
from asflown.scenario.formula import And, Flag, Formula, Implies, Not, Or, operands_of, signals_of
from asflown.scenario.limits import problem_of_limit
from asflown.scenario.measure_formula import parse_measure_formula
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.model import Rule, Scenario
from asflown.scenario.path import PathLeg, resolve_path
from asflown.scenario.places import Key, Place, character, find, nearest
from asflown.scenario.rules import parse_rule
from asflown.scenario.signal_names import SIGNALS, leg_signal
from asflown.scenario.translate import PLACEHOLDERS, in_file_order
from asflown.scenario.vehicle_file import load_vehicle
from asflown.scenario.yaml_tree import Mapping

_PLACEHOLDER = re.compile(r"\{([a-z_]+)\}")
_GUARD_SAMPLES_M = 0.5


@dataclass(frozen=True, slots=True)
class Subject:
    """What is checked: a valid scenario, its tree, and the folder its own paths are relative to."""

    scenario: Scenario
    root: Mapping
    folder: Path

    def problem(self, keys: tuple[Key, ...], problem: str, remedy: str) -> FileProblem:
        """A problem at the place of `keys`."""
        return FileProblem(self.place(keys).where, problem, remedy)

    def place(self, keys: tuple[Key, ...]) -> Place:
        """The place of `keys`, or the nearest there is."""
        return find(self.root, keys)


def check(subject: Subject) -> tuple[FileProblem, ...]:
    """All problems, in the order of the file."""
    return in_file_order([problem for look in _CHECKS for problem in look(subject)])


def _programs(subject: Subject) -> Iterator[tuple[tuple[Key, ...], tuple[str, ...]]]:
    yield ("script", "run"), subject.scenario.script.run
    for index, command in enumerate(subject.scenario.script.beside):
        yield ("script", "beside", index), command


def _script_exists(subject: Subject) -> Iterator[FileProblem]:
    for keys, command in _programs(subject):
        for index, argument in enumerate(command):
            is_file = argument.endswith(".py") or (index == 0 and "/" in argument)
            if "{" in argument or not is_file or files.is_file(subject.folder / argument):
                continue
            yield subject.problem(
                (*keys, index), f"there is no file `{argument}`", _near_file(subject, argument)
            )


def _near_file(subject: Subject, argument: str) -> str:
    wanted = Path(argument)
    folder = subject.folder / wanted.parent
    names = [name for name in files.names_in(folder) if files.is_file(folder / name)]
    near = nearest(wanted.name, names)
    if near is not None:
        return f"Did you mean `{wanted.parent / near}`?"
    return "Paths are relative to the folder of the scenario file"


def _placeholders(subject: Subject) -> Iterator[FileProblem]:
    misspelt = list(_misspelt_placeholders(subject))
    yield from misspelt
    script = subject.scenario.script
    told = {
        name
        for _, command in _programs(subject)
        for argument in command
        for name in _placeholders_in(argument)
    }
    if (
        script.listens is None
        and script.dials is None
        and not misspelt
        and not told & {"link", "host", "port"}
    ):
        yield subject.problem(
            ("script", "run"),
            "nothing tells the script where its vehicle is",
            'Add "{link}" to `run`, or name the script\'s own port with `listens` or `dials`',
        )


def _misspelt_placeholders(subject: Subject) -> Iterator[FileProblem]:
    for keys, command in _programs(subject):
        for index, argument in enumerate(command):
            for name in _placeholders_in(argument):
                near = None if name in PLACEHOLDERS else nearest(name, PLACEHOLDERS)
                if near is not None:
                    remedy = f"Did you mean `{{{near}}}`?"
                    yield subject.problem((*keys, index), f"`{{{name}}}` is not filled in", remedy)


def _placeholders_in(argument: str) -> list[str]:
    return _PLACEHOLDER.findall(argument)


def _script_port(subject: Subject) -> Iterator[FileProblem]:
    script = subject.scenario.script
    given = [name for name in ("link", "listens", "dials") if name in script.model_fields_set]
    if len(given) > 1:
        words = f"{' and '.join(f'`{name}`' for name in given)} exclude each other"
        yield subject.problem(("script", given[-1]), words, "Keep one")
    for name, kinds in (("listens", ("udp-listen", "tcp-listen")), ("dials", ("udp", "tcp"))):
        written = getattr(script, name)
        if written is None:
            continue
        try:
            kind = url.parse(written).kind
        except UsageError as problem:
            yield subject.problem(("script", name), problem.problem, problem.remedy)
            continue
        if kind not in kinds:
            remedy = f"Use {' or '.join(f'{kind}://' for kind in kinds)}"
            yield subject.problem(("script", name), f"`{name}: {written}` is of the wrong kind", remedy)


def _path(subject: Subject) -> Iterator[FileProblem]:
    try:
        legs = _legs(subject)
    except LegProblem as problem:
        yield subject.problem(("expect", "path", "legs", problem.leg - 1), problem.problem, problem.remedy)
        return
    yield from _within_the_guard(subject, legs)


def _within_the_guard(subject: Subject, legs: tuple[PathLeg, ...]) -> Iterator[FileProblem]:
    """The first leg that the guard would not allow, for each of its limits."""
    guard = subject.scenario.guard
    reached = [(leg, *_farthest(leg)) for leg in legs]
    for leg, height_m, _ in reached:
        if guard.height_m is not None and height_m > guard.height_m:
            words = f"{leg.name} is above the guard's height of {guard.height_m:g} m"
            yield subject.problem(_keys_of(leg), words, "Raise `guard.height`, or fly lower")
            break
    for leg, _, distance_m in reached:
        if guard.distance_m is not None and distance_m > guard.distance_m:
            words = f"{leg.name} is beyond the guard's distance of {guard.distance_m:g} m"
            yield subject.problem(_keys_of(leg), words, "Raise `guard.distance`, or stay nearer")
            break


def _keys_of(leg: PathLeg) -> tuple[Key, ...]:
    return "expect", "path", "legs", leg.index - 1


def _legs(subject: Subject) -> tuple[PathLeg, ...]:
    expected = subject.scenario.expect.path
    return () if expected is None else resolve_path(expected, subject.scenario.start.home)


def _farthest(leg: PathLeg) -> tuple[float, float]:
    """The greatest height and horizontal distance from the start point that the leg reaches."""
    points = leg.points(_GUARD_SAMPLES_M if leg.kind == "arc" else max(leg.length_m(), _GUARD_SAMPLES_M))
    return float(points[:, 2].max()), float((points[:, 0] ** 2 + points[:, 1] ** 2).max() ** 0.5)


def _measures(subject: Subject) -> Iterator[FileProblem]:
    has = _what_the_path_has(subject)
    for name, limit in subject.scenario.expect.measures.items():
        told = problem_of_limit(limit)
        if told is not None:
            yield subject.problem(("expect", "measures", name), *told)
        if limit.formula is not None:
            place = subject.place(("expect", "measures", name, "formula"))
            yield from _spoken_of(subject, place, parse_measure_formula(limit.formula).signals())
            continue
        needs = MEASURES[name].needs
        if needs not in has:
            words = "an expected path" if needs == "path" else f"a leg with `{needs}` in the expected path"
            yield subject.problem(("expect", "measures", name), f"`{name}` needs {words}", "Add it to `path`")


def _what_the_path_has(subject: Subject) -> set[str]:
    expected = subject.scenario.expect.path
    if expected is None:
        return {"nothing"}
    parts = [part for leg in expected.legs for part in (leg.line, leg.arc, leg.return_) if part is not None]
    kinds = {kind for leg in expected.legs for kind in ("hold", "land") if getattr(leg, kind) is not None}
    speeds = {"speed" for part in parts if part.speed_m_s is not None}
    return {"nothing", "path"} | kinds | speeds


def _rules(subject: Subject) -> Iterator[FileProblem]:
    names: list[str] = []
    for index, rule in enumerate(subject.scenario.expect.rules):
        keys = ("expect", "rules", index)
        if rule.name in names:
            yield subject.problem((*keys, "name"), f"two rules are called `{rule.name}`", "Rename one")
        names.append(rule.name)
        yield from _rule(subject, keys, rule)


def _rule(subject: Subject, keys: tuple[Key, ...], rule: Rule) -> Iterator[FileProblem]:
    form = "always" if rule.always is not None else "formula"
    both_or_none = (rule.always is None) == (rule.formula is None)
    place = subject.place(keys if both_or_none else (*keys, form))
    try:
        formula = parse_rule(rule)
    except FormulaProblem as problem:
        yield FileProblem(character(place, problem.offset), problem.problem, problem.remedy)
        return
    yield from _spoken_of(subject, place, signals_of(formula))
    for flag in _looked_at_once(formula):
        words = f"`{flag}` outside `always` is looked at only at arming, when it says nothing"
        yield FileProblem(place.where, words, "Write `always (...)` around the rule, or use the key `always`")
        break


def _looked_at_once(formula: Formula) -> Iterator[str]:
    """Legs and modes that the formula speaks of at its first moment alone."""
    match formula:
        case Flag():
            yield from [formula.signal] if formula.signal not in SIGNALS else []
        case Not() | And() | Or() | Implies():
            for operand in operands_of(formula):
                yield from _looked_at_once(operand)


def _spoken_of(subject: Subject, place: Place, spoken_of: tuple[str, ...]) -> Iterator[FileProblem]:
    """Signals that only an expected path gives."""
    path = subject.scenario.expect.path
    if "cross_track" in spoken_of and path is None:
        yield FileProblem(place.where, "`cross_track` needs an expected path", "Add `path`")
    legs = {leg_signal(number + 1) for number in range(0 if path is None else len(path.legs))}
    for name in spoken_of:
        if name.startswith(leg_signal(0)[:-1]) and name not in legs:
            yield FileProblem(place.where, f"the expected path has no {name}", f"It has {len(legs)} legs")


def _vehicle(subject: Subject) -> Iterator[FileProblem]:
    name = subject.scenario.vehicle
    if name is None:
        return
    try:
        load_vehicle(name, subject.folder)
    except FileProblems as several:
        yield from several.problems
    except FileProblem as problem:
        yield problem
    except UsageError as problem:
        yield subject.problem(("vehicle",), problem.problem, problem.remedy)


def _seeds(subject: Subject) -> Iterator[FileProblem]:
    repeat = subject.scenario.repeat
    if repeat.seeds and len(repeat.seeds) != repeat.flights:
        words = f"{repeat.flights} flights have {len(repeat.seeds)} seeds"
        yield subject.problem(
            ("repeat", "seeds"), words, "Give each flight a seed, or leave one of the two out"
        )
    for index, seed in enumerate(repeat.seeds):
        if seed in repeat.seeds[:index]:
            words = f"seed {seed} is given twice"
            yield subject.problem(
                ("repeat", "seeds", index), words, "Equal seeds fly the same flight: change one"
            )


_CHECKS: tuple[Callable[[Subject], Iterator[FileProblem]], ...] = (
    _script_exists,
    _placeholders,
    _script_port,
    _path,
    _measures,
    _rules,
    _vehicle,
    _seeds,
)
