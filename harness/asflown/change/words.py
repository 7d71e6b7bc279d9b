"""Numbers of a comparison in words: with unit, angles in degrees, as other reports of asflown write them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from asflown.units import UNITS, Dimension, format_quantity

_DIMENSIONS = {dimension.si_symbol for dimension in Dimension}
_SUFFIXES = {
    "_m_s3": "m/s3", "_m_s2": "m/s2", "_m_s": "m/s", "_rad_s": "rad/s", "_rad": "rad", "_deg": "deg", "_pa": "Pa",
    "_hz": "Hz", "_m": "m", "_s": "s", "_k": "K",
}  # fmt: skip
"""Endings of names in a manifest and the unit each stands for, the longest first."""


BRIEF_S = 0.2
"""Shorter times are shown in milliseconds."""


def quantity(value: float, unit: str, *, signed: bool = False) -> str:
    """`0.42 m`, `+12.3 deg`, `0.012`: small numbers keep two digits."""
    if not math.isfinite(value):
        return f"{value}"
    sign = "+" if signed and value > 0 else ""
    if unit == "s" and 0 < abs(value) < BRIEF_S:
        return f"{sign}{1000 * value:.0f} ms"
    if unit in _DIMENSIONS:
        usual = format_quantity(value, unit)
        if any(digit in usual for digit in "123456789") or value == 0:
            return f"{sign}{usual}"
    return f"{sign}{value:.3g} {unit}".rstrip()


def change(mean: float, interval: tuple[float, float] | None, unit: str) -> str:
    """`+0.31 m/s (0.25 to 0.37)`: as many digits as the interval's width makes sense of."""
    shown, symbol = _usual(unit)
    if interval is None or not all(map(math.isfinite, interval)):
        return quantity(mean, unit, signed=True)
    low, high = interval
    width = (high - low) / shown
    places = min(5, max(0, 1 - math.floor(math.log10(width)))) if width > 0 else 2
    numbers = [f"{value / shown:+z.{places}f}" for value in (mean, low, high)]
    return f"{numbers[0]} {symbol}".rstrip() + f" ({numbers[1]} to {numbers[2]})"


def _usual(unit: str) -> tuple[float, str]:
    """What 1 of the unit that people read is in SI, and its symbol."""
    known = next((dimension for dimension in Dimension if dimension.si_symbol == unit), None)
    if known is None:
        return 1.0, unit
    usual = UNITS[known.usual_unit]
    return float(usual.to_si), usual.symbol


def sizes(values: Sequence[float], unit: str) -> str:
    """`0.14 0.08 0.06`: several sizes in the unit that people read, which stands elsewhere."""
    shown, _ = _usual(unit)
    return " ".join(
        f"{value / shown:.2g}" if value / shown < 10 else f"{value / shown:.0f}" for value in values
    )


def named(name: str, value: object) -> tuple[str, str]:
    """What an entry of a manifest is called, and its value: `wind.speed_m_s`, 2.0 gives `wind speed`, `2.00 m/s`."""
    plain, unit = name, ""
    for suffix, symbol in _SUFFIXES.items():
        if name.endswith(suffix):
            plain, unit = name.removesuffix(suffix), symbol
            break
    title = plain.replace(".", " ").replace("_", " ")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return title, "none" if value in (None, [], "") else str(value)
    return title, quantity(float(value), unit)


def listing(parts: Sequence[str], most: int = 4) -> str:
    """`a`, `a and b`, `a, b and c`, `a, b, c, d and 3 more`."""
    shown = [*parts[:most], f"{len(parts) - most} more"] if len(parts) > most else list(parts)
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def count(number: int, noun: str) -> str:
    """`1 flight`, `3 flights`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def capital(sentence: str) -> str:
    """With its first letter large; paths, and names with an underscore, stay as they are."""
    first = sentence.partition(" ")[0]
    return sentence if "_" in first or "/" in first else sentence[:1].upper() + sentence[1:]
