"""Contrast of the site's colours by the formula of the Web Content Accessibility Guidelines (W3C, WCAG 2.1).

Text needs 4.5:1 (success criterion 1.4.3), lines of pictures 3:1 (1.4.11); neither is rounded up. The rule engine of
the browser tests looks at text as pages show it; nobody but this looks at lines.
"""

from __future__ import annotations

import pytest

from asflown.report.site.ink import palettes

LIGHT, DARK = palettes()
TEXT = ("ink", "faint", "accent", "pass", "fail", "inconclusive", "error")
LINES = ("inside", "near", "beyond", "aside", "truth", "accent", "pass", "error")


def luminance(colour: str) -> float:
    """OC-REP-08: relative luminance of a colour written `#rrggbb`."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """OC-REP-08: from 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("colour", "against_white"),
    [
        ("#000000", 21.00),
        ("#767676", 4.54),
        ("#777777", 4.48),
        ("#595959", 7.00),
        ("#949494", 3.03),
        ("#959595", 2.995),
    ],
)
def test_the_formula_gives_what_the_guidelines_say(colour: str, against_white: float) -> None:
    """OC-REP-06 and OC-REP-07: contrast with white."""
    assert contrast(colour, "#ffffff") == pytest.approx(against_white, abs=0.006)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_can_be_read(palette: dict[str, str]) -> None:
    """OC-REP-06: on the page and on its sheets; and words on a verdict's ground."""
    for ground in ("paper", "sheet"):
        assert {
            name: contrast(palette[name], palette[ground])
            for name in TEXT
            if contrast(palette[name], palette[ground]) < 4.5
        } == {}
    for verdict in ("pass", "fail", "inconclusive", "error"):
        assert contrast(palette["on-verdict"], palette[verdict]) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_lines_can_be_seen(palette: dict[str, str]) -> None:
    """OC-REP-07: tracks, limits, bands and marks against the sheet they are drawn on."""
    assert {
        name: contrast(palette[name], palette["sheet"])
        for name in LINES
        if contrast(palette[name], palette["sheet"]) < 3.0
    } == {}
