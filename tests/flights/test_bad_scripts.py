"""Scripts and places that go wrong: one clear message, the right exit code, closed captures, nothing left behind."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from pathlib import Path

import numpy as np
import pytest
from pymavlink import mavutil

from asflown.clock.wall import Stopwatch, pause
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from asflown.record import truth
from tests.flights.flying import HELLO, Flown, command, fly, processes_of, write_scenario


def count_frames(tlog: Path) -> int:
    """How many messages pymavlink's own reader finds."""
    reader = mavutil.mavlink_connection(str(tlog), dialect="common")
    count = 0
    while reader.recv_msg() is not None:
        count += 1
    reader.f.close()
    return count


def check_left_behind(flown: Flown) -> None:
    """What holds after every run: readable captures, no process, no traceback of ours."""
    assert "Traceback" not in flown.stdout + flown.stderr
    for folder in flown.folders:
        assert manifests.read(folder).flight_id == folder.name
        assert processes_of(folder) == []
        assert count_frames(folder / folders.VEHICLE_TLOG) >= 0
        rows = np.load(folder / truth.FILE_NAME)
        assert rows.shape[1] == len(truth.TRUTH_COLUMNS)


ENDINGS = {
    "exits with an error": (HELLO + "sys.exit(3)", 1, "the script ended with exit code 3, expected 0"),
    "raises": (
        HELLO + "raise ValueError('no nest box')",
        1,
        "exit code 1, expected 0: ValueError: no nest box",
    ),
    "never speaks": ("print('nothing to do')", 3, "the script never sent anything on its link"),
    "never connects": ("import time\ntime.sleep(1e6)", 3, "the script never sent anything on its link"),
    "waits for ever": (HELLO + "time.sleep(1e6)", 1, "the script did not end within its time limit"),
    "does not let itself be interrupted": (
        HELLO + "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN); time.sleep(1e6)",
        1,
        "the script did not end within its time limit",
    ),
    "waits for itself": (
        HELLO + "import threading; threading.Event().wait()",
        3,
        "every thread waits for what cannot happen",
    ),
    "hangs": (HELLO + "while True: pass", 3, "it neither waited nor ended within 2 s of wall time"),
    "prints binary rubbish": (
        HELLO + "sys.stdout.buffer.write(bytes(range(256)) * 4096); sys.exit(4)",
        1,
        "the script ended with exit code 4, expected 0",
    ),
    "floods its output": (
        HELLO + "while True: print('x' * 1_000_000); time.sleep(0.1)",
        1,
        "the script wrote more output than is kept",
    ),
    "is not Python": ("this is (not python", 1, "SyntaxError"),
}


@pytest.mark.parametrize("case", ENDINGS)
def test_a_script_that_goes_wrong_is_told_in_words(case: str, tmp_path: Path) -> None:
    """Each way for a script to go wrong has its message and exit code, and leaves a readable folder."""
    script, exit_code, message = ENDINGS[case]
    flown = fly(tmp_path, write_scenario(tmp_path, script), ASFLOWN_WATCHDOG_S="2")
    assert message in flown.manifest.problem
    assert message in flown.says()
    assert flown.exit_code == exit_code
    check_left_behind(flown)


def test_a_flood_is_counted_and_harms_nobody(tmp_path: Path) -> None:
    """Twenty thousand messages at once are all recorded; what the vehicle does not get is counted."""
    flood = HELLO + "for n in range(20000): link.mav.ping_send(n, n, 1, 1)\ntime.sleep(2)"
    flown = fly(tmp_path, write_scenario(tmp_path, flood))
    link = flown.manifest.link
    assert count_frames(flown.folders[0] / folders.SCRIPT_TLOG) == link["script.frames_in"] == 20_001
    taken = sum(link[f"uplink.{level}.taken"] for level in ("command", "rest"))
    dropped = sum(link[f"uplink.{level}.dropped"] for level in ("command", "rest"))
    assert taken + dropped >= 20_001
    check_left_behind(flown)


@pytest.mark.parametrize(
    ("start", "reason"),
    [
        ("if os.fork() == 0: os.setsid(); time.sleep(600)", ""),
        (
            "import subprocess; subprocess.Popen(['sleep', '600'], start_new_session=True)",
            "subprocess.Popen of sleep, which is not Python",
        ),
    ],
    ids=["fork", "another program"],
)
def test_a_child_that_would_outlive_the_script_is_ended(start: str, reason: str, tmp_path: Path) -> None:
    """A child that hides in a session of its own ends with the flight; one that is not Python makes it paced."""
    script = HELLO + start + "\ntime.sleep(1)\nos._exit(0)"
    flown = fly(tmp_path, write_scenario(tmp_path, script))
    clock = flown.manifest.clock
    assert (clock.kind, clock.deterministic) == (("paced", False) if reason else ("lockstep", True))
    if reason:
        assert clock.reason.startswith(f"{reason} (")
        assert "script.py:8" in clock.reason
    check_left_behind(flown)


