"""The recorder: what it writes, when, and what the digest covers."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from asflown.errors import FolderProblem
from asflown.record import folder as folders
from asflown.record import truth
from asflown.record.capture import Recorder

Deed = tuple[str, tuple[object, ...]]

EPOCH_US = 1_735_689_600_000_000
FRAME = bytes.fromhex("fd0900000001010000000000000002000003038346")
ROW = np.arange(float(len(truth.TRUTH_COLUMNS))).tobytes()


def digest_of(folder: Path, deeds: list[Deed], exit_code: int | None = 0) -> str:
    """The digest after calling the recorder's methods named in `deeds`."""
    folder.mkdir()
    recorder = Recorder(folder, EPOCH_US)
    for method, arguments in deeds:
        getattr(recorder, method)(*arguments)
    recorder.close()
    return recorder.digest_hex(exit_code)


def test_stamps_are_unique_over_all_taps(tmp_path: Path) -> None:
    """Frames of one moment at different taps get stamps that rise by a microsecond each."""
    recorder = Recorder(tmp_path, EPOCH_US)
    stamps = [recorder.frame(tap, 5, FRAME) for tap in ("vehicle", "script", "vehicle", "station")]
    stamps.append(recorder.frame("vehicle", 7, FRAME))
    recorder.close()
    assert stamps == [EPOCH_US + n for n in (5, 6, 7, 8, 9)]


def test_tlog_record_is_a_big_endian_stamp_and_the_frame(tmp_path: Path) -> None:
    """A record is 8 bytes of stamp and the frame as it came."""
    recorder = Recorder(tmp_path, EPOCH_US)
    recorder.frame("script", 3, FRAME)
    recorder.close()
    assert (tmp_path / "script.tlog").read_bytes() == (EPOCH_US + 3).to_bytes(8, "big") + FRAME
    assert (tmp_path / "vehicle.tlog").read_bytes() == b""


def test_events_are_json_lines_in_order(tmp_path: Path) -> None:
    """Each event is one line with its flight time and kind, whatever characters it holds."""
    recorder = Recorder(tmp_path, EPOCH_US)
    recorder.event(10, "script-started", command=["python", "föhn.py"])
    recorder.note(20, "port", number=14_560)
    recorder.event(30, "text", text="one\ntwo\udcff")
    recorder.close()
    lines = [json.loads(line) for line in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()]
    assert [(line["time_us"], line["kind"]) for line in lines] == [
        (10, "script-started"),
        (20, "port"),
        (30, "text"),
    ]
    assert list(folders.read_events(tmp_path)) == lines


def test_truth_is_an_ordinary_numpy_file(tmp_path: Path) -> None:
    """numpy.load reads a closed truth file, and so do we."""
    recorder = Recorder(tmp_path, EPOCH_US)
    recorder.truth(ROW)
    recorder.truth(ROW + ROW)
    recorder.close()
    loaded = np.load(tmp_path / "truth.npy")
    assert loaded.shape == (3, len(truth.TRUTH_COLUMNS))
    np.testing.assert_array_equal(truth.read(tmp_path), loaded)


def test_frames_reach_the_file_within_50_ms_of_flight(tmp_path: Path) -> None:
    """What was recorded is in the file 50 ms of flight time later, without a call to flush."""
    recorder = Recorder(tmp_path, EPOCH_US)
    recorder.frame("vehicle", 1_000, FRAME)
    recorder.frame("vehicle", 49_999, FRAME)
    assert (tmp_path / "vehicle.tlog").stat().st_size == 0
    recorder.frame("vehicle", 50_000, FRAME)
    assert (tmp_path / "vehicle.tlog").stat().st_size == 3 * (8 + len(FRAME))
    recorder.close()


