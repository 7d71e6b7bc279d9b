"""Vehicles in containers, with a real engine: what they may do, how they end, and that nothing is ever left."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from asflown.flight import conductor
from asflown.flight.plan import FlightPlan
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle
from tests.flights import engines
from tests.flights.flying import HELLO, REPOSITORY, command, write_scenario

pytestmark = [pytest.mark.flight, pytest.mark.wall_time]

STAYS = HELLO + "time.sleep(float(sys.argv[3]))\n"


BUILT = "asflown: 1\nname: boxed\nkind: container\ncontainer: {build: image, port: 14560/udp}\n"


@pytest.fixture(scope="module", autouse=True)
def image() -> None:
    """The image that all of these fly."""
    engines.engine_or_skip()
    engines.make_image()


def scenario(folder: Path, stays_s: float) -> Path:
    """A scenario whose script says hello and stays for a while."""
    more = "  beside: []\n  compute: 0 ms\n"
    file = write_scenario(folder, STAYS, script_more=more)
    text = file.read_text(encoding="utf-8").replace('"{link}"]', f'"{{link}}", "{stays_s}"]')
    file.write_text(text, encoding="utf-8")
    return file


def tried(folder: Path, vehicle: Path) -> tuple[Path, str]:
    """Folder and problem of a flight in this process that cannot be carried out."""
    plan = FlightPlan(
        load_scenario(scenario(folder, 1)), load_vehicle(str(vehicle)), 1, "any", folder / "flights"
    )
    result = conductor.fly(plan, lambda at: None)
    assert result.manifest.outcome == "error"
    return result.folder, result.manifest.problem


@contextmanager
def started(
    folder: Path, stays_s: float, vehicle: Path, *more: str, engine: engines.OwnEngine | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A flight with a script that stays for a while; ended and swept away if the test has not seen to it."""
    words = command("fly", scenario(folder, stays_s), "--vehicle", vehicle, "--keep", "flights", *more)
    environment = dict(os.environ)
    if engine is not None:
        words, environment["DOCKER_HOST"] = [*engine.inside, *words], engine.host
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True}
    with subprocess.Popen(words, cwd=folder, env=environment, **pipes) as running:
        try:
            yield running
        finally:
            if running.poll() is None:
                running.terminate()
            print(running.stdout.read() if running.stdout and not running.stdout.closed else "")


def test_two_side_by_side_are_boxed_in_and_removed(tmp_path: Path) -> None:
    """Each has a network of its own, no rights, bounded means; no port is open beyond the loopback; nothing stays."""
    vehicle = engines.boxed(tmp_path, more="  limits: {memory: 300 MB, cpus: 1, processes: 40}\n")
    before = engines.listening()
    with started(tmp_path, 3, vehicle, "--flights", "2", "--workers", "2") as running:
        found = engines.of_flight(tmp_path, flying=False)
        while len(networks := engines.left(tmp_path)) < 4:  # two containers, two networks
            assert running.poll() is None
        opened = engines.listening() - before
        running.terminate()
        assert running.wait(60) == 143
    host = found["HostConfig"]
    assert (host["CapDrop"], host["ReadonlyRootfs"], host["Privileged"]) == (["ALL"], True, False)
    assert host["SecurityOpt"] == ["no-new-privileges:true"]
    assert (host["Memory"], host["NanoCpus"], host["PidsLimit"]) == (300_000_000, 1_000_000_000, 40)
    assert host["PortBindings"] in ({}, None)
    assert len(set(networks)) == 2
    assert opened == set()
    assert engines.left(tmp_path) == []


LOOKS_ROUND = """
import os, socket
try:
    open("/here", "w")
except OSError as error:
    print("root:", error.strerror)
open("/tmp/there", "w").write("x")
print("caps:", [line.split()[1] for line in open("/proc/self/status") if line.startswith(("CapEff", "NoNewPrivs"))])
try:
    socket.create_connection(("192.0.2.1", 80), 1)
except OSError as error:
    print("outside:", error.strerror or "no answer")
raise SystemExit(5)
"""


@pytest.mark.parametrize("reach", ["address", "published"])
def test_container_reaches_and_writes_nothing_it_should_not(tmp_path: Path, reach: str) -> None:
    """Its root is read-only, it has no capability, gains none, and nothing outside answers it."""
    (tmp_path / "look.py").write_text(LOOKS_ROUND, encoding="utf-8")
    more = f"  reach: {reach}\n  writes: {{/tmp: 1 MB}}\n  volumes: [{{from: look.py, to: /look.py}}]\n"
    folder, _ = tried(tmp_path, engines.boxed(tmp_path, "[/look.py]", more=more))
    log = (folder / "vehicle.log").read_text(encoding="utf-8")
    assert "root: Read-only file system\ncaps: ['0000000000000000', '1']\noutside: " in log
    assert "outside: no answer" in log or "unreachable" in log or "timed out" in log
    assert engines.left(tmp_path) == []


