"""`asflown vehicle calibrate` on flights of a hidden craft, and on what it cannot learn from."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from asflown.campaign.flying import Task, fly_task
from asflown.campaign.plan import Drawn
from asflown.record import decode
from asflown.scenario.vehicle_file import read_vehicle
from tests.flights.flying import REPOSITORY, command

HIDDEN = {"conditions.craft.thrust": "90 %", "conditions.craft.drag": "160 %"}
SCENARIO = REPOSITORY / "tests" / "benchmarks" / "calibration" / "there-and-back.scenario.yaml"
CALM = {"conditions.wind.turbulence": "none", "conditions.wind.speed": "1 m/s"}
VFR_HUD = 74


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two flights, `a` and `b`."""
    folder = tmp_path_factory.mktemp("hidden")
    shutil.copytree(SCENARIO.parent, folder / "script")
    file = folder / "script" / SCENARIO.name
    file.write_text(file.read_text().replace("--leg, ", "--rounds, '1', --leg, "), encoding="utf-8")
    for seed, name in enumerate("ab", 5):
        task = Task(Drawn(seed, seed, HIDDEN | CALM), file, "palm80", "lockstep", folder / "flights", "all")
        flown = fly_task(task)
        shutil.move(flown.folder, folder / name)
    return folder


def calibrate(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command, in that folder."""
    return subprocess.run(
        command("vehicle", "calibrate", *words), cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.mark.flight
def test_a_hidden_craft_is_found_and_written(place: Path) -> None:
    """Thrust and drag lie in their intervals, the held-out flight is predicted better, the file can be flown."""
    file = place / "found.vehicle.yaml"
    done = calibrate(
        place, "palm80", "a", "--hold-out", "b", "--out", str(file), "--json", "found.json"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = json.loads((place / "found.json").read_text())
    assert found["thrust"]["low"] < 0.9 < found["thrust"]["high"]
    assert found["drag"]["low"] < 1.6 < found["drag"]["high"]
    (held,) = found["held_out"]
    assert held["after"]["upright_m_s"] < 0.5 * held["before"]["upright_m_s"]
    assert held["after"]["level_m_s"] < 0.8 * held["before"]["level_m_s"]
    assert "only their ratios move a craft" in done.stdout
    craft = read_vehicle(file).craft
    assert craft.thrust == pytest.approx(found["thrust"]["value"], rel=1e-3)
    assert craft.drag == pytest.approx(found["drag"]["value"], rel=1e-3)


@pytest.mark.flight
def test_a_capture_without_throttle_shows_drag_alone(place: Path) -> None:
    """It says what is missing, and leaves thrust as it was."""
    index = decode.index(place / "a" / "vehicle.tlog")
    tlog = place / "no-throttle.tlog"
    with tlog.open("wb") as out:
        for number in range(len(index)):
            if index.message_id[number] != VFR_HUD:
                out.write(int(index.time_us[number]).to_bytes(8, "big") + index.frame(number))
    done = calibrate(place, "palm80", tlog.name, "--out", "slow.vehicle.yaml")
    assert done.returncode == 0, done.stderr
    assert "thrust over weight: there is no throttle (VFR_HUD) in them" in done.stdout
    assert "no set-points that the craft followed" not in done.stdout  # it says itself what it follows
    assert read_vehicle(place / "slow.vehicle.yaml").craft.thrust == 1.0


@pytest.mark.flight
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("field1400", "a"), "was flown by palm80, not field1400"),
        (("palm80", "a", "--hold-out", "a"), "is named twice"),
        (("palm80", "nothing"), "nothing"),
        (("palm81", "a"), "Did you mean `palm80`?"),
        (("palm80", "a", "--out", "found.yaml"), "End it with .vehicle.yaml"),
        (("palm80", "a", "--out", "mine.vehicle.yaml"), "was not made by a calibration"),
        (("real.vehicle.yaml", "a"), "has no simulated airframe to fit"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value),
)
def test_what_makes_no_sense_is_refused(place: Path, words: tuple[str, ...], says: str) -> None:
    """One sentence, what to do, and no traceback."""
    (place / "mine.vehicle.yaml").write_text("asflown: 1\n", encoding="utf-8")
    real = "asflown: 1\nname: real\nkind: airframe\nlink: 'serial:///dev/ttyUSB0?baud=57600'\n"
    (place / "real.vehicle.yaml").write_text(real, encoding="utf-8")
    done = calibrate(place, *words)
    assert done.returncode in (2, 3)
    assert says in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
    assert (place / "mine.vehicle.yaml").read_text() == "asflown: 1\n"


@pytest.mark.flight
def test_a_short_capture_says_how_much_is_needed(place: Path) -> None:
    """The first half of the capture is no flight to learn from."""
    whole = (place / "a" / "vehicle.tlog").read_bytes()
    (place / "short.tlog").write_bytes(whole[: len(whole) // 3])
    done = calibrate(place, "palm80", "short.tlog")
    assert done.returncode == 2
    assert "too short to learn from" in done.stderr
