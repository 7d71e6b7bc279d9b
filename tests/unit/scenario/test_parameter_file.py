"""Parameter files: what is read from them, and what is said of a wrong line."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import AsflownError
from asflown.scenario.parameter_file import read_parameters, write_parameters
from asflown.scenario.vehicle_file import read_vehicle

WRONG = {
    "no comma": ("tilt 25", ":1:1: `tilt 25` is no name and value. Write a line such as `tilt,25`"),
    "no number": ("tilt,high", ":1:1: the value `high` of `tilt` is no number. Write one such as `25`"),
    "not finite": ("tilt,nan", ":1:1: the value `nan` of `tilt` is no number. Write one such as `25`"),
    "twice": ("tilt,25\ntilt,30", ":2:1: `tilt` is there twice. Keep one of the two lines"),
    "too long": ("a.name.that.is.too.long,1", "is no name and value"),
}


def test_values_are_read_in_the_order_of_the_file(tmp_path: Path) -> None:
    """A heading, comments and blank lines count for nothing."""
    file = tmp_path / "tuned.csv"
    file.write_text("name,value\n\n# retuned\ntilt,25 # degrees\nspeed.travel, 3.5\n", encoding="utf-8")
    assert list(read_parameters(file).items()) == [("tilt", 25.0), ("speed.travel", 3.5)]


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    """To the last bit."""
    values = {"speed.travel": 0.1 + 0.2, "tilt": -1e-9}
    write_parameters(tmp_path / "it.csv", values)
    assert read_parameters(tmp_path / "it.csv") == values


@pytest.mark.parametrize(("text", "said"), WRONG.values(), ids=WRONG.keys())
def test_a_wrong_line_is_named(text: str, said: str, tmp_path: Path) -> None:
    """By its place, with what to write instead."""
    file = tmp_path / "tuned.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(AsflownError) as caught:
        read_parameters(file)
    assert said in str(caught.value)


def test_a_simulated_vehicle_alone_can_be_given_values(tmp_path: Path) -> None:
    """Nobody writes the parameters of a real one; the file of a simulated one is read with the vehicle file."""
    (tmp_path / "tuned.csv").write_text("tilt,high", encoding="utf-8")
    file = tmp_path / "it.vehicle.yaml"
    file.write_text(
        "asflown: 1\nname: it\nkind: airframe\nlink: udp://127.0.0.1:1\nparameters: {start: tuned.csv}\n",
        encoding="utf-8",
    )
    with pytest.raises(AsflownError) as caught:
        read_vehicle(file)
    assert "`start` does not belong to a vehicle of kind `airframe`" in str(caught.value)
    assert "the value `high` of `tilt` is no number" in str(caught.value)
