"""Signals at random moments: to each part of a run, in each phase, and which ends are honest ones."""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.flights import struck
from tests.flights.struck import Aftermath, Part, Phase, Run

SPAN_S: dict[str, float] = {
    "before": 1.5,
    "vehicle start": 0.3,
    "script start": 0.15,
    "flight": 0.4,
    "end": 0.03,
    "grading": 0.02,
    "report": 0.05,
}
"""How long after the beginning of a phase the moment is at the latest; some phases are over sooner."""
CHILD_SPAN_S = 0.05
NO_END = frozenset({"no manifest", "interrupted"})
"""Outcomes of a flight that nobody brought to an end."""
ENDED = frozenset({"completed", "script-failed"})


@dataclass(frozen=True)
class Strike:
    """What is done, and to which part."""

    part: Part
    fault: str
    """A signal's name, or `SIGSTOP, SIGCONT`."""
    phase: Phase


@dataclass
class Struck:
    """What came of it."""

    strike: Strike
    at: Phase
    """The phase in which it really fell; `over` when the run was quicker."""
    after: Aftermath
    lost: str = ""

    @property
    def wrong(self) -> list[str]:
        """All that is not as it must be."""
        return self.after.wrong


def possible(part: Part, phase: Phase) -> bool:
    """Whether there is such a part in this phase."""
    alive: dict[Part, tuple[str, ...]] = {
        "harness": struck.PHASES,
        "worker": struck.PHASES[1:],
        "script": ("script start", "flight"),
        "child": ("flight",),
        "keeper": ("script start", "flight", "end"),
    }
    return phase in alive[part]


def strike(run: Run, what: Strike, chance: random.Random) -> Phase:
    """Waits for the moment, and does it; the phase in which it fell."""
    if not run.until(what.phase):
        return "over"
    pid = _pid(run, what.part)  # a child comes later than its phase, and in lockstep is gone after some 60 ms
    time.sleep(chance.uniform(0, CHILD_SPAN_S if what.part == "child" else SPAN_S[what.phase]))
    at = run.phase()
    if pid is None or at == "over":
        return "over"
    try:
        _send(pid, what.fault, chance)
    except ProcessLookupError:
        return "over"
    return at


def _pid(run: Run, part: Part) -> int | None:
    end = time.monotonic() + 1.0
    while (pid := run.part(part)) is None and run.process.poll() is None and time.monotonic() < end:
        time.sleep(0.001)
    return pid


def _send(pid: int, fault: str, chance: random.Random) -> None:
    if fault.startswith("SIGSTOP"):
        os.kill(pid, signal.SIGSTOP)
        time.sleep(chance.uniform(0.1, 0.8))
        os.kill(pid, signal.SIGCONT)
    else:
        os.kill(pid, signal.Signals[fault])


def struck_run(
    folder: Path, what: Strike, chance: random.Random, *words: str, again: bool = True, seconds: int = 3
) -> Struck:
    """Flies in `folder`, strikes, and looks at what is left; `again` flies once more in the same place."""
    struck.scenario(folder, seconds=seconds)
    with struck.started(folder, *words) as run:
        at = strike(run, what, chance)
        code = run.wait()
        after = struck.aftermath(run, code)
        found = Struck(what, at, after)
        after.wrong += dishonest(what, at, after)
        if again and (problem := struck.next_run(run)):
            after.wrong.append(problem)
    return found


def dishonest(what: Strike, at: Phase, after: Aftermath) -> list[str]:
    """What exit code and outcomes say that did not happen."""
    if at == "over":
        return [] if after.code == 0 else [f"exit code {after.code} of a run that nothing was done to"]
    codes, outcomes = _honest(what, at)
    if after.code == 0 and (unended := set(after.outcomes) - ENDED):
        return [f"exit code 0, and flights that are {sorted(unended)}"]
    wrong = [] if after.code in codes else [f"exit code {after.code}, and {sorted(codes)} would be honest"]
    if after.outcomes and after.outcomes[-1] not in outcomes:
        wrong.append(f"outcome {after.outcomes[-1]}, and {sorted(outcomes)} would be honest")
    return wrong


def _honest(what: Strike, at: Phase) -> tuple[set[int], frozenset[str]]:
    if what.fault.startswith("SIGSTOP"):
        return {0}, frozenset({"completed"})
    return _HONEST[what.part](what.fault, at)


def _of_harness(fault: str, at: Phase) -> tuple[set[int], frozenset[str]]:
    number = signal.Signals[fault]
    codes = {"SIGKILL": {-9}, "SIGTERM": {143}, "SIGINT": {130}}[fault]
    if at == "before" and fault != "SIGKILL":
        codes = codes | {-number}  # before Python runs a line of ours
    if at in {"end", "grading", "report"}:
        if at != "end":
            codes = codes | {0}  # the last thing it had to do was done
        return codes, NO_END | ENDED
    return codes, NO_END


def _of_worker(fault: str, at: Phase) -> tuple[set[int], frozenset[str]]:
    if fault == "SIGINT":  # not for it: Ctrl-C reaches the parent
        return {0}, frozenset({"completed"})
    return {3, 0}, NO_END | ENDED  # 0: its own flight was over, and the phase is that of the other one


def _of_script(_fault: str, at: Phase) -> tuple[set[int], frozenset[str]]:
    """A flight whose script ended otherwise than it should; one that never spoke was none."""
    never_spoke = at == "script start"
    return {1, 3} if never_spoke else {0, 1}, ENDED | (frozenset({"error"}) if never_spoke else frozenset())


_HONEST: dict[str, Callable[[str, Phase], tuple[set[int], frozenset[str]]]] = {
    "harness": _of_harness,
    "worker": _of_worker,
    "script": _of_script,
    "child": _of_script,
}
