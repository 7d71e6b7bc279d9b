"""The page of signals, modes and units: what rules and limits may speak of."""

from __future__ import annotations

from asflown.cli.pages.markdown import made_by, table
from asflown.grade.measures import TABLE
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.signal_names import MODES, SIGNALS
from asflown.units import UNITS, Dimension


def page() -> str:
    """The whole page."""
    lines = ["# Signals and units", "", made_by("signals-and-units"), ""]
    lines += ["How rules are written with them: [rules](../rules.md).", "", "## Signals", ""]
    lines += table(
        ["signal", "written as", "what it is"],
        [(f"`{one.name}`", _example(one.dimension), one.describes) for one in SIGNALS.values()],
    )
    lines += ["", "## Flags", ""]
    flags = [("`leg 3`", "while that leg of the expected path is being flown; legs count from 1")]
    flags += [(f"`mode is {mode}`", "while the vehicle flies in that mode") for mode in MODES]
    lines += table(["flag", "true"], flags)
    lines += ["", "## Measures", "", "Definitions, sources and pitfalls: [measures](../measures.md).", ""]
    lines += table(
        ["measure", "written as", "what it is", "needs"],
        [
            (f"`{name}`", f"`{MEASURES[name].dimension.example}`", MEASURES[name].describes, _needs(name))
            for name in TABLE
        ],
    )
    lines += ["", "## Units", ""]
    lines += table(
        ["what is measured", "units", "example"],
        [
            (
                of.noun,
                ", ".join(f"`{u.symbol}`" for u in UNITS.values() if u.dimension is of),
                f"`{of.example}`",
            )
            for of in Dimension
        ],
    )
    return "\n".join(lines) + "\n"


def _example(dimension: Dimension | None) -> str:
    return "true or false" if dimension is None else f"`{dimension.example}`"


def _needs(name: str) -> str:
    """What the expected path must have for it."""
    words = {
        "nothing": "nothing",
        "path": "a path",
        "hold": "a hold",
        "land": "a landing",
        "speed": "a leg with a speed",
    }
    return words[MEASURES[name].needs]
