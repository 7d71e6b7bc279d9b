"""Changing quantities of a scenario file in place."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import UsageError
from asflown.scenario.edit import Change, Edited, edited
from asflown.scenario.file import load_scenario
from tests.unit.scenario.files import SCENARIO, spoilt, write_scenario

CROSS = ("expect", "measures", "cross_track_p95", "at_most")
DURATION = ("expect", "measures", "duration", "between")
COMMENTED = spoilt(SCENARIO, "{at_most: 0.8 m}", "{at_most: 0.8 m}   # measured in March, öfter")


def changed(file: Path, *changes: Change) -> tuple[Edited, ...]:
    """What becomes of the file."""
    return edited(load_scenario(file), changes)


def test_only_the_value_changes(tmp_path: Path) -> None:
    """Comments, spaces and everything else stay byte for byte."""
    file = write_scenario(tmp_path, COMMENTED)
    (one,) = changed(file, Change(CROSS, 0.4211, "up"))
    assert one.after == COMMENTED.replace("{at_most: 0.8 m}   #", "{at_most: 0.43 m}   #")
    assert one.before == COMMENTED == file.read_text(encoding="utf-8")


def test_several_values_on_one_line(tmp_path: Path) -> None:
    """Both ends of a range change, each rounded outwards."""
    file = write_scenario(tmp_path)
    (one,) = changed(file, Change((*DURATION, 0), 41.239, "down"), Change((*DURATION, 1), 52.001, "up"))
    assert "duration: {between: [41.23 s, 52.01 s]}" in one.after


ROUNDED = {
    "up": ("0.8 m", 0.4211, "up", "0.43 m"),
    "down": ("0.8 m", 0.4291, "down", "0.42 m"),
    "exact": ("0.8 m", 0.43, "up", "0.43 m"),
    "unit of the file": ("80 cm", 0.4211, "up", "42.2 cm"),
    "small": ("0.8 m", 0.000123, "up", "0.00013 m"),
    "negative": ("0.8 m", -0.4211, "up", "-0.42 m"),
    "whole": ("0.8 m", 2.0, "up", "2 m"),
}


@pytest.mark.parametrize(("old", "value", "towards", "new"), ROUNDED.values(), ids=ROUNDED.keys())
def test_rounding(tmp_path: Path, old: str, value: float, towards: str, new: str) -> None:
    """A value is rounded in the unit that it is written in, and never to the stricter side."""
    file = write_scenario(tmp_path, spoilt(SCENARIO, "{at_most: 0.8 m}", f"{{at_most: {old}, scale: 1 m}}"))
    (one,) = changed(file, Change(CROSS, value, "up" if towards == "up" else "down"))
    assert f"{{at_most: {new}, scale: 1 m}}" in one.after


def test_the_file_that_has_the_value_changes(tmp_path: Path) -> None:
    """A limit that stands in an extended file is changed there."""
    base = write_scenario(tmp_path, SCENARIO, "base.scenario.yaml")
    top = tmp_path / "top.scenario.yaml"
    top.write_text("extends: base.scenario.yaml\nexpect: {measures: {duration: {between: [1 s, 2 s]}}}\n")
    files = changed(top, Change(CROSS, 0.4, "up"), Change((*DURATION, 1), 3.0, "up"))
    assert {one.file: one.after.count("3 s]") for one in files} == {base: 0, top: 1}


def test_line_ends_stay(tmp_path: Path) -> None:
    """A file with the line ends of another system keeps them."""
    file = write_scenario(tmp_path)
    file.write_bytes(SCENARIO.replace("\n", "\r\n").encode())
    (one,) = changed(file, Change(CROSS, 0.4, "up"))
    assert one.after == SCENARIO.replace("{at_most: 0.8 m}", "{at_most: 0.4 m}").replace("\n", "\r\n")


def test_a_value_that_others_refer_to_is_left(tmp_path: Path) -> None:
    """An alias would change with its anchor: refused, with what to do."""
    shared = SCENARIO.replace("{at_most: 0.8 m}", "&far {at_most: 0.8 m}").replace(
        "duration: {between", "vertical_p95: *far\n    duration: {between"
    )
    with pytest.raises(
        UsageError, match="is used in several places of the file. Write it out where it is meant"
    ):
        changed(write_scenario(tmp_path, shared), Change(CROSS, 0.4, "up"))


def test_a_value_over_several_lines_is_left(tmp_path: Path) -> None:
    """What does not stand letter by letter on one line cannot be changed, and its place is told."""
    folded = spoilt(SCENARIO, "{at_most: 0.8 m}", "\n      at_most: >-\n        0.8 m")
    with pytest.raises(UsageError, match=r":30:16: this value cannot be changed where it stands"):
        changed(write_scenario(tmp_path, folded), Change(CROSS, 0.4, "up"))
