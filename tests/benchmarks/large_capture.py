"""Reads a capture of 1 GB and tells what that takes: `python -m tests.benchmarks.large_capture [MEGABYTES]`.

Writes the file (one minute of telemetry, again and again, stamps counted on), indexes it and reads the columns of
its positions and attitude, each in a process of its own whose memory is told. Pages of the mapped file count as
resident while they are in use; what the process holds itself is told apart. The file is deleted.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.long_capture import write_capture

MINUTE_S = 60

READ = """
import resource, sys, time
from pathlib import Path
import numpy as np
from asflown.record import decode

def own_mb():
    lines = Path("/proc/self/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Anonymous:")) / 1024

before, began = own_mb(), time.process_time()
index = decode.index(Path(sys.argv[1]))
indexed, took = own_mb(), time.process_time() - began
print(f"{len(index):,} frames indexed in {took:.1f} s of processor time, {index.rubbish_bytes} bytes left over")
print(f"the index holds {indexed - before:.0f} MB: {(indexed - before) * 2**20 / len(index):.0f} bytes for each frame")
if sys.argv[2] == "columns":
    began = time.process_time()
    rows = [len(decode.columns(index, number)) for number in (30, 32)]
    print(f"columns of {sum(rows):,} messages in {time.process_time() - began:.1f} s")
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(f"own memory at the end {own_mb():.0f} MB")
print(f"peak resident memory {peak:.0f} MB, with all pages of the mapped file, which the system takes back at need")
"""


def write_large(path: Path, megabytes: int) -> int:
    """One minute of telemetry, as often as it takes; returns the bytes written."""
    minute = np.frombuffer(write_capture(path.with_suffix(".minute"), MINUTE_S).read_bytes(), np.uint8).copy()
    path.with_suffix(".minute").unlink()
    places = _stamp_places(minute)
    stamps = minute[places[:, None] + np.arange(8)].copy().view(">u8")[:, 0].astype(np.uint64)
    written = 0
    with path.open("wb") as out:
        while written < megabytes << 20:
            minute[places[:, None] + np.arange(8)] = stamps.astype(">u8").view(np.uint8).reshape(-1, 8)
            written += out.write(minute.tobytes())
            stamps += np.uint64(MINUTE_S * 1_000_000)
    return written


def _stamp_places(
    data: np.ndarray[tuple[int], np.dtype[np.uint8]],
) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Where each record begins: an 8-byte stamp and an unsigned frame of version 2."""
    places, place = [], 0
    while place < len(data):
        places.append(place)
        place += 8 + 12 + int(data[place + 9])
    return np.array(places)


def main() -> None:
    """Writes, reads twice, deletes."""
    megabytes = int(sys.argv[1]) if len(sys.argv) > 1 else 1024
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.tlog"
        print(f"{write_large(path, megabytes) / 2**20:.0f} MB written")
        for what in ("index", "columns"):
            subprocess.run([sys.executable, "-c", READ, str(path), what], check=True)


if __name__ == "__main__":
    main()