KILLED = """
import os, signal, sys
from pathlib import Path
from asflown.record.capture import Recorder
recorder = Recorder(Path(sys.argv[1]), 0)
for n in range(10):
    recorder.frame("vehicle", n, bytes.fromhex("fd0900000001010000000000000002000003038346"))
    recorder.truth(bytes(16 * 8))
recorder.truth(bytes(17))
recorder.event(11, "last")
recorder.flush()
recorder.event(12, "lost")
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_run_leaves_what_was_flushed(tmp_path: Path) -> None:
    """After SIGKILL the folder holds every frame, whole row and event up to the last flush."""
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], check=False)
    assert (tmp_path / "vehicle.tlog").stat().st_size == 10 * (8 + len(FRAME))
    assert truth.read(tmp_path).shape == (10, len(truth.TRUTH_COLUMNS))
    assert [event["kind"] for event in folders.read_events(tmp_path)] == ["last"]


SAME: list[Deed] = [
    ("frame", ("vehicle", 5, FRAME)),
    ("event", (6, "armed")),
    ("state", (b"abcd",)),
    ("script_output", (b"hello",)),
]
CHUNKED_OTHERWISE: list[Deed] = [
    ("state", (b"ab",)),
    ("script_output", (b"hel",)),
    ("frame", ("vehicle", 5, FRAME)),
    ("note", (5, "port")),
    ("event", (6, "armed")),
    ("flush", ()),
    ("script_output", (b"lo",)),
    ("state", (b"cd",)),
]


def test_digest_does_not_depend_on_chunks_or_notes(tmp_path: Path) -> None:
    """Output and state handed over in other pieces, flushes and notes change nothing in the digest."""
    assert digest_of(tmp_path / "a", SAME) == digest_of(tmp_path / "b", CHUNKED_OTHERWISE)


@pytest.mark.parametrize(
    ("position", "changed"),
    [
        (0, ("frame", ("script", 5, FRAME))),
        (0, ("frame", ("vehicle", 6, FRAME))),
        (0, ("frame", ("vehicle", 5, FRAME[:-1]))),
        (1, ("event", (7, "armed"))),
        (2, ("state", (b"abce",))),
        (3, ("script_output", (b"hello!",))),
    ],
    ids=["tap", "stamp", "frame", "event", "state", "output"],
)
def test_digest_covers_everything_recorded(tmp_path: Path, position: int, changed: Deed) -> None:
    """Another tap, stamp, frame, event, state or output gives another digest."""
    deeds = list(SAME)
    deeds[position] = changed
    assert digest_of(tmp_path / "a", SAME) != digest_of(tmp_path / "b", deeds)


def test_digest_covers_the_exit_code(tmp_path: Path) -> None:
    """A script that ended otherwise gives another digest."""
    assert digest_of(tmp_path / "a", SAME, 0) != digest_of(tmp_path / "b", SAME, None)


def test_digest_does_not_depend_on_the_date(tmp_path: Path) -> None:
    """The same flight begun at another wall time has the same digest."""
    digests = []
    for name, epoch_us in (("a", EPOCH_US), ("b", EPOCH_US + 1)):
        (tmp_path / name).mkdir()
        recorder = Recorder(tmp_path / name, epoch_us)
        recorder.frame("vehicle", 5, FRAME)
        recorder.close()
        digests.append(recorder.digest_hex(0))
    assert digests[0] == digests[1]


@pytest.mark.parametrize("name", ["script.tlog", "truth.npy", "script.log"])
def test_folder_used_before_is_refused(tmp_path: Path, name: str) -> None:
    """A capture is never written over, and nothing stays open when one cannot be made."""
    (tmp_path / name).touch()
    before = len(list(Path("/proc/self/fd").iterdir()))
    with pytest.raises(FolderProblem) as caught:
        Recorder(tmp_path, EPOCH_US)
    assert str(caught.value) == (
        f"{tmp_path / name} cannot be made (File exists). Free the place, or name another folder"
    )
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_write_error_is_reported_once_and_the_others_go_on(tmp_path: Path) -> None:
    """A file that takes no more bytes is named once; stamps go on, the rest is written and closed."""
    code = f"""
import resource, signal
from pathlib import Path
from asflown.errors import FlightError
from asflown.record.capture import Recorder
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
recorder = Recorder(Path({str(tmp_path)!r}), 0)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
problems = []
for n in range(100):
    try:
        assert recorder.frame("vehicle", n * 60_000, bytes(100)) == n * 60_000
        recorder.event(n * 60_000, "tick")
    except FlightError as problem:
        problems.append(str(problem))
    if n == 5:
        recorder.frame("script", n, b"still written")
recorder.close()
print("\\n".join(problems))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    remedy = "Make room or mend the file system, then fly again; what was written so far is kept"
    reason = os.strerror(errno.EFBIG)
    assert done.stdout.splitlines() == [
        f"{tmp_path / name} cannot be written any more ({reason}). {remedy}"
        for name in ("vehicle.tlog", "events.jsonl")
    ]
    assert (tmp_path / "script.tlog").read_bytes().endswith(b"still written")
    assert (tmp_path / "vehicle.tlog").stat().st_size == 9 * 108, "a part of a record was left"
    assert (tmp_path / "events.jsonl").read_bytes().endswith(b"}\n")


INTERRUPTED = """
import signal, sys
from pathlib import Path
from asflown.record.capture import Recorder

class Ended(Exception):
    pass

def end(*_):
    raise Ended

recorder, interruptions, number = Recorder(Path(sys.argv[1]), 0), 0, 0
signal.signal(signal.SIGALRM, end)
while interruptions < 500:
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.0003 + number % 7 * 0.00005)
        while True:
            number += 1
            recorder.frame("vehicle", number, number.to_bytes(20_000, "big"))
            recorder.flush()
    except Ended:
        interruptions += 1
signal.setitimer(signal.ITIMER_REAL, 0)
recorder.close()
"""


def test_a_signal_in_the_middle_of_writing_tears_and_doubles_nothing(tmp_path: Path) -> None:
    """Whatever line it interrupts: records are whole, in order, and each is there once."""
    subprocess.run([sys.executable, "-c", INTERRUPTED, str(tmp_path)], check=True)
    data = (tmp_path / "vehicle.tlog").read_bytes()
    assert len(data) % 20_008 == 0
    numbers = [int.from_bytes(data[at + 8 : at + 20_008], "big") for at in range(0, len(data), 20_008)]
    assert numbers == sorted(set(numbers))
    assert numbers[-1] - len(numbers) <= 500, "at most the frame of each interruption was not taken"


WITHOUT_MEMORY = """
import resource, sys, threading
from pathlib import Path
from asflown.record.capture import Recorder
for _ in range(3):  # whose stacks the system keeps for the next ones
    threads = [threading.Thread(target=int) for _ in range(6)]
    for thread in threads: thread.start()
    for thread in threads: thread.join()
recorder, held = Recorder(Path(sys.argv[1]), 0), []
for number in range(100):
    recorder.frame("vehicle", number, bytes(100))
recorder.flush()
resource.setrlimit(resource.RLIMIT_AS, (1 << 20, resource.RLIM_INFINITY))
for make in (lambda: bytes(64), lambda: [None], *(lambda size=size: bytes(size) for size in (32, 100, 200, 400, 500))):
    try:
        while True: held.append(make())
    except MemoryError:
        pass
try:
    recorder.close()
finally:
    held.clear()
"""


def test_a_machine_without_memory_is_not_waited_for(tmp_path: Path) -> None:
    """Closing ends, whether it succeeds or not: a thread that finds no memory would be waited for for ever."""
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_MEMORY, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode in {0, 1}, done.stderr
    assert (tmp_path / "vehicle.tlog").stat().st_size == 100 * 108
