"""Which of many changes are responsible: delta debugging down to a set of which none can be left out.

The algorithm is ddmin (A. Zeller, R. Hildebrandt, Simplifying and isolating failure-inducing input, IEEE Transactions
on Software Engineering 28, 2002); its tests are sequential, because flights are noisy. The k-th question may be wrong
with chance error / (k (k + 1)), which adds up to `error` however many there are.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from asflown.change.bisect_questions import Ask, Asker, Rates, Step
from asflown.errors import UsageError

NOTHING = "none of the changes"


@dataclass(frozen=True, slots=True)
class Responsible:
    """The answer: changes that together are bad, and without any one of which all is good."""

    changes: tuple[str, ...]
    """In the order given; empty where the search could not begin."""
    problem: str
    """Why it could not: all changes together are good, or none of them is bad already; else empty."""
    steps: tuple[Step, ...]
    flights: int
    confidence: float


Bad = Generator[Ask, bool, bool]


def responsible(
    changes: Sequence[str], rates: Rates, first_seed: int = 1
) -> Generator[Ask, bool, Responsible]:
    """Searches `changes`. A candidate is named by its changes, see `name_of`. Raises UsageError for none at all."""
    if not changes or len(set(changes)) < len(changes):
        raise UsageError("there are no changes to search, or one is named twice", "Name what differs")
    tests = _Tests(tuple(changes), Asker(rates, first_seed))
    if not (yield from tests.are_bad(tests.changes)):
        return tests.answer((), "all changes together are good")
    if (yield from tests.are_bad(())):
        return tests.answer((), "it is bad without any of the changes")
    found = yield from _minimal(tests)
    return tests.answer(found, "")


def name_of(changes: Sequence[str]) -> str:
    """How the candidate with these changes is called: their names, joined by ` + `."""
    return " + ".join(changes) if changes else NOTHING


def changes_of(candidate: str) -> tuple[str, ...]:
    """The changes of a candidate, from its name."""
    return () if candidate == NOTHING else tuple(candidate.split(" + "))


class _Tests:
    """Asks about sets of changes, each set once."""

    def __init__(self, changes: tuple[str, ...], asker: Asker) -> None:
        self.changes = changes
        self._asker = asker
        self._known: dict[tuple[str, ...], bool] = {}

    def are_bad(self, some: Sequence[str]) -> Bad:
        """Whether these changes alone are bad."""
        key = tuple(some)
        if key not in self._known:
            number = len(self._asker.steps) + 1
            error = self._asker.rates.error / (number * (number + 1))
            what = name_of(key) if len(key) <= 3 else f"{len(key)} of {len(self.changes)} changes"
            self._known[key] = yield from self._asker.is_bad(name_of(key), error, f"bad with {what}?")
        return self._known[key]

    def answer(self, found: tuple[str, ...], problem: str) -> Responsible:
        """What is told at the end."""
        asker = self._asker
        return Responsible(found, problem, tuple(asker.steps), asker.flights, 1 - asker.risk)


def _minimal(tests: _Tests) -> Generator[Ask, bool, tuple[str, ...]]:
    """ddmin: parts first, then what is left without each part, then finer parts."""
    kept, parts = tests.changes, 2
    while len(kept) > 1:
        split = _split(kept, parts)
        smaller = yield from _first_bad_of(tests, split)
        if smaller is not None:
            kept, parts = smaller, 2
            continue
        rests = [tuple(one for one in kept if one not in part) for part in split] if parts > 2 else []
        rest = yield from _first_bad_of(tests, rests)
        if rest is not None:
            kept, parts = rest, max(parts - 1, 2)
        elif parts < len(kept):
            parts = min(len(kept), 2 * parts)
        else:
            break
    return kept


def _first_bad_of(
    tests: _Tests, sets: Sequence[tuple[str, ...]]
) -> Generator[Ask, bool, tuple[str, ...] | None]:
    for some in sets:
        if (yield from tests.are_bad(some)):
            return some
    return None


def _split(changes: tuple[str, ...], parts: int) -> list[tuple[str, ...]]:
    """Into nearly equal parts, in order; none is empty."""
    edges = [round(number * len(changes) / parts) for number in range(parts + 1)]
    return [changes[a:b] for a, b in pairwise(edges) if b > a]
