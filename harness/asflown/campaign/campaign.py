"""Flies a campaign: what is not done yet, by whatever executor, until all is done or the answer is clear."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from asflown.campaign.executor import Executor
from asflown.campaign.flying import Keeping, Outcome, Task
from asflown.campaign.plan import drawn, identity
from asflown.campaign.store import FLIGHTS, Store
from asflown.errors import UsageError
from asflown.flight.plan import ClockChoice
from asflown.grade.statistics.sequential import SequentialPlan, sequential_plan
from asflown.scenario.campaign import Campaign
from asflown.scenario.file import LoadedScenario, with_given

CAMPAIGNS = Path(".asflown") / "campaigns"


def folder_of(loaded: LoadedScenario, vehicle: str, into: Path = CAMPAIGNS) -> Path:
    """Where the campaign of a scenario on a vehicle is kept: one place for one plan."""
    campaign = campaign_of(loaded)
    name = vehicle.replace("@", "-").replace("/", "-")
    return into / f"{loaded.scenario.name}-{name}-{identity(campaign, loaded.scenario.name)}"


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

    Raises FileProblem for a drawn value that the scenario does not allow, before anything flies, and FolderProblem.
    """
    campaign = campaign_of(loaded)
    flights = drawn(campaign, loaded.scenario.name)
    for one in flights[:50]:  # more than enough to meet a value that cannot be
        with_given(loaded, one.given)
    about = {"scenario": str(loaded.file), "name": loaded.scenario.name, "vehicle": vehicle}
    store.begin(about, flights)
    done = store.done()
    tasks = [
        Task(one, loaded.file.resolve(), vehicle, clock, store.folder / FLIGHTS, keeping)
        for one in flights
        if one.number not in done
    ]
    plan = stopping_plan(campaign)
    if clear(done, plan) is None:
        for outcome in executor.run(tasks):
            if outcome.number not in done:
                store.enter(outcome)
                done[outcome.number] = outcome
                seen(outcome)
            if clear(done, plan) is not None:
                break
    store.close()
    return dict(sorted(done.items()))


def stopping_plan(campaign: Campaign) -> SequentialPlan | None:
    """The sequential test of `stop:`; None where everything is flown."""
    if campaign.stop is None:
        return None
    stop = campaign.stop
    return sequential_plan(1 - stop.share, 1 - stop.against, stop.errors, stop.errors)


def clear(done: dict[int, Outcome], plan: SequentialPlan | None) -> str | None:
    """`accept`, `reject`, or None while it is not clear. Flights count in the order of their numbers.

    Only flights with a number below the first that is missing are looked at: which flight is done first says
    something of how it ended.
    """
    if plan is None:
        return None
    failed = []
    for number in range(len(done)):
        if number not in done:
            break
        if done[number].verdict != "error":
            failed.append(done[number].verdict != "pass")
    return plan.walk(failed).decision
