"""Where two flights that should be equal part ways."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pymavlink.dialects.v20 import common

from asflown.record import manifest as manifests
from asflown.record.capture import Recorder
from asflown.record.truth import TRUTH_COLUMNS
from asflown.report.difference import first_difference
from tests.unit.report.builders import manifest

EPOCH_US = 1_735_689_600_000_000


def frame(yaw_rad: float) -> bytes:
    """An ATTITUDE message."""
    message = common.MAVLink_attitude_message(0, 0.0, 0.0, yaw_rad, 0.0, 0.0, 0.0)
    packed: bytes = message.pack(common.MAVLink(None))
    return packed


def flight(
    folder: Path,
    yaws: tuple[float, ...] = (0.1, 0.2),
    north_m: float = 1.0,
    output: str = "hello\n",
    exit_code: int = 0,
) -> Path:
    """A recorded flight: a frame every 10 ms at the vehicle's tap, two rows of truth, some output."""
    folder.mkdir()
    recorder = Recorder(folder, EPOCH_US)
    for number, yaw in enumerate(yaws):
        recorder.frame("vehicle", 10_000 * number, frame(yaw))
    rows = np.zeros((2, len(TRUTH_COLUMNS)))
    rows[:, 0] = (0.0, 0.015)
    rows[1, 1] = north_m
    recorder.truth(rows.tobytes())
    recorder.close()
    (folder / "script.log").write_text(output, encoding="utf-8")
    script = manifest().script.model_copy(update={"exit_code": exit_code})
    manifests.write(manifest(clock={"epoch_us": EPOCH_US}, script=script), folder)
    return folder


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"yaws": (0.1, 0.3)}, "vehicle.tlog differs in record 2 (ATTITUDE), at 0.010000 s"),
        ({"yaws": (0.1, 0.2, 0.3)}, "vehicle.tlog differs in record 3 (ATTITUDE), at 0.020000 s"),
        ({"north_m": 1.5}, "the true north_m differs, at 0.015000 s"),
        ({"north_m": 1.5, "yaws": (0.1, 0.3)}, "vehicle.tlog differs in record 2 (ATTITUDE), at 0.010000 s"),
        ({"output": "hello\nyou\n"}, "line 2 of the script's output differs"),
        ({"exit_code": 1}, "the script ended with 0 and with 1"),
        ({}, "what differs is in no capture: the state of the vehicle between records"),
    ],
    ids=["frame", "one more", "truth", "both", "output", "exit code", "nothing"],
)
def test_what_differs_first_is_named(tmp_path: Path, changed: dict[str, object], said: str) -> None:
    """The earliest difference is named with its place and time, whichever flight comes first."""
    one, other = flight(tmp_path / "one"), flight(tmp_path / "other", **changed)  # type: ignore[arg-type]
    assert first_difference(one, other) == said
    assert (
        first_difference(other, one).split(",")[0]
        == said.replace("0 and with 1", "1 and with 0").split(",")[0]
    )


def test_a_flight_without_truth_is_compared_by_the_rest(tmp_path: Path) -> None:
    """A real vehicle has no truth; its captures are compared all the same."""
    one, other = flight(tmp_path / "one"), flight(tmp_path / "other", yaws=(0.1, 0.3))
    for folder in (one, other):
        (folder / "truth.npy").unlink()
    assert first_difference(one, other).startswith("vehicle.tlog differs in record 2")
