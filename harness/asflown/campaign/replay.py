"""An earlier flight flown again, bit by bit, up to a moment from which on chance begins anew.

Only what a flight was given is needed: it is read from its manifest. That it really is the same flight is not
believed but shown: it is flown once more as it was, and the digests must be equal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from asflown.campaign.executor import Executor
from asflown.campaign.flying import AsFlown, Keeping, Outcome, Task
from asflown.campaign.moments import Answers, Asked
from asflown.campaign.plan import Drawn, seed_of
from asflown.campaign.store import FLIGHTS, Store
from asflown.change.sets import NOT_FLOWN, FlownFlight
from asflown.errors import UsageError
from asflown.flight import provenance
from asflown.flight.fingerprint import fingerprint
from asflown.record.manifest import Manifest
from asflown.scenario.file import load_scenario
from asflown.scenario.model import Conditions, Start

ANEW_AT, ANEW_SEED = "conditions.chance.anew_at", "conditions.chance.seed"
_MOST_AT_A_MOMENT = 1_000


@dataclass(frozen=True, slots=True)
class Original:
    """A flight that can be flown again."""

    manifest: Manifest
    scenario: Path
    vehicle: str
    as_flown: AsFlown

    @property
    def end_tick(self) -> int:
        """When it ended, in ticks of 10 ms."""
        return int(self.manifest.flight_time_s * 100)

    def task(self, number: int, given: dict[str, str], keep: Path, keeping: Keeping = "none") -> Task:
        """To fly it again, as it was where nothing is given."""
        drawn = Drawn(number, self.manifest.seed, given)
        name = f"chance anew at {given[ANEW_AT]}" if given else "once more as it was"
        return Task(drawn, self.scenario, self.vehicle, "lockstep", keep, keeping, self.as_flown, name)

    def branch(self, asked: Asked) -> tuple[int, dict[str, str]]:
        """A number of its own for chance anew at a moment, and what such a flight is given."""
        seed = seed_of(f"{self.manifest.clock.digest}:{asked.tick}", asked.number)
        given = {ANEW_AT: f"{asked.tick / 100:.2f} s", ANEW_SEED: f"{seed}"}
        return asked.tick * _MOST_AT_A_MOMENT + asked.number + 1, given


def original_of(flight: FlownFlight) -> Original:
    """The flight, as something that can be flown again. Raises UsageError, which says why, when it cannot be."""
    manifest = flight.manifest
    _refuse_what_cannot_be(manifest, flight.folder)
    file = Path(manifest.scenario_file)
    if not file.is_file():
        raise UsageError(
            f"{flight.folder}: its scenario {file} is not there", "Go to the folder that it was flown from"
        )
    loaded = load_scenario(file)
    vehicle = manifest.vehicle_asked or loaded.scenario.vehicle
    if vehicle is None:
        raise UsageError(f"{flight.folder} does not say which vehicle flew", "Fly it again with --vehicle")
    if manifest.vehicle_asked is not None and "/" in vehicle:
        vehicle = str(Path(vehicle).resolve())  # from where it was flown, not from the scenario's folder
    try:
        given = AsFlown(Conditions.model_validate(manifest.conditions), Start.model_validate(manifest.start))
    except ValidationError as error:
        raise UsageError(
            f"{flight.folder} was given what this version does not know ({error.errors()[0]['msg']})",
            "Fly it again with this version",
        ) from error
    return Original(manifest, file.resolve(), vehicle, given)


def _refuse_what_cannot_be(manifest: Manifest, folder: Path) -> None:
    clock = manifest.clock
    if manifest.outcome in NOT_FLOWN:
        raise UsageError(f"{folder} was not flown to its end ({manifest.outcome})", "Name one that failed")
    if manifest.by_hand or manifest.vehicle.kind != "built-in":
        raise UsageError(
            f"{folder} was not flown by a script on the built-in vehicle",
            "Nothing else can be flown again exactly",
        )
    if clock.kind != "lockstep" or not clock.deterministic or clock.digest is None:
        why = clock.reason or "it was flown on the paced clock"
        raise UsageError(
            f"{folder} cannot be flown again bit by bit: {why}",
            "Fly it with --clock lockstep, and name that flight",
        )
    if clock.fingerprint != fingerprint():
        raise UsageError(
            f"{folder} was flown by another machine or build of asflown, whose last bits differ",
            f"Fly it here: `asflown fly {manifest.scenario_file} --seed {manifest.seed} --flights 1`",
        )
    if manifest.conditions.get("chance") is not None:
        raise UsageError(f"{folder} has chance that began anew itself", "Name the flight that it came from")


def check_same(original: Original, again: Outcome) -> None:
    """Raises UsageError when the flight that was flown again is not the original."""
    manifest = original.manifest
    if again.verdict == "error":
        raise UsageError(f"the flight cannot be flown again: {again.reason}", "Mend that first")
    if again.digest != manifest.clock.digest:
        what = _changed(original)
        raise UsageError(
            f"flown again, it is another flight: {what}",
            f"Fly it as things are now: `asflown fly {manifest.scenario_file} --seed {manifest.seed} --flights 1`",
        )
    if again.verdict != "fail":
        raise UsageError(
            f"by its scenario as it is now, the flight did not fail ({again.verdict})", "Name one that failed"
        )


def _changed(original: Original) -> str:
    """What is known to differ from what was flown."""
    manifest, folder = original.manifest, original.scenario.parent
    if provenance.sha256_of_folder(folder) != manifest.script_sha256:
        return f"the files in {folder} have changed since"
    if provenance.sha256_of_file(original.scenario) != manifest.scenario_sha256:
        return f"{original.scenario.name} has changed since"
    return (
        "its bytes differ, and neither scenario nor script have changed (a file beside them, or the vehicle)"
    )


@dataclass(slots=True)
class Branches:
    """Flies branches of a flight, and notes each durably; what was flown before is not flown again."""

    original: Original
    executor: Executor
    store: Store

    def begin(self) -> None:
        """Flies once more as it was, each time: what lies beside a script may have changed since the last run.

        Raises UsageError when it is another flight now, and FolderProblem.
        """
        clock = self.original.manifest.clock
        (again,) = self.executor.run([self.original.task(0, {}, self.store.folder / FLIGHTS)])
        check_same(self.original, again)
        about = {"flight": self.original.manifest.flight_id, "digest": clock.digest}
        self.store.begin(about | {"fingerprint": clock.fingerprint}, [])

    def ask(self, questions: Sequence[Asked]) -> Answers:
        """Flies what was not flown yet; whether each flight failed, None for one that tells nothing."""
        done = self.store.done()
        tasks = []
        by_number = {}
        for one in questions:
            number, given = self.original.branch(one)
            by_number[number] = one
            if number in done:
                yield one, failed(done[number])
            else:
                tasks.append(self.original.task(number, given, self.store.folder / FLIGHTS))
        for outcome in self.executor.run(tasks):
            if outcome.number not in done:
                self.store.enter(outcome)
                yield by_number[outcome.number], failed(outcome)


def failed(outcome: Outcome) -> bool | None:
    """Whether a branch failed; None where it could not be flown, or does not decide."""
    return {"fail": True, "pass": False}.get(outcome.verdict)
