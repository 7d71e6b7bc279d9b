"""Looks for conditions under which a script fails, within the ranges of a campaign, and makes them simple.

The search makes the smallest of all margins small (`campaign/optimise.py` says where to look). All flights have one
seed, so what is found fails again, bit by bit. Conditions by words are coordinates, too: each word has its share of the
range.

What comes at a time of its own, such as a fault or a gust, does most harm where a flight is close to a limit anyway. So
the search is told the seconds before each margin was at its smallest, in the flight that came closest to failing: to
meet that time by chance would take most of the flights.

Shrinking takes conditions away one by one, then moves numbers half-way, and half-way again, to what the scenario has
by itself, as long as the flight still fails: what is left is what it takes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from asflown.campaign.campaign import campaign_of
from asflown.campaign.flying import Outcome
from asflown.campaign.optimise import Hints, Way, chooser, together
from asflown.campaign.plan import number_of, share_at, values_at
from asflown.scenario.campaign import Campaign, Choice
from asflown.scenario.file import LoadedScenario
from asflown.scenario.yaml_tree import Scalar

Evaluate = Callable[[dict[str, str]], Outcome]
"""Flies once with these values."""

_HALVINGS = 4
_ROUNDS = 3
"""How often all that passed one step gentler is flown again, beside what the others have become."""
_TIMES, _BEFORE_S = ".at", 8.0
"""What the key of a time ends in, at which something comes; so long before a moment it may have come to matter then."""
_BEST = 1.0
"""A margin above it says no more than this."""


@dataclass(frozen=True, slots=True)
class Try:
    """One flight of a search."""

    given: dict[str, str]
    outcome: Outcome

    @property
    def fails(self) -> bool:
        """Whether the script failed; a flight that could not be flown is no failure of the script."""
        return self.outcome.verdict == "fail"


@dataclass(slots=True)
class Search:
    """What was tried, and what was found."""

    tries: list[Try] = field(default_factory=list)
    failing: Try | None = None
    """The first that fails."""
    simplest: Try | None = None
    """What is left of it, and still fails."""
    gentler: list[Try] = field(default_factory=list)
    """`simplest`, one step gentler in one condition each: these pass."""


def search(campaign: Campaign, evaluate: Evaluate, flights: int, way: Way = "model") -> Search:
    """Flies until a flight fails, at most `flights` times; then makes the failure simple with further flights."""
    found = Search()
    by = chooser(way, len(campaign.vary), campaign.seed)
    while len(found.tries) < flights and found.failing is None:
        given = values_at(campaign, by.next(_close_calls(found, campaign)))
        one = Try(given, evaluate(given))
        found.tries.append(one)
        by.learn(_capped(one.outcome))
        if one.fails:
            found.failing = one
    return found


def nominal_of(loaded: LoadedScenario) -> dict[str, str | None]:
    """What the scenario has by itself of all that its campaign varies; None where it says nothing."""
    nodes = {key: loaded.node(*key.split(".")) for key in campaign_of(loaded).vary}
    return {key: node.raw if isinstance(node, Scalar) else None for key, node in nodes.items()}


def shrink(found: Search, campaign: Campaign, nominal: dict[str, str | None], evaluate: Evaluate) -> None:
    """Fills `simplest` and `gentler` with further flights where a flight failed; `nominal` as `nominal_of` has it."""
    if found.failing is None:
        return
    best = found.failing
    for key in list(best.given):
        best = _without(best, key, evaluate, found)
    rests = {key: _rest_of(campaign, key, nominal) for key in best.given}
    passing: dict[str, str] = {}
    for key, rest in rests.items():
        best, passing[key] = _nearer(best, key, rest, evaluate, found)
    for _ in range(_ROUNDS):
        before = best
        for key, text in passing.items():  # found to pass beside others that may have been rougher then
            one = _flown(best.given | {key: text}, evaluate, found)
            if one.fails:
                best, passing[key] = _nearer(one, key, rests[key], evaluate, found)
        if best is before:
            break
    found.simplest = best
    steps = [best.given | {key: text} for key, text in passing.items() if text != best.given[key]]
    found.gentler = [one for one in found.tries if not one.fails and one.given in steps]


def _capped(outcome: Outcome) -> dict[str, float]:
    """Its margins; none of a flight that could not be flown."""
    return {name: min(margin, _BEST) for name, margin in outcome.margins.items()}


def _close_calls(found: Search, campaign: Campaign) -> Hints:
    """By margin: the times before it was at its smallest in the closest call so far."""
    closest = min((one.outcome for one in found.tries), key=lambda one: together(_capped(one)), default=None)
    return (
        {} if closest is None else {name: _before(at_s, campaign) for name, at_s in closest.moments.items()}
    )


def _before(moment_s: float, campaign: Campaign) -> dict[int, tuple[float, float]]:
    """Where the coordinates of times have those before a moment."""
    within = {}
    for place, (key, distribution) in enumerate(campaign.vary.items()):
        begin, end = (share_at(distribution, at_s) for at_s in (moment_s - _BEFORE_S, moment_s))
        if key.endswith(_TIMES) and begin is not None and end is not None:
            within[place] = begin, end
    return within


def _flown(given: dict[str, str], evaluate: Evaluate, found: Search) -> Try:
    """The flight with these values; not flown again where it was."""
    for one in found.tries:
        if one.given == given:
            return one
    found.tries.append(Try(given, evaluate(given)))
    return found.tries[-1]


def _without(best: Try, key: str, evaluate: Evaluate, found: Search) -> Try:
    """Without one condition, if it fails all the same."""
    given = {name: text for name, text in best.given.items() if name != key}
    one = _flown(given, evaluate, found)
    return one if one.fails else best


def _nearer(best: Try, key: str, rest: float | None, evaluate: Evaluate, found: Search) -> tuple[Try, str]:
    """Half-way to `rest`, and again, while it fails; and what passes in the end, itself where nothing is nearer."""
    value, unit = number_of(best.given[key]), best.given[key].partition(" ")[2]
    if value is None or rest is None:
        return best, best.given[key]
    passes = rest
    for _ in range(_HALVINGS):
        middle = (value + passes) / 2
        one = _flown(best.given | {key: _text(middle, unit)}, evaluate, found)
        if one.fails:
            best, value = one, middle
        else:
            passes = middle
    return best, _text(passes, unit)


def _text(value: float, unit: str) -> str:
    return f"{value:.6g} {unit}".rstrip()


def _rest_of(campaign: Campaign, key: str, nominal: dict[str, str | None]) -> float | None:
    """The number that a condition has without the campaign: the scenario's own, or the end that is nearest to 0."""
    text = nominal.get(key)
    if text is not None:
        return number_of(text)
    distribution = campaign.vary[key]
    return None if isinstance(distribution, Choice) else min(distribution.ends, key=abs)
