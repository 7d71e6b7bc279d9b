"""Scripts of strangers: what a sandbox keeps from them, and that a flight in it is the same flight."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from asflown.cli.main import main
from asflown.flight import sandbox
from tests.unit.source import ROOT

SCRIPT = Path(__file__).parent / "scripts" / "reaches_out.py"
SCENARIO = """\
asflown: 1
name: reaching-out
vehicle: palm80
script:
  run: [python, reaches_out.py, "{secret}", "{port_outside}", "{harness}", "{{link}}"]
  time_limit: 20 s
expect:
  measures:
    duration: {{at_most: 60 s}}
"""

needs_bubblewrap = pytest.mark.skipif(shutil.which("bwrap") is None, reason="bubblewrap is not installed")


def fly(*words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """The command, in a process that may leave its network."""
    return subprocess.run(
        [sys.executable, "-m", "asflown", "fly", *words],
        capture_output=True, text=True, check=False, env={**os.environ, **variables},
    )  # fmt: skip


@needs_bubblewrap
@pytest.mark.flight
def test_a_script_in_a_sandbox_reaches_nothing_but_its_folder(tmp_path: Path) -> None:
    """No secret, home, token, port, process or file outside; its own folder and its own children it has."""
    place = tmp_path / "theirs"
    place.mkdir()
    shutil.copy(SCRIPT, place)
    secret = tmp_path / "secret"
    secret.write_text("swordfish")
    with socket.create_server(("127.0.0.1", 0)) as outside:
        text = SCENARIO.format(secret=secret, port_outside=outside.getsockname()[1], harness=os.getpid())
        (place / "out.scenario.yaml").write_text(text)
        keep = tmp_path / "flights"
        done = fly(str(place), "--flights", "1", "--sandbox", "--keep", str(keep), SECRET_TOKEN="x")
    log = next(iter(keep.glob("*/script.log"))).read_text().splitlines()
    assert [line for line in log if line.startswith("got")] == ["got write_own", "got start_child"], (
        done.stderr
    )
    assert len([line for line in log if line.startswith("held")]) == 7
    assert (place / "note.txt").exists()


@needs_bubblewrap
@pytest.mark.flight
def test_a_flight_in_a_sandbox_is_the_same_flight(tmp_path: Path) -> None:
    """Lockstep holds a script behind walls as well: the same digest, and the demo passes."""
    demo = str(ROOT / "scenarios" / "nest_boxes")
    digests = []
    for extra in ([], ["--sandbox"]):
        keep = tmp_path / f"flights{len(extra)}"
        assert fly(demo, "--flights", "1", "--keep", str(keep), *extra).returncode == 0
        clock = json.loads(next(iter(keep.glob("*/flight.json"))).read_text())["clock"]
        assert clock["kind"] == "lockstep"
        digests.append(clock["digest"])
    assert digests[0] == digests[1]


LEAVES = """
import os, sys
from asflown.cli.main import main
from asflown.flight import sandbox
def leave():
    print("threads:", len(os.listdir("/proc/self/task")))
    sys.exit(0)
sandbox.leave_the_network = leave
main(["fly", sys.argv[1], "--flights", "1", "--sandbox"])
"""


def test_when_the_network_is_left_there_is_but_one_thread() -> None:
    """Else the system lets nobody but root do it, and numpy's mathematics would have begun some."""
    without = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", LEAVES, str(ROOT / "scenarios" / "nest_boxes")],
        capture_output=True, text=True, check=False, env=without,
    )  # fmt: skip
    assert done.stdout == "threads: 1\n", done.stderr


def test_without_bubblewrap_nothing_is_flown(tmp_path: Path) -> None:
    """A sandbox that cannot be had is an error, never a flight without one."""
    (tmp_path / "bin").mkdir()
    done = fly(
        str(ROOT / "scenarios" / "nest_boxes"), "--flights", "1", "--sandbox", "--keep", str(tmp_path / "flights"),
        PATH=str(tmp_path / "bin"),
    )  # fmt: skip
    assert done.returncode == 3, done.stdout + done.stderr
    assert "bubblewrap" in done.stdout + done.stderr
    assert not any(tmp_path.glob("flights/*/script.log")) or not any(
        file.read_bytes() for file in tmp_path.glob("flights/*/script.log")
    )


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--workers", "2"], "one flight at a time"),
        (
            ["--vehicle", str(ROOT / "scenarios/vehicles/boxed-palm80.vehicle.yaml")],
            "built-in vehicles alone",
        ),
    ],
    ids=["workers", "container"],
)
def test_what_a_sandbox_cannot_hold_is_refused(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything is flown, and before this process leaves its network."""
    assert main(["fly", str(ROOT / "scenarios/nest_boxes"), "--sandbox", *words]) == 2
    assert says in capsys.readouterr().err


def test_tokens_in_the_environment_stay_outside() -> None:
    """What a program needs to start it is told, and nothing more."""
    told = [
        name
        for name in ("PATH", "LC_ALL", "PYTHONHASHSEED", "CI_TOKEN", "AWS_SECRET", "HOME")
        if sandbox._may_know(name)
    ]
    assert told == ["PATH", "LC_ALL", "PYTHONHASHSEED"]