FULL = "[-c, \"open('/tmp/log', 'wb').write(bytes(2_000_000))\"]"
HUNGRY = '[-c, "x = bytearray(200_000_000); import time; time.sleep(9)"]'
DEAF = '[-c, "import time; time.sleep(60)"]'
ENDINGS = {
    "image missing": (
        engines.SERVE,
        {"image": "not-there:1"},
        "the container engine has no image not-there:1. It has",
    ),
    "disk full": (
        FULL,
        {"more": "  writes: {/tmp: 1 MB}\n"},
        "ended with exit code 1; its last words: OSError: [Errno 28] No space left on device",
    ),
    "memory full": (
        HUNGRY,
        {"more": "  limits: {memory: 100 MB}\n"},
        "needed more memory than 100 MB. Raise `limits: {memory: ...}`",
    ),
    "port never opens": (
        DEAF,
        {"more": "  ready_within: 1 s\n"},
        "no autopilot's heartbeat came from its port 14560/udp within 1 s",
    ),
    "wrong command": (
        "[nowhere.py]",
        {},
        "ended with exit code 2; its last words: /python/bin/python3: can't open file",
    ),
}


@pytest.mark.parametrize(("words", "how", "message"), ENDINGS.values(), ids=ENDINGS.keys())
def test_container_that_cannot_fly_says_why(
    tmp_path: Path, words: str, how: dict[str, str], message: str
) -> None:
    """One sentence that names the reason, and nothing is left."""
    _, problem = tried(tmp_path, engines.boxed(tmp_path, words, **how))
    assert message in problem
    assert engines.left(tmp_path) == []


BUILDS = {
    "built": (
        f'FROM {engines.IMAGE}\nUSER 65534\nCMD ["-c", "raise SystemExit(9)"]\n',
        "ended with exit code 9",
    ),
    "base missing": ("FROM not-there:1\n", "the container engine has no image not-there:1. It has"),
    "step fails": (f'FROM {engines.IMAGE}\nRUN ["/python/bin/python3", "-c", "x"]\n', "cannot be built: "),
}


@pytest.mark.parametrize(("dockerfile", "message"), BUILDS.values(), ids=BUILDS.keys())
def test_image_is_built_from_what_the_engine_has(tmp_path: Path, dockerfile: str, message: str) -> None:
    """A build context instead of an image; nothing is asked of a registry."""
    (tmp_path / "image").mkdir()
    (tmp_path / "image" / "Dockerfile").write_text(dockerfile, encoding="utf-8")
    file = tmp_path / "boxed.vehicle.yaml"
    file.write_text(BUILT, encoding="utf-8")
    _, problem = tried(tmp_path, file)
    assert message in problem
    assert engines.left(tmp_path) == []


def test_no_engine_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What to start is said."""
    monkeypatch.setenv("DOCKER_HOST", f"unix://{tmp_path}/nobody")
    _, problem = tried(tmp_path, engines.boxed(tmp_path))
    assert f"there is no {tmp_path}/nobody. Install the engine" in problem


def test_script_follows_a_container_that_flies_faster(tmp_path: Path) -> None:
    """With `rate: vehicle` the script sleeps by the vehicle's time, on a clock that is no wall clock."""
    vehicle = engines.boxed(tmp_path, more="  rate: vehicle\n")
    plan = FlightPlan(
        load_scenario(scenario(tmp_path, 20)), load_vehicle(str(vehicle)), 1, "any", tmp_path / "flights"
    )
    manifest = conductor.fly(plan, lambda at: None).manifest
    script = manifest.script
    assert (manifest.outcome, manifest.clock.kind, manifest.clock.deterministic) == (
        "completed",
        "paced",
        False,
    )
    assert manifest.clock.reason == "the vehicle boxed keeps time of its own, which the script follows"
    assert script.started_us is not None
    assert script.ended_us is not None
    assert script.ended_us - script.started_us >= 20_000_000
    assert engines.left(tmp_path) == []


def test_container_is_killed_in_flight(tmp_path: Path) -> None:
    """The flight ends at once with exit code 3; what was recorded is kept."""
    with started(tmp_path, 30, engines.boxed(tmp_path)) as running:
        engines.docker("kill", engines.of_flight(tmp_path)["Id"])
        said = " ".join(running.communicate(timeout=60)[0].split())
    assert running.returncode == 3
    assert "container boxed was killed from outside" in said
    (folder,) = (tmp_path / "flights").glob("2*")
    assert (folder / "vehicle.tlog").stat().st_size > 1000
    assert engines.left(tmp_path) == []


def test_what_a_killed_run_left_is_swept(tmp_path: Path) -> None:
    """A run killed without mercy leaves its container and network; the next sweep removes both."""
    with started(tmp_path, 30, engines.boxed(tmp_path)) as running:
        engines.of_flight(tmp_path, flying=False)
        while len(engines.left(tmp_path)) < 2:
            assert running.poll() is None
        running.kill()
    subprocess.run(command("vehicle", "sweep"), cwd=REPOSITORY, check=True)
    assert engines.left(tmp_path) == []


def test_engine_is_stopped_in_flight(tmp_path: Path) -> None:
    """The flight ends with exit code 3; once the engine is back, the next run removes what it could not."""
    with engines.own_engine() as engine:
        engine.load(engines.IMAGE)
        with started(tmp_path, 30, engines.boxed(tmp_path), engine=engine) as running:
            engines.of_flight(tmp_path, engine.host)
            engine.stop()
            said = " ".join(running.communicate(timeout=90)[0].split())
        assert running.returncode == 3
        assert "container boxed was stopped from outside" in said or "the container engine went away" in said
        engine.start()
        environment = {**os.environ, "DOCKER_HOST": engine.host}
        subprocess.run(command("vehicle", "sweep"), cwd=tmp_path, env=environment, check=True)
        assert engines.left(tmp_path, engine.host) == []
