"""What a person confirms before something real flies: guided, on a terminal, and by no flag.

Questions come one after another; safety ones are answered by typing their own words, so that nobody confirms by habit.
Where nobody sits at a terminal nothing real flies, but for a bench rig whose file says `unattended: bench`: it is
locked while in use and arms only under the conditions of `vehicle/bench.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from asflown.errors import FlightError, QuantityProblem
from asflown.scenario.model import GuardLimits, Scenario, VehicleFile
from asflown.units import Dimension, parse_quantity

TRIES = 3
GO = "fly"
_LONGEST = 200


class Console(Protocol):
    """Where a person sits."""

    @property
    def is_terminal(self) -> bool:
        """Whether a person can read and answer."""

    def say(self, text: str) -> None:
        """Shows a line."""

    def ask(self, text: str) -> str | None:
        """Shows a question and takes a line; None when there is nobody any more."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question: `key` in the manifest, what is said, and why an answer will not do ('' when it will)."""

    key: str
    says: str
    wrong: Callable[[str], str]


class Operator:
    """Asks one person."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def confirm(self, vehicle: VehicleFile, scenario: Scenario) -> dict[str, str]:
        """Goes through everything before a flight; the answers, for the manifest.

        Raises FlightError when somebody declines, or nobody is there.
        """
        if is_unattended(vehicle):
            return {"unattended": "bench"}
        self.check_there(vehicle)
        self._console.say(f"{scenario.name} is about to fly {vehicle.name}, a real {vehicle.kind}.")
        self._console.say("Answer each question. Ctrl-D, Ctrl-C or three wrong answers: nothing flies.")
        questions = on_bench() if vehicle.kind == "bench" else outdoors(scenario.guard)
        return {question.key: self._answer(question) for question in questions}

    def last_word(self, vehicle: VehicleFile) -> None:
        """Asks once more when all else is ready. Raises FlightError without the word."""
        if is_unattended(vehicle):
            return
        what = (
            "The script runs next, and motors may be armed."
            if vehicle.kind == "bench"
            else "Everything is ready."
        )
        self._answer(Question("go", f"{what} Hands off, pilot's hand on the switch. Type: {GO}", _words(GO)))

    def check_there(self, vehicle: VehicleFile) -> None:
        """Raises FlightError when somebody has to confirm and nobody can."""
        if not is_unattended(vehicle) and not self._console.is_terminal:
            raise FlightError(
                f"nobody can confirm that {vehicle.name} may fly: this is not a terminal",
                "Run it from a terminal, with a person who sees the vehicle. No option answers these questions",
            )

    def _answer(self, question: Question) -> str:
        for _ in range(TRIES):
            said = self._console.ask(question.says)
            if said is None:
                break
            answer = " ".join(word for word in said.split() if word.isprintable())[:_LONGEST]
            wrong = question.wrong(answer)
            if not wrong:
                return answer
            self._console.say(wrong)
        raise FlightError(f"not confirmed: {question.key}", "Nothing was armed. Start again when it is so")


def is_unattended(vehicle: VehicleFile) -> bool:
    """Whether the rig flies with nobody beside it."""
    return vehicle.kind == "bench" and vehicle.unattended == "bench"


def on_bench() -> tuple[Question, ...]:
    """For a controller on a desk."""
    propellers = "Take all propellers off and look again. Type: propellers off"
    return (
        Question("place", "Where does the rig stand?", _something),
        Question("power", "What powers it (USB alone, a supply with its limit, a battery)?", _something),
        Question("propellers", propellers, _words("propellers off")),
        Question("clear", "Nobody touches motors or wires from now on. Type: hands off", _words("hands off")),
    )


def outdoors(guard: GuardLimits) -> tuple[Question, ...]:
    """For free flight."""
    reach = "as far as it can get" if guard.distance_m is None else f"{2 * guard.distance_m:g} m"
    area = f"No person, road or animal within {reach} of the start, and nobody can walk in unseen. Type: clear area"
    pilot = "The pilot holds the transmitter, sees the vehicle, and has taken over from it today. Type: pilot ready"
    rules = (
        "Local law allows this flight with this craft, here and today: airspace, height, registration, "
        "licence, insurance. Type: rules kept"
    )
    return (
        Question("place", "Where is this? Words by which somebody else would find it:", _something),
        Question("battery", "The battery, as measured just now (`16.4 V` or `95 %`):", _battery),
        Question("wind", "The wind here (`3 m/s from 240 deg`, or `calm`):", _wind),
        Question("clear_area", area, _words("clear area")),
        Question("pilot", "Who is the pilot?", _something),
        Question("pilot_ready", pilot, _words("pilot ready")),
        Question("rules", rules, _words("rules kept")),
    )


def _something(answer: str) -> str:
    return "" if any(letter.isalnum() for letter in answer) else "An answer is needed."


def _words(wanted: str) -> Callable[[str], str]:
    def wrong(answer: str) -> str:
        return "" if answer.casefold() == wanted else f"That is not `{wanted}`."

    return wrong


def _battery(answer: str) -> str:
    if any(_is(answer, dimension) for dimension in (Dimension.VOLTAGE, Dimension.SHARE)):
        return ""
    return "Write a voltage or a share with its unit, as `16.4 V` or `95 %`."


def _wind(answer: str) -> str:
    speed, _, direction = answer.partition(" from ")
    if answer.casefold() == "calm" or (_is(speed, Dimension.SPEED) and _is(direction, Dimension.ANGLE)):
        return ""
    return "Write speed and direction, as `3 m/s from 240 deg`, or `calm`."


def _is(text: str, dimension: Dimension) -> bool:
    try:
        parse_quantity(text, dimension)
    except QuantityProblem:
        return False
    return True
