"""Puts findings in order of cause: what came first, and what followed from it.

Twins decide by themselves: what parted them comes first, whatever else they were given. Without twins, what was given
and is seen in the captures comes before what is only seen, and that before what was only given. Effects (the vehicle
flew differently, timing) always follow causes. Other clocks come before what is only seen: wall time has delays of
its own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from asflown.change import words
from asflown.change.findings import Cause, Confidence, Finding, MeasureChange
from asflown.change.judge import Difference
from asflown.change.measure_change import told
from asflown.change.response import Apart
from asflown.change.samples import Sample
from asflown.change.twins import Origin, Parting
from asflown.change.uplink_change import Decided
from asflown.change.verdicts import VerdictChange
from asflown.change.words import count, listing, quantity

_GIVEN_ORDER = (
    Cause.SCRIPT, Cause.CONDITIONS, Cause.LINK, Cause.PARAMETERS, Cause.FIRMWARE, Cause.CRAFT, Cause.CLOCK,
    Cause.MACHINE,
)  # fmt: skip
_OF_VEHICLE = frozenset({Cause.CONDITIONS, Cause.PARAMETERS, Cause.FIRMWARE, Cause.CRAFT})
"""Causes that show first in what the vehicle reports."""
_FIRST_BY_ORIGIN: dict[Origin, frozenset[Cause]] = {
    "script": frozenset({Cause.SCRIPT}),
    "script timing": frozenset({Cause.SCRIPT}),
    "link": frozenset({Cause.LINK}),
    "vehicle": _OF_VEHICLE,
}


@dataclass(frozen=True, slots=True)
class Clues:
    """All that is known of a comparison."""

    given: tuple[Finding, ...]
    partings: tuple[Parting | None, ...]
    """Where each pair of twins parts; empty without twins."""
    decided: tuple[Decided, ...]
    observed: tuple[tuple[Cause, Sample], ...]
    """What of link and surroundings changed by the captures, beyond chance."""
    measures: tuple[MeasureChange, ...]
    verdicts: VerdictChange | None
    apart: Apart | None
    parting_leg: str | None
    """The leg on which the first twins part."""
    could_find: str
    """What change would have been found."""

    @property
    def origin(self) -> Origin | None:
        """What parts most pairs of twins first."""
        origins = [one.origin for one in self.partings if one is not None]
        return Counter(origins).most_common(1)[0][0] if origins else None


def in_order_of_cause(clues: Clues) -> list[Finding]:
    """All findings, the likeliest cause first; never empty."""
    roots = sorted(_roots(clues), key=lambda found: -found[0])
    effects = list(_effects(clues))
    found = [finding for _, finding in roots] + effects
    seen = effects or any(one.seen != "given" for one in found)
    if not seen:
        found.append(Finding(Cause.NOTHING, _nothing(clues, given=bool(found)), "observed", "weak"))
    return found


def _nothing(clues: Clues, *, given: bool) -> str:
    start = "no effect of that was seen" if given else "the captures show none beyond chance"
    return f"{start}; {clues.could_find}" if clues.could_find else start


def _roots(clues: Clues) -> Iterator[tuple[float, Finding]]:
    """Each cause with its weight."""
    by_cause: dict[Cause, list[Finding]] = {}
    for one in clues.given:
        by_cause.setdefault(one.cause, []).append(one)
    for cause, seen in (_script(clues), *_surroundings(clues)):
        if seen is not None:
            by_cause.setdefault(cause, []).append(seen)
    for cause, found in by_cause.items():
        merged = _first_seen(clues, _merged(found))
        yield _weight(clues, merged) - 0.1 * _GIVEN_ORDER.index(cause), merged


def _first_seen(clues: Clues, one: Finding) -> Finding:
    """What was given and shows first in the vehicle's reports, with the moment at which twins part by it."""
    if clues.origin != "vehicle" or one.cause not in _OF_VEHICLE or one.seen == "observed":
        return one
    parted = _parted(clues, one.cause, [part for part in clues.partings if part is not None])
    because = "; ".join(text for text in (one.because, f"{parted.says} ({parted.because})") if text)
    return replace(one, seen="given and observed", because=because, at_s=parted.at_s, leg=parted.leg)


def _merged(found: Sequence[Finding]) -> Finding:
    """What was given and what was seen of one cause, in one finding."""
    given = [one for one in found if one.seen == "given"]
    seen = [one for one in found if one.seen != "given"]
    first = (seen or given)[0]
    says = "; ".join(dict.fromkeys(one.says for one in (*given, *seen)))
    because = "; ".join(dict.fromkeys(one.because for one in (*given, *seen) if one.because))
    sure: Confidence = "certain" if given else first.confidence
    size = next((one.size for one in (*given, *seen) if one.size), "")
    both = replace(first, says=says, because=because, size=size, confidence=sure)
    return replace(both, seen="given and observed") if given and seen else both


