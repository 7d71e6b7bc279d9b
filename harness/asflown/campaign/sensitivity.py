"""Sensitivity as a campaign: a scenario flown plain, then with script, vehicle and link disturbed by known amounts.

Every level of every disturbance is one flight of the undisturbed flight's seed, given as a campaign gives conditions,
so any executor flies it and an interrupted run goes on. What the scenario's tolerances caught is read from outcomes.
The script's mistakes of place and time are not flown but put into what was recorded (`grade/sensitivity.py`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from asflown.campaign.campaign import contents
from asflown.campaign.executor import Executor
from asflown.campaign.flying import Outcome, Task, given_in_words
from asflown.campaign.links import write_link
from asflown.campaign.plan import Drawn
from asflown.campaign.store import FLIGHTS, Store
from asflown.flight.plan import ClockChoice
from asflown.scenario.file import LoadedScenario, with_given

Part = Literal["script", "vehicle", "link"]
SENSITIVITIES = Path(".asflown") / "sensitivity"
_LINK_LOST_AT = 0.5
"""Share of the undisturbed flight after which the link is gone."""
_LINK_LOST_S = (1.0, 2.0, 4.0, 8.0, 16.0)


@dataclass(frozen=True, slots=True)
class Level:
    """One size of a disturbance, and what a scenario must be given for it."""

    size: str
    given: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One kind, its levels from gentle to severe."""

    part: Part
    says: str
    levels: tuple[Level, ...]


@dataclass(frozen=True, slots=True)
class Caught:
    """What the scenario made of one disturbance."""

    part: Part
    says: str
    size: str | None
    """The gentlest level that fails; None when none does."""
    passes: str | None
    """The severest level below it that passes; None when not even the gentlest does."""
    caught_by: tuple[str, ...]
    """Measures and rules that fail at `size`, or the reason where none of them does."""
    passes_again: tuple[str, ...]
    undecided: tuple[str, ...]
    """Levels that are inconclusive or could not be flown: they have caught nothing."""
    looked_up_to: str


def folder_of(loaded: LoadedScenario, vehicle: str, seed: int, into: Path = SENSITIVITIES) -> Path:
    """Where the flights of a scenario on a vehicle are kept."""
    key = hashlib.sha256(f"{contents(loaded)}{vehicle}{seed}".encode()).hexdigest()[:12]
    return into / f"{loaded.scenario.name}-{vehicle.replace('@', '-').replace('/', '-')}-{key}"


def disturbances(loaded: LoadedScenario, links: Path) -> tuple[Disturbance, ...]:
    """All that can be planned before anything was flown; profiles of worse links are written to the folder `links`."""
    scenario = loaded.scenario
    compute_s = scenario.script.compute_s
    thinks = tuple(
        Level(f"{1000 * more:.0f} ms", {"script.compute": f"{compute_s + more:g} s"})
        for more in (0.02, 0.05, 0.1, 0.2)
    )
    delays = tuple(
        Level(f"{1000 * more:.0f} ms", {"conditions.radio": write_link(scenario.conditions.radio, links, delay_s=more)})
        for more in (0.1, 0.2, 0.4, 0.8)
    )  # fmt: skip
    losses = tuple(
        Level(f"{share:.0%}", {"conditions.radio": write_link(scenario.conditions.radio, links, lost=share)})
        for share in (0.05, 0.1, 0.2, 0.4)
    )
    return (
        Disturbance("script", "needs longer to think each time", thinks),
        Disturbance("vehicle", "is heavier", _shares(loaded, "mass", (1.1, 1.2, 1.3))),
        Disturbance("vehicle", "has weaker rotors", _shares(loaded, "thrust", (0.9, 0.8, 0.7))),
        Disturbance("vehicle", "has more drag", _shares(loaded, "drag", (1.5, 2.0, 3.0))),
        Disturbance("vehicle", "has poorer sensors", _shares(loaded, "sensor_errors", (1.5, 2.0, 3.0, 5.0))),
        Disturbance("link", "is later, each way", delays),
        Disturbance("link", "loses frames, each way", losses),
    )


def _shares(loaded: LoadedScenario, name: str, factors: Sequence[float]) -> tuple[Level, ...]:
    """Of the scenario's own share, as far as a scenario may say it."""
    own, levels = getattr(loaded.scenario.conditions.craft, name), []
    for factor in factors:
        given = {f"conditions.craft.{name}": f"{100 * own * factor:.6g} %"}
        if _allowed(loaded, given):
            levels.append(Level(f"{factor:.0%} of it", given))
    return tuple(levels)


