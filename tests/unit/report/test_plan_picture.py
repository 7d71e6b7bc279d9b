"""The plan view as a picture of its own: what it says, and the PNG that is drawn from it."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

from asflown.report.site.plan_picture import plan_picture, png
from asflown.report.site.story import Story
from asflown.scenario.model import ExpectedPath, Home
from asflown.scenario.path import resolve_path
from tests.unit.report.builders import FAILED, flown

HOME = Home(latitude_deg=52.0, longitude_deg=4.5, altitude_m=0.0)
PATH = ExpectedPath.model_validate({
    "frame": "start-heading",
    "legs": [{"climb": {"to": "3 m"}}, {"line": {"to": ["8 m", "0 m", "3 m"]}}],
})  # fmt: skip


@pytest.fixture
def story() -> Story:
    """A flight that failed, over a path of two legs; nothing was recorded."""
    return Story(flown(FAILED, Path("gone")), None, path=tuple(resolve_path(PATH, HOME)))


def test_a_picture_says_the_verdict_and_why(story: Story) -> None:
    """Above the plan, so that a pull request needs no other word."""
    svg = plan_picture(story)
    assert svg is not None
    said = [element.text for element in etree.fromstring(svg.encode()).iter("{*}text")]
    assert "fail: nest-boxes on palm80 r1, seed 7" in said
    assert any(text and text.startswith("leg 4 (line to 8, 6, 3 m) is 1.4 m too far right") for text in said)


def test_nothing_to_draw_is_no_picture() -> None:
    """Neither path nor track."""
    assert plan_picture(Story(flown(), None)) is None


def test_the_png_is_twice_as_large_and_has_colours_on_white(story: Story) -> None:
    """Size by the header that the standard gives (ISO/IEC 15948: width and height follow IHDR)."""
    svg = plan_picture(story)
    assert svg is not None
    drawn = png(svg)
    assert drawn.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", drawn[16:24])
    box = [float(part) for part in etree.fromstring(svg.encode()).get("viewBox", "").split()]
    assert np.allclose([width, height], [2 * box[2], 2 * box[3]], atol=2)