def _weight(clues: Clues, one: Finding) -> float:
    if clues.origin is not None:
        first = one.cause in _FIRST_BY_ORIGIN[clues.origin]
        return 100.0 if first and (one.seen != "observed" or one.cause not in _OF_VEHICLE) else 10.0
    if one.cause is Cause.MACHINE:
        return 1.0
    if one.cause is Cause.CLOCK:
        return 40.0  # wall time brings delays of its own
    return {"given and observed": 50.0, "observed": 30.0, "given": 20.0}[one.seen]


def _script(clues: Clues) -> tuple[Cause, Finding | None]:
    """What of the uplink says that the script decided differently."""
    origin, partings = clues.origin, [one for one in clues.partings if one is not None]
    was_edited = any(one.cause is Cause.SCRIPT for one in clues.given)
    if origin in {"script", "script timing"} and (origin == "script" or was_edited):
        return Cause.SCRIPT, _parted(clues, Cause.SCRIPT, partings)
    if origin is not None:
        return Cause.SCRIPT, None  # it was told other things before it did anything else
    decided = [one for one in clues.decided if was_edited or not one.timing]
    if not decided:
        return Cause.SCRIPT, None
    first = decided[0]
    says = listing([one.says for one in decided], 2)
    sure: Confidence = "strong" if first.sure else "weak"
    return Cause.SCRIPT, Finding(Cause.SCRIPT, says, "observed", sure, first.because, first.at_s)


def _parted(clues: Clues, cause: Cause, partings: Sequence[Parting]) -> Finding:
    """A finding of what parted most twins."""
    those = [one for one in partings if one.origin == clues.origin]
    first = those[0]
    because = f"first to differ in {len(those)} of {count(len(clues.partings), 'pair')} of twins"
    if cause is Cause.SCRIPT:
        because += (
            f", after {count(first.heard_equal, 'message')} from the vehicle that were equal to the byte"
        )
    return Finding(cause, first.says, "observed", "certain", because, first.at_s, clues.parting_leg)


def _surroundings(clues: Clues) -> Iterator[tuple[Cause, Finding | None]]:
    partings = [one for one in clues.partings if one is not None]
    if clues.origin == "link":
        yield Cause.LINK, _parted(clues, Cause.LINK, partings)
    for cause in (Cause.LINK, Cause.CONDITIONS):
        found = [sample for about, sample in clues.observed if about is cause]
        if found:
            says = listing([_sample(one) for one in found], 2)
            difference = found[0].difference
            yield (
                cause,
                Finding(cause, says, "observed", "strong", _because(difference), size=_size(found[0])),
            )


def _because(difference: Difference | None) -> str:
    if difference is None:
        return "each side's own interval lies apart from the other's"
    return f"p = {difference.p_changed():.2g}, screened by Holm's method"


def _sample(one: Sample) -> str:
    mean_a, mean_b = one.means()
    return f"{one.name} {quantity(mean_a, one.unit)} in A and {quantity(mean_b, one.unit)} in B"


def _size(one: Sample) -> str:
    mean_a, mean_b = one.means()
    return quantity(mean_b - mean_a, one.unit, signed=True)


def _effects(clues: Clues) -> Iterator[Finding]:
    changed = [one for one in clues.measures if one.word.startswith("changed")]
    vehicle = [one for one in clues.partings if one is not None and one.origin == "vehicle"]
    where = "" if clues.apart is None else clues.apart.says()
    at_s = None if clues.apart is None else clues.apart.at_s
    leg = None if clues.apart is None else clues.apart.leg
    if changed or clues.verdicts is not None:
        moved = [listing([told(one) for one in changed], 3)] if changed else []
        if clues.verdicts is not None:
            moved.insert(0, clues.verdicts.says)
        says = "; ".join([*moved, *([where] if where else [])])
        size = quantity(changed[0].difference or 0.0, changed[0].unit, signed=True) if changed else ""
        sure: Confidence = "certain" if clues.verdicts is not None and clues.verdicts.certain else "strong"
        because = (
            _how_sure(changed[0]) if changed else "" if clues.verdicts is None else clues.verdicts.because
        )
        yield Finding(Cause.VEHICLE, says, "observed", sure, because, at_s, leg, size)
    elif clues.apart is not None and (clues.partings or not clues.measures):
        yield Finding(
            Cause.VEHICLE, where, "observed", "certain" if clues.partings else "weak", "", at_s, leg
        )
    elif vehicle and clues.origin == "vehicle":
        yield _parted(clues, Cause.VEHICLE, vehicle)
    timing = [one for one in clues.decided if one.timing]
    if clues.origin == "script timing" or (timing and not clues.partings):
        says = timing[0].says if timing else next(one.says for one in clues.partings if one is not None)
        yield Finding(Cause.TIMING, says, "observed", "strong", timing[0].because if timing else "")


def _how_sure(change: MeasureChange) -> str:
    if change.p_changed is None or change.interval is None:
        return change.says
    shown = words.change(change.difference or 0.0, change.interval, change.unit)
    return f"{change.name} {shown}, p = {change.p_changed:.2g}"
