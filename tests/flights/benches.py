"""A bench rig made of our own flight controller: its radio and its USB port are pseudo terminals."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.flights.stand_in import served

RIG = """\
asflown: 1
name: rig
kind: bench
link: 'serial://{folder}/radio?baud=57600'
physics: simulated
physics_link: 'serial://{folder}/usb?baud=921600'
simulates: {airframe}
unattended: bench
preflight:
  fence: none
  battery: {{share: 20 %}}
  return_height: {{parameter: return.height}}
  link_loss: {{parameter: link.loss.act, safe: [1, 2]}}
"""


def rig_file(folder: Path, airframe: str = "palm80", more: str = "") -> Path:
    """The file of a rig, whose ports are `radio` and `usb` in the same folder."""
    file = folder / "rig.vehicle.yaml"
    file.write_text(RIG.format(folder=folder, airframe=airframe) + more, encoding="utf-8")
    return file


@contextmanager
def rig(folder: Path, airframe: str = "palm80", more: str = "") -> Iterator[Path]:
    """The file of a rig whose controller runs."""
    file = rig_file(folder, airframe, more)
    with served(f"pty://{folder}/radio", "--hil", f"pty://{folder}/usb", airframe=airframe):
        yield file
