"""What the flights of two sets were given that differs: by their manifests, without a look at what was flown.

An entry that one manifest does not have was not recorded by the version that wrote it, and is no difference. What is
drawn anew for each flight counts only where flights of equal seeds were given different values.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from asflown.change.findings import Cause, Finding
from asflown.change.sets import FlightSet
from asflown.change.words import listing, named
from asflown.record.manifest import Manifest

_LINK = ("radio",)
"""Entries of the conditions that are about the link."""
_SHOWN = 4
_PORT = re.compile(r"(?<=[:.])\d{4,5}(?!\d)|(?<=/dev/pts/)\d+|^\d{4,5}$")

Entries = dict[str, Any]


def given_differences(a: FlightSet, b: FlightSet) -> list[Finding]:
    """One finding for each part of what was given that differs."""
    found = [*_script(a, b), *_conditions(a, b), *_parameters(a, b), *_firmware(a, b), *_craft(a, b)]
    return [*found, *_clock(a, b), *_machine(a, b)]


def _finding(cause: Cause, says: str, size: str = "", because: str = "by the manifests") -> Finding:
    return Finding(cause, says, "given", "certain", because, size=size)


def flatten(tree: Any, name: str = "") -> Entries:
    """The leaves of a tree of mappings, by their path; lists are leaves."""
    if not isinstance(tree, dict) or not tree:
        return {name: tree}
    return {
        path: leaf
        for key, branch in tree.items()
        for path, leaf in flatten(branch, f"{name}.{key}" if name else str(key)).items()
    }


def unequal(a: FlightSet, b: FlightSet, entries: Callable[[Manifest], Entries]) -> dict[str, tuple[Any, Any]]:
    """The entries that differ between A and B, with a value of each side, by name."""
    of_a, of_b = [entries(one.manifest) for one in a], [entries(one.manifest) for one in b]
    by_seed = {one.manifest.seed: entry for one, entry in zip(b, of_b, strict=True)}
    twins = [(x, by_seed[s]) for s, x in zip(a.seeds, of_a, strict=True) if s in by_seed]
    found: dict[str, tuple[Any, Any]] = {}
    for name in of_a[0]:
        values_a, values_b = ([one[name] for one in side if name in one] for side in (of_a, of_b))
        if not values_b:
            continue
        differing = [(x[name], y[name]) for x, y in twins if name in x and name in y and x[name] != y[name]]
        if differing:
            found[name] = differing[0]
        elif not twins and _all_equal(values_a) and _all_equal(values_b) and values_a[0] != values_b[0]:
            found[name] = (values_a[0], values_b[0])
    return found


def _all_equal(values: list[Any]) -> bool:
    return all(value == values[0] for value in values)


def _sizes(differing: dict[str, tuple[Any, Any]]) -> list[str]:
    """`wind speed 2.00 m/s to 4.00 m/s` for each entry."""
    return [
        f"{named(name, one)[0]} {named(name, one)[1]} to {named(name, other)[1]}"
        for name, (one, other) in differing.items()
    ]


def _distinct(side: FlightSet, of: Callable[[Manifest], Any]) -> set[Any]:
    return {of(one.manifest) for one in side}


def _script(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    hashes = [_distinct(side, lambda one: one.script_sha256) for side in (a, b)]
    if hashes[0] != hashes[1]:
        yield _finding(Cause.SCRIPT, "the script's folder was edited", because=_commits(a, b))
    arguments = [_distinct(side, _arguments) for side in (a, b)]
    if arguments[0] != arguments[1]:
        shown = [" ".join(next(iter(sorted(side)))) or "nothing" for side in arguments]
        yield _finding(Cause.SCRIPT, f"the script was started with `{shown[0]}` and with `{shown[1]}`")


def _arguments(manifest: Manifest) -> tuple[str, ...]:
    """The command without its interpreter, and without the port or terminal that each flight has for itself."""
    return tuple(_PORT.sub("", part) for part in manifest.script.command[1:])


def _commits(a: FlightSet, b: FlightSet) -> str:
    """Which revisions of the repository the two sides come from, as far as that is known."""
    sides = []
    for side in (a, b):
        git = side.flights[-1].manifest.git
        changed = " with changes" if git.get("changed") == "yes" else ""
        sides.append(f"{git['commit'][:9]}{changed}" if git.get("commit") else "no repository")
    if sides[0] == sides[1]:
        return f"by the hash of its folder (both at {sides[0]})"
    return f"by the hash of its folder ({sides[0]} and {sides[1]})"


def _conditions(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    differing = unequal(a, b, lambda one: flatten(one.conditions))
    link = {name: values for name, values in differing.items() if name in _LINK}
    rest = {name: values for name, values in differing.items() if name not in _LINK}
    rest |= {f"start.{k}": v for k, v in unequal(a, b, lambda one: flatten(one.start)).items()}
    if rest:
        sizes = _sizes(rest)
        yield _finding(Cause.CONDITIONS, f"they were given {listing(sizes, _SHOWN)}", size=sizes[0])
    if link:
        sizes = _sizes(link)
        yield _finding(Cause.LINK, f"they were given {listing(sizes, _SHOWN)}", size=sizes[0])


def _parameters(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    differing = unequal(a, b, lambda one: dict(one.vehicle.parameters))
    if differing:
        sizes = [f"{name} {one:.6g} to {other:.6g}" for name, (one, other) in differing.items()]
        yield _finding(Cause.PARAMETERS, f"parameters were {listing(sizes, _SHOWN)}", size=sizes[0])
        return
    hashes = [_distinct(side, lambda one: one.vehicle.parameters_sha256) - {None} for side in (a, b)]
    if hashes[0] and hashes[1] and hashes[0] != hashes[1] and not _by_version(a, b):
        yield _finding(
            Cause.PARAMETERS, "some parameters differ; which is not recorded", because="by their hash"
        )


def _by_version(a: FlightSet, b: FlightSet) -> bool:
    """Whether another release may have other parameters for that reason alone."""
    return a.kind.release != b.kind.release


def _firmware(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    names = [side.kind.release or "unknown" for side in (a, b)]
    facts = unequal(a, b, lambda one: flatten(one.vehicle.facts))
    if names[0] != names[1]:
        yield _finding(
            Cause.FIRMWARE, f"A flew release {names[0]}, B flew {names[1]}", f"{names[0]} to {names[1]}"
        )
    elif facts:
        sizes = _sizes(facts)
        yield _finding(Cause.FIRMWARE, f"the vehicle says of itself {listing(sizes, _SHOWN)}", sizes[0])


def _craft(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    sides = [f"{side.kind.vehicle} ({side.flights[0].manifest.vehicle.kind})" for side in (a, b)]
    if sides[0] != sides[1]:
        yield _finding(Cause.CRAFT, f"A was flown by {sides[0]}, B by {sides[1]}")


def _clock(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    if a.kind.clock != b.kind.clock:
        reasons = (one.manifest.clock.reason for side in (a, b) for one in side)
        why = next((f": {reason}" for reason in reasons if reason), "")
        yield _finding(
            Cause.CLOCK, f"A flew {a.kind.clock}, B {b.kind.clock}{why}", f"{a.kind.clock} to {b.kind.clock}"
        )


def _machine(a: FlightSet, b: FlightSet) -> Iterator[Finding]:
    versions = unequal(a, b, lambda one: dict(one.versions))
    if versions:
        yield _finding(Cause.MACHINE, f"versions were {listing(_sizes(versions), _SHOWN)}")
    prints = [_distinct(side, lambda one: one.clock.fingerprint) for side in (a, b)]
    if prints[0] != prints[1] and a.kind.clock == b.kind.clock == "lockstep":
        yield _finding(
            Cause.MACHINE, "they were computed on machines that differ in last bits", because="by fingerprint"
        )