def _allowed(loaded: LoadedScenario, given: dict[str, str]) -> bool:
    from asflown.errors import FileProblem  # noqa: PLC0415

    try:
        with_given(loaded, given)
    except FileProblem:
        return False
    return True


def link_losses(loaded: LoadedScenario, flight_time_s: float) -> Disturbance:
    """The link gone for a while from half-way through the undisturbed flight on."""
    number, at_s = len(loaded.scenario.conditions.faults), round(_LINK_LOST_AT * flight_time_s, 1)
    fault = f"conditions.faults.{number}"
    levels = []
    for for_s in _LINK_LOST_S:
        given = {f"{fault}.at": f"{at_s:g} s", f"{fault}.inject": "link-loss", f"{fault}.for": f"{for_s:g} s"}
        levels.append(Level(f"{for_s:g} s", given))
    return Disturbance("link", f"is gone for a while, from {at_s:g} s on", tuple(levels))


@dataclass(frozen=True, slots=True)
class Flights:
    """Flies what is not done yet of one scenario's sensitivity."""

    loaded: LoadedScenario
    vehicle: str
    seed: int
    executor: Executor
    store: Store
    clock: ClockChoice = "any"

    def undisturbed(self) -> Outcome:
        """The first flight, whose folder stays. Raises what the store raises."""
        about = {
            "scenario": str(self.loaded.file), "name": self.loaded.scenario.name, "vehicle": self.vehicle,
            "contents": contents(self.loaded), "seed": self.seed,
        }  # fmt: skip
        self.store.begin(about, [Drawn(0, self.seed, {})])
        return self._flown([Drawn(0, self.seed, {})], "all")[0]

    def disturbed(self, kinds: Sequence[Disturbance]) -> tuple[Caught, ...]:
        """What is caught of each kind."""
        levels = [level for kind in kinds for level in kind.levels]
        flights = [Drawn(1 + n, self.seed, dict(level.given)) for n, level in enumerate(levels)]
        for one in flights:
            with_given(self.loaded, one.given)
        done = self._flown(flights, "none")
        outcomes = iter([done[one.number] for one in flights])
        return tuple(caught(kind, [next(outcomes) for _ in kind.levels]) for kind in kinds)

    def _flown(self, flights: Sequence[Drawn], keeping: Literal["all", "none"]) -> dict[int, Outcome]:
        done = {
            number: one
            for number, one in self.store.done().items()
            if one.verdict != "error" and (keeping == "none" or Path(one.folder).is_dir())
        }
        keep, file = self.store.folder / FLIGHTS, self.loaded.file.resolve()
        tasks = [
            Task(one, file, self.vehicle, self.clock, keep, keeping, name=self._name(one))
            for one in flights
            if one.number not in done or done[one.number].given != one.given
        ]
        try:
            for outcome in self.executor.run(tasks):
                self.store.enter(outcome)
                done[outcome.number] = outcome
        finally:
            self.store.close()
        return done

    def _name(self, one: Drawn) -> str:
        given = given_in_words(one.given) if one.given else "undisturbed"
        return f"{self.loaded.scenario.name}, {given}"


def caught(kind: Disturbance, outcomes: Sequence[Outcome]) -> Caught:
    """What the levels of one disturbance came to, in their order."""
    pairs = list(zip(kind.levels, outcomes, strict=True))
    first = next((n for n, (_, one) in enumerate(pairs) if one.verdict == "fail"), None)
    before = [level.size for level, one in pairs[:first] if one.verdict == "pass"]
    return Caught(
        kind.part,
        kind.says,
        None if first is None else pairs[first][0].size,
        before[-1] if before else None,
        () if first is None else failing(pairs[first][1]),
        () if first is None else tuple(level.size for level, one in pairs[first:] if one.verdict == "pass"),
        tuple(
            f"{level.size}: {one.reason}" for level, one in pairs if one.verdict in ("inconclusive", "error")
        ),
        pairs[-1][0].size if pairs else "",
    )


def failing(outcome: Outcome) -> tuple[str, ...]:
    """The measures and rules that failed; where none did (a script that ended badly), the reason."""
    return tuple(sorted(name for name, margin in outcome.margins.items() if margin < 0)) or (outcome.reason,)
