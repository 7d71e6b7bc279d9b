"""The `campaign:` of a scenario: which of its values are drawn anew for each flight, and from what.

Keys are paths into the scenario (`conditions.wind.speed`); what is drawn is put there as a file would write it, with
its unit, so the drawn scenario is checked as any other is.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from asflown.scenario.base import Model
from asflown.units import UNITS, Share, split_quantity

Quantity = Annotated[str, Field(max_length=60)]
"""A number with its unit, or without where the scenario has none: `3.5 m/s`, `2`."""


def _split(text: str) -> tuple[float, str]:
    parts = split_quantity(text)
    if parts is None:
        raise ValueError(f"`{text}` is no number")
    return float(parts[0]), parts[1]


def _one_unit(*texts: str) -> str:
    """The unit that all of them have; no unit is one, too."""
    units = {_split(text)[1] for text in texts}
    if len(units) > 1 or not units <= {"", *UNITS}:
        raise ValueError(f"{' and '.join(texts)} must have one and the same unit")
    return units.pop()


class Uniform(Model):
    """Every value between two is as likely as any other."""

    uniform: tuple[Quantity, Quantity]
    """The lowest and the highest value, with one and the same unit: `[0 m/s, 6 m/s]`."""

    @model_validator(mode="after")
    def _ends(self) -> Uniform:
        low, high = self.ends
        if not low < high:
            raise ValueError("the first end must be the lower one")
        return self

    @property
    def unit(self) -> str:
        """Of both ends."""
        return _one_unit(*self.uniform)

    @property
    def ends(self) -> tuple[float, float]:
        """In that unit."""
        _one_unit(*self.uniform)
        return _split(self.uniform[0])[0], _split(self.uniform[1])[0]


class NormalOf(Model):
    """What a normal distribution needs."""

    mean: Quantity
    """The middle."""
    deviation: Quantity
    """The standard deviation, in the unit of the mean."""
    between: tuple[Quantity, Quantity] | None = None
    """What lies outside is not drawn."""


class Normal(Model):
    """Around a mean, cut off at both ends where `between` says so."""

    normal: NormalOf
    """The mean, the deviation, and where it is cut off."""

    @model_validator(mode="after")
    def _possible(self) -> Normal:
        _one_unit(self.normal.mean, self.normal.deviation, *(self.normal.between or ()))
        low, high = self.ends
        if self.deviation <= 0 or not low < high:
            raise ValueError("the deviation must be above 0, and the first end the lower one")
        return self

    @property
    def unit(self) -> str:
        """Of all that is said."""
        return _one_unit(self.normal.mean, self.normal.deviation, *(self.normal.between or ()))

    @property
    def mean(self) -> float:
        """In that unit."""
        return _split(self.normal.mean)[0]

    @property
    def deviation(self) -> float:
        """In that unit."""
        return _split(self.normal.deviation)[0]

    @property
    def ends(self) -> tuple[float, float]:
        """What is drawn lies between these; without limits, within four deviations."""
        if self.normal.between is None:
            return self.mean - 4 * self.deviation, self.mean + 4 * self.deviation
        return _split(self.normal.between[0])[0], _split(self.normal.between[1])[0]


class Choice(Model):
    """One of several, each as likely as any other."""

    choice: Annotated[tuple[Quantity, ...], Field(min_length=2, max_length=100)]
    """The values: `[light, moderate]`."""


def _kind(value: object) -> str:
    if isinstance(value, Uniform | Normal | Choice):
        return f"~{type(value).__name__.lower()}"
    words = set(value) if isinstance(value, dict) else set()
    return next((f"~{word}" for word in ("normal", "choice") if word in words), "~uniform")


Distribution = Annotated[
    Annotated[Uniform, Tag("~uniform")]
    | Annotated[Normal, Tag("~normal")]
    | Annotated[Choice, Tag("~choice")],
    Discriminator(_kind),
]


class StopEarly(Model):
    """Ends a campaign as soon as it is clear whether at least `share` of the flights pass, or at most `against`."""

    share: Share = Field(gt=0, lt=1)
    """Passing flights: at least so many, and the campaign ends as passed."""
    against: Share = Field(gt=0, lt=1)
    """Passing flights: at most so many, and it ends as failed."""
    errors: Share = Field(default=0.05, gt=0, lt=0.5)
    """How often either answer may be wrong."""

    @model_validator(mode="after")
    def _apart(self) -> StopEarly:
        if not self.against < self.share:
            raise ValueError("`against` must be below `share`")
        return self


class Campaign(Model):
    """Many flights of one scenario over varied conditions."""

    flights: int = Field(default=100, ge=1, le=1_000_000)
    """How many flights at most."""
    sampling: Literal["latin-hypercube", "sobol", "plain"] = "latin-hypercube"
    """How the space of conditions is covered: evenly in each value (`latin-hypercube`), evenly in all of
    them together (`sobol`), or by chance alone (`plain`)."""
    seed: int = Field(default=1, ge=0)
    """What the conditions are drawn from."""
    vary: Annotated[dict[str, Distribution], Field(min_length=1, max_length=30)]
    """What varies: the path of a key, and the distribution of its values."""
    stop: StopEarly | None = None
    """When to end before all flights are flown; never, when not given."""