def test_lockstep_demanded_and_not_to_be_had_is_an_error(tmp_path: Path) -> None:
    """With `clock: lockstep` the flight is not flown in wall time instead; the message names the call."""
    flown = fly(tmp_path, write_scenario(tmp_path, HELLO + "os.system('true')", more="clock: lockstep\n"))
    assert flown.exit_code == 3
    assert "the scenario asks for lockstep, but os.system" in flown.says()
    check_left_behind(flown)


def test_a_port_that_is_shared_unnoticed_is_found_out(tmp_path: Path) -> None:
    """Another program that listens on the script's own port, with address reuse, would starve it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind(("127.0.0.1", 0))
        port = other.getsockname()[1]
        own = f"  listens: udp-listen://127.0.0.1:{port}\n"
        flown = fly(tmp_path, write_scenario(tmp_path, HELLO, script_more=own), "--clock", "paced")
    assert flown.exit_code == 3
    assert f"{port}" in flown.manifest.problem
    assert flown.says().count(flown.manifest.problem) >= 1
    check_left_behind(flown)


def test_a_folder_that_cannot_be_written_is_found_before_flying(tmp_path: Path) -> None:
    """An impossible place for flights is a usage error, told before anything flies."""
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    done = subprocess.run(
        command("fly", write_scenario(tmp_path, HELLO), "--keep", blocked / "flights"),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert str(blocked) in done.stderr.replace("\n", "")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("clock", ["lockstep", "paced"])
def test_a_full_disk_ends_the_flight_in_order(clock: str, tmp_path: Path) -> None:
    """When a capture cannot grow any more, the flight ends with the reason, and what was written can be read."""
    scenario = write_scenario(tmp_path, HELLO + "time.sleep(25)")
    run = " ".join(
        ["ulimit -f 56; exec", *command("fly", scenario, "--keep", tmp_path / "flights", "--clock", clock)]
    )
    done = subprocess.run(
        ["bash", "-c", run], cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False
    )
    (folder,) = (entry for entry in (tmp_path / "flights").iterdir() if entry.is_dir())
    manifest = manifests.read(folder)
    assert (manifest.outcome, done.returncode) == ("error", 3), done.stdout + done.stderr
    assert "cannot be written any more (File too large)" in manifest.problem
    assert "Traceback" not in done.stdout + done.stderr
    assert count_frames(folder / folders.VEHICLE_TLOG) > 50
    assert processes_of(folder) == []


def test_a_vehicle_that_is_lost_ends_the_flight(tmp_path: Path) -> None:
    """A link that never comes back is an error of the flight, not a finding about the script."""
    lost = "conditions:\n  faults:\n    - {at: 6 s, inject: link-loss}\n"
    flown = fly(tmp_path, write_scenario(tmp_path, HELLO + "time.sleep(25)", more=lost))
    assert flown.exit_code == 3
    assert "the vehicle was lost: no heartbeat since" in flown.manifest.problem
    check_left_behind(flown)


def wait_for_script(keep: Path, text: str) -> Path:
    """The flight folder, once the script has written `text`."""
    watch = Stopwatch()
    while watch.seconds() < 60:
        for log in keep.glob("*/script.log"):
            if text in log.read_text(encoding="utf-8"):
                return log.parent
        pause(0.02)
    raise AssertionError(f"no script wrote {text!r} in {keep}")


@pytest.mark.parametrize("clock", ["lockstep", "paced"])
@pytest.mark.parametrize(
    ("number", "exit_code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGKILL, -9)]
)
def test_a_stopped_run_leaves_a_readable_folder(
    clock: str, number: signal.Signals, exit_code: int, tmp_path: Path
) -> None:
    """Ctrl-C, SIGTERM and SIGKILL in the middle: outcome `interrupted`, captures readable, no orphan."""
    script = HELLO + "print('under way', flush=True)\nwhile True: time.sleep(0.01)"
    scenario = write_scenario(tmp_path, script, time_limit="100000 s")
    keep = tmp_path / "flights"
    run = subprocess.Popen(
        command("fly", scenario, "--keep", keep, "--clock", clock),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "COLUMNS": "100"},
    )
    folder = wait_for_script(keep, "under way")
    pause(0.3)
    run.send_signal(number)
    output, _ = run.communicate(timeout=60)
    assert run.returncode == exit_code, output
    assert "Traceback" not in output
    assert manifests.read(folder).outcome == "interrupted"
    assert count_frames(folder / folders.VEHICLE_TLOG) > 10
    watch = Stopwatch()
    while processes_of(folder) and watch.seconds() < 10:
        pause(0.02)
    assert processes_of(folder) == []
