"""A scenario drawn from a flight: the same script, flown again, passes it."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.scenario.file import load_scenario
from tests.flights.flying import SCENARIOS


@pytest.mark.flight
@pytest.mark.slow
def test_what_was_drawn_from_a_flight_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The nest boxes are found where they are, and flying the new file passes; one box left out fails it."""
    monkeypatch.chdir(tmp_path)
    assert main(["fly", str(SCENARIOS / "nest_boxes"), "--flights", "1", "--keep", "flown"]) == 0
    (folder,) = Path("flown").glob("*-nest-boxes-*")
    assert main(["new", "again", "--from-flight", str(folder), "--into", "."]) == 0
    legs = load_scenario(Path("again.scenario.yaml")).scenario.expect.path
    assert legs is not None
    kinds = [next(iter(leg.model_fields_set)).removesuffix("_") for leg in legs.legs]
    assert kinds == ["climb", *["line", "hold"] * 4, "return", "land"]
    places = [leg.line.to for leg in legs.legs if leg.line]
    for found, box in zip(places, [(8, 0, 3), (8, 6, 3), (1, 7, 3), (-3, 3, 3)], strict=True):
        assert found == pytest.approx(box, abs=0.4)
    assert main(["fly", "again.scenario.yaml", "--keep", "flown"]) == 0, capsys.readouterr().out
    text = (
        Path("again.scenario.yaml")
        .read_text()
        .replace("nest_boxes/nest_boxes.py", "../tests/flights/variants/box_left_out.py")
    )
    Path("again.scenario.yaml").write_text(text)
    assert main(["fly", "again.scenario.yaml", "--keep", "flown"]) == 1
