"""Flies a campaign: what is not done yet, by whatever executor, until all is done or the answer is clear."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Generator, Mapping
from contextlib import closing
from pathlib import Path
from typing import get_args

from asflown.campaign.executor import Executor
from asflown.campaign.flying import Keeping, Outcome, Task
from asflown.campaign.plan import drawn, identity
from asflown.campaign.store import FLIGHTS, Store
from asflown.errors import FlightError, UsageError
from asflown.flight.plan import ClockChoice
from asflown.grade.result import VerdictWord
from asflown.grade.statistics.sequential import SequentialPlan, sequential_plan
from asflown.scenario.campaign import Campaign
from asflown.scenario.file import LoadedScenario, with_given

CAMPAIGNS = Path(".asflown") / "campaigns"
_VERDICTS: dict[str, VerdictWord] = {word: word for word in get_args(VerdictWord)}
"""One object for each word, however many outcomes come from other processes with one of their own."""
ERRORS_IN_A_ROW = 10
"""So many flights that cannot be flown, one after the other, have one reason: a full disk, a script that is gone."""


def folder_of(loaded: LoadedScenario, vehicle: str, into: Path = CAMPAIGNS) -> Path:
    """Where the campaign of a scenario on a vehicle is kept: one place for one plan, scenario and script."""
    what = f"{identity(campaign_of(loaded), loaded.scenario.name)}{contents(loaded)}"
    name = vehicle.replace("@", "-").replace("/", "-")
    return into / f"{loaded.scenario.name}-{name}-{hashlib.sha256(what.encode()).hexdigest()[:12]}"


def contents(loaded: LoadedScenario) -> str:
    """A hash of what is flown: the scenario, the files that its commands name, and all Python files of its folder.

    A campaign is gone on with only while this is the same. Other files do not count: results may lie there.
    """
    script, folder = loaded.scenario.script, loaded.folder
    named = {folder / word for command in (script.run, *script.beside) for word in command}
    hasher = hashlib.sha256(loaded.scenario.model_dump_json().encode())
    for file in sorted(named | {*folder.rglob("*.py")}):
        place = os.path.relpath(file, folder)
        if file.is_file() and not any(
            part.startswith((".", "__")) and part != ".." for part in Path(place).parts[:-1]
        ):
            hasher.update(f"\n{place}\n".encode() + file.read_bytes())
    return hasher.hexdigest()


def campaign_of(loaded: LoadedScenario) -> Campaign:
    """The scenario's campaign. Raises UsageError when it has none."""
    if loaded.scenario.campaign is None:
        raise UsageError(
            f"{loaded.file} has no `campaign:`", "Say what varies: `asflown campaign --help` shows how"
        )
    return loaded.scenario.campaign


def fly_campaign(
    loaded: LoadedScenario,
    vehicle: str,
    executor: Executor,
    store: Store,
    *,
    clock: ClockChoice = "any",
    keeping: Keeping = "failed",
    seen: Callable[[Outcome], None] = lambda outcome: None,
) -> dict[int, Outcome]:
    """All outcomes by number. `seen` hears of each flight as it is done.

    A flight that could not be flown is tried again when a campaign is gone on with. Raises FileProblem for a drawn
    value that the scenario does not allow, before anything flies, FolderProblem, and FlightError when nothing can be
    flown any more.
    """
    campaign = campaign_of(loaded)
    flights = drawn(campaign, loaded.scenario.name)
    for one in flights[:50]:  # more than enough to meet a value that cannot be
        with_given(loaded, one.given)
    about = {
        "scenario": str(loaded.file), "name": loaded.scenario.name, "vehicle": vehicle, "contents": contents(loaded),
    }  # fmt: skip
    store.begin(about, flights)
    try:
        done: dict[int, VerdictWord] = {
            number: one.verdict for number, one in store.done().items() if one.verdict != "error"
        }
        tasks = [
            Task(one, loaded.file.resolve(), vehicle, clock, store.folder / FLIGHTS, keeping)
            for one in flights
            if one.number not in done
        ]
        plan = stopping_plan(campaign)
        if clear(done, plan) is None:
            _fly(executor.run(tasks), store, done, plan, seen)
        return dict(sorted(store.done().items()))
    finally:
        store.close()


def _fly(
    outcomes: Generator[Outcome],
    store: Store,
    done: dict[int, VerdictWord],
    plan: SequentialPlan | None,
    seen: Callable[[Outcome], None],
) -> None:
    """Notes each flight as it comes, until all are done or the answer is clear; ends what still flies then.

    Only verdicts are kept in mind: memory does not grow with what flights bring.
    """
    errors = 0
    with closing(outcomes):
        for outcome in outcomes:
            if outcome.number in done:
                continue
            store.enter(outcome)
            done[outcome.number] = _VERDICTS[outcome.verdict]
            seen(outcome)
            errors = errors + 1 if outcome.verdict == "error" else 0
            if errors == ERRORS_IN_A_ROW:
                raise FlightError(
                    f"{errors} flights in a row could not be flown: {outcome.reason}",
                    "Mend that and give the same command again: what is done stays done",
                )
            if clear(done, plan) is not None:
                return


def stopping_plan(campaign: Campaign) -> SequentialPlan | None:
    """The sequential test of `stop:`; None where everything is flown."""
    if campaign.stop is None:
        return None
    stop = campaign.stop
    return sequential_plan(1 - stop.share, 1 - stop.against, stop.errors, stop.errors)


def clear(done: Mapping[int, VerdictWord], plan: SequentialPlan | None) -> str | None:
    """`accept`, `reject`, or None while verdicts leave it unclear. Flights count in the order of their numbers.

    Only flights with a number below the first that is missing are looked at: which flight is done first says
    something of how it ended.
    """
    if plan is None:
        return None
    failed = []
    for number in range(len(done)):
        if number not in done:
            break
        if done[number] != "error":
            failed.append(done[number] != "pass")
    return plan.walk(failed).decision
