"""What a comparison hands back: findings in order of cause, each measure's change, and what could have been found.

Frozen and typed; reports print them and decide nothing. Times are flight time in seconds, sizes carry their unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

from asflown.errors import ExitCode
from asflown.record.series import Source

SCHEMA_VERSION = 1
"""Of the JSON form of a comparison."""


class Cause(Enum):
    """What a finding is about; the value is how a person names it."""

    SCRIPT = "the script decided differently"
    CONDITIONS = "the conditions differed"
    LINK = "the link differed"
    PARAMETERS = "the parameters differ"
    FIRMWARE = "the firmware differs"
    CRAFT = "the vehicles are different ones"
    CLOCK = "the clocks differ"
    MACHINE = "the machines differ"
    VEHICLE = "the vehicle flew differently"
    TIMING = "only timing differs"
    NOTHING = "no difference was found"


Confidence = Literal["certain", "strong", "weak"]
"""`certain`: read from the captures of twins, or from what was given. `strong`: a test that holds its error rate over
the whole comparison. `weak`: seen, and not told from noise."""

Seen = Literal["given", "observed", "given and observed"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that differs between A and B."""

    cause: Cause
    says: str
    """One or two plain sentences: what differs, by how much, from when on."""
    seen: Seen
    """Whether it was told by what the flights were given, or seen in their captures."""
    confidence: Confidence
    because: str = ""
    """How it is known; how many flights show it."""
    at_s: float | None = None
    """Flight time at which it shows first, in A."""
    leg: str | None = None
    size: str = ""
    """`+0.42 m`, `2.0 m/s to 4.0 m/s`: B against A."""


ChangeWord = Literal["same", "equivalent", "changed", "changed within the band", "undecided"]


@dataclass(frozen=True, slots=True)
class MeasureChange:
    """One measure of A and B in its SI unit; None where it cannot be told from these flights."""

    name: str
    unit: str
    source: Source
    a: tuple[float, ...]
    b: tuple[float, ...]
    difference: float | None
    """Mean of B minus mean of A."""
    interval: tuple[float, float] | None
    """90 % interval of the difference: equivalence is shown where it lies inside the band."""
    band: float | None
    """Half width of what counts as no difference; None where nothing says how large that is."""
    p_changed: float | None
    p_equivalent: float | None
    word: ChangeWord
    smallest_found: float | None
    """The smallest change that these flights would have found four times in five."""
    power: float | None
    """How likely these flights would have shown equivalence, had nothing changed."""
    says: str = ""


Conclusion = Literal["same", "different", "inconclusive"]

EXIT_CODES: dict[Conclusion, ExitCode] = {
    "same": ExitCode.PASSED,
    "different": ExitCode.FAILED,
    "inconclusive": ExitCode.INCONCLUSIVE,
}


@dataclass(frozen=True, slots=True)
class SideOfComparison:
    """What stands on one side."""

    name: str
    kind: str
    flights: int
    seeds: tuple[int, ...]
    graded: str
    """`4 pass, 1 fail`"""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """A against B."""

    a: SideOfComparison
    b: SideOfComparison
    conclusion: Conclusion
    statement: str
    """One sentence, the answer."""
    findings: tuple[Finding, ...]
    """The likeliest cause first; never empty."""
    measures: tuple[MeasureChange, ...]
    method: str
    """How flights were put side by side: as twins, as pairs of sets, or in words alone."""
    notes: tuple[str, ...] = field(default=())
    schema_version: int = SCHEMA_VERSION

    @property
    def first(self) -> Finding:
        """The likeliest cause, or that nothing was found."""
        return self.findings[0]

    @property
    def exit_code(self) -> ExitCode:
        """0 no difference, 1 different, 4 inconclusive."""
        return EXIT_CODES[self.conclusion]
