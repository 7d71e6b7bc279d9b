"""What a proposal changes in a baseline, put in the order in which a reviewer wants it: tolerances first.

The file's own text difference, as git shows it, stays the full story; this is its summary.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from math import dist

from asflown.change.baseline_judge import is_wider, limit_text
from asflown.change.baseline_model import Baseline, MeasureBaseline, baseline_text, places_for


@dataclass(frozen=True, slots=True)
class MeasureShift:
    """One measure before and after; None where it is new or gone."""

    name: str
    unit: str
    before: float | None
    after: float | None
    deviations: float | None
    """How far its mean moved in standard deviations of one flight before; None where it had no spread."""
    places: int


@dataclass(frozen=True, slots=True)
class BaselineDiff:
    """From one baseline to the one that would replace it."""

    wider: tuple[str, ...]
    """Names of what demands less: measures, `rule: NAME`, `judge`."""
    wider_says: tuple[str, ...]
    """The same in plain words, in the same order."""
    others: tuple[str, ...]
    """Inputs, seeds, stricter limits, path, in plain words."""
    measures: tuple[MeasureShift, ...]

    @property
    def is_empty(self) -> bool:
        """Nothing at all differs."""
        still = all(one.before == one.after for one in self.measures)
        return still and not self.wider and not self.others


def diff_baselines(before: Baseline, after: Baseline) -> BaselineDiff:
    """What `after` changes."""
    wider = list(_wider(before, after))
    names = sorted({*before.measures, *after.measures})
    return BaselineDiff(
        tuple(name for name, _ in wider),
        tuple(says for _, says in wider),
        tuple(_others(before, after)),
        tuple(_shift(name, before.measures.get(name), after.measures.get(name)) for name in names),
    )


def text_diff(before: Baseline | None, after: Baseline | None, name: str) -> str:
    """The unified difference of the files, as a pull request shows it."""
    old, new = (
        [] if one is None else baseline_text(one).splitlines(keepends=True) for one in (before, after)
    )
    return "".join(difflib.unified_diff(old, new, f"a/{name}", f"b/{name}"))


def _wider(before: Baseline, after: Baseline) -> Iterator[tuple[str, str]]:
    for name, kept in sorted(before.measures.items()):
        now = after.measures.get(name)
        if now is None:
            yield name, f"`{name}` is not checked any more"
        elif is_wider(kept.allowed, now.allowed):
            yield (
                name,
                f"`{name}` allows {limit_text(now.allowed)} {now.unit}, it was {limit_text(kept.allowed)}",
            )
    for name, rule in sorted(before.rules.items()):
        demanded = after.rules.get(name)
        if demanded is None:
            yield f"rule: {name}", f"rule `{name}` is not checked any more"
        elif demanded.formula != rule.formula:
            yield f"rule: {name}", f"rule `{name}` is {demanded.formula}, it was {rule.formula}"
    if before.judge == "every-flight" != after.judge:
        yield "judge", f"not every flight must pass any more: {after.judge}"


def _others(before: Baseline, after: Baseline) -> Iterator[str]:
    if before.release != after.release:
        yield f"release {before.release} to {after.release}"
    if before.inputs.script != after.inputs.script:
        yield "the script, or something in its folder, changed"
    if before.inputs.parameters != after.inputs.parameters:
        yield "the vehicle's parameters changed"
    if before.seeds != after.seeds:
        yield f"{len(before.seeds)} flights to {len(after.seeds)}, or other seeds"
    for name, kept in sorted(before.measures.items()):
        now = after.measures.get(name)
        if now is not None and now.allowed != kept.allowed and not is_wider(kept.allowed, now.allowed):
            yield f"`{name}` is stricter: {limit_text(now.allowed)} {now.unit}, it was {limit_text(kept.allowed)}"
    moved_m = _path_moved_m(before, after)
    if moved_m > 0:
        yield f"the mean path moved by up to {moved_m:.2f} m"


def _path_moved_m(before: Baseline, after: Baseline) -> float:
    now = {(name, one.at): one for name, places in after.path.items() for one in places}
    pairs = [(one, now.get((name, one.at))) for name, places in before.path.items() for one in places]
    apart = [
        dist((one.x, one.y, one.up), (other.x, other.y, other.up))
        for one, other in pairs
        if other is not None
    ]
    return max(apart, default=0.0)


def _shift(name: str, before: MeasureBaseline | None, after: MeasureBaseline | None) -> MeasureShift:
    known = before or after
    assert known is not None
    deviations = None
    if before is not None and after is not None and before.deviation:
        deviations = (after.mean - before.mean) / before.deviation
    return MeasureShift(
        name,
        known.unit,
        None if before is None else before.mean,
        None if after is None else after.mean,
        deviations,
        places_for(known.allowed),
    )
