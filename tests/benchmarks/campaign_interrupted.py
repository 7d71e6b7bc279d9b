"""A campaign that is killed, and one whose disk fills up: gone on with, nothing lost, nothing doubled.

    python -m tests.benchmarks.campaign_interrupted [--flights 12] [--kills 3]

The command flies on two processes. It is killed (SIGKILL) after each few flights, as often as `--kills` says, and
started again; how long its workers and their scripts outlive it is told. Then the same campaign is flown into a small
file system that is filled to the brim in the middle, and gone on with when there is room. Digests are compared with the
same flights flown without any of this. The small file system needs root; without, that part is left out, and said.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep

from asflown.campaign.campaign import fly_campaign
from asflown.campaign.executor import Local
from asflown.campaign.flying import Outcome
from asflown.campaign.store import Store
from asflown.scenario.file import LoadedScenario
from tests.benchmarks.campaign_scaling import windy


def start(loaded: LoadedScenario, into: Path) -> subprocess.Popen[str]:
    """The command, in a process group of its own."""
    argv = [
        sys.executable,
        "-m",
        "asflown",
        "campaign",
        str(loaded.file),
        "--workers",
        "2",
        "--into",
        str(into),
    ]
    return subprocess.Popen(
        argv, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )


def lines(into: Path) -> list[str]:
    """What is noted so far."""
    file = into / "results.jsonl"
    return file.read_text(encoding="utf-8").splitlines() if file.exists() else []


def until(into: Path, count: int, running: subprocess.Popen[str]) -> None:
    """Waits for so many flights, or the end of the command."""
    while len(lines(into)) < count and running.poll() is None:
        sleep(0.05)


def descendants(pid: int) -> set[int]:
    """All processes that it started, and theirs."""
    found: set[int] = set()
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split():
        found |= {int(child)} | descendants(int(child))
    return found


def outlived_s(pids: set[int]) -> float:
    """How long any of them goes on; those of half a minute are given up on."""
    begin = monotonic()
    while any(_runs(pid) for pid in pids) and monotonic() < begin + 30:
        sleep(0.02)
    return monotonic() - begin


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def killed(loaded: LoadedScenario, into: Path, flights: int, kills: int) -> None:
    """Kills the command again and again, then lets it end."""
    for number in range(1, kills + 1):
        running = start(loaded, into)
        until(into, number * flights // (kills + 1), running)
        started = descendants(running.pid)
        os.kill(running.pid, signal.SIGKILL)
        left_s = outlived_s(started)
        print(
            f"SIGKILL with {len(lines(into))} flights noted; {len(started)} processes of it ended in {left_s:.1f} s"
        )
        running.communicate()
    print(start(loaded, into).communicate()[0])


@contextmanager
def small_disk(megabytes: int) -> Iterator[Path]:
    """A file system of its own. Raises CalledProcessError without root."""
    with tempfile.TemporaryDirectory() as place:
        options = f"size={megabytes}m"
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", place], check=True, capture_output=True
        )
        try:
            yield Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def filled_up(loaded: LoadedScenario, into: Path, flights: int) -> None:
    """Takes all room in the middle, and gives it back."""
    running = start(loaded, into)
    until(into, flights // 3, running)
    ballast = into.parent / "ballast"
    with ballast.open("wb", buffering=0) as out:
        try:
            while running.poll() is None:  # whatever is freed meanwhile is taken, too
                out.write(bytes(1 << 12))
        except OSError as error:
            print(f"full with {len(lines(into))} flights noted: {error.strerror}")
            while running.poll() is None:
                sleep(0.02)
                try:
                    out.write(bytes(1 << 10))
                except OSError:
                    continue
    said = running.communicate()[0]
    print(f"exit code {running.returncode}: {said.strip().splitlines()[-1] if said else ''}")
    print(
        f"{len(lines(into))} flights noted, {sum(verdict(line) == 'error' for line in lines(into))} of them errors"
    )
    ballast.unlink()
    print(start(loaded, into).communicate()[0])


def verdict(line: str) -> str:
    """Of a noted flight."""
    try:
        return str(json.loads(line)["verdict"])
    except ValueError:
        return "cut"


def well(into: Path, plain: dict[int, Outcome], what: str) -> bool:
    """Whether each flight is there once, as it is without any of this."""
    found, noted = Store(into).done(), [verdict(line) for line in lines(into)]
    same = sum(found[n].digest == one.digest != "" for n, one in plain.items() if n in found)
    flown = len(noted) - noted.count("error") - noted.count("cut")
    print(
        f"{what}: {len(found)} of {len(plain)} flights, {flown} flown lines, digests equal in {same}",
        flush=True,
    )
    return len(found) == flown == same == len(plain)


def main() -> None:
    """Both, and the comparison."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=12)
    parser.add_argument("--kills", type=int, default=3)
    options = parser.parse_args()
    with windy(options.flights) as loaded, tempfile.TemporaryDirectory() as name:
        killed(loaded, Path(name) / "killed", options.flights, options.kills)
        plain = fly_campaign(loaded, "palm80", Local(2), Store(Path(name) / "plain"))
        fine = well(Path(name) / "killed", plain, "killed")
        try:
            with small_disk(40) as place:
                filled_up(loaded, place / "full", options.flights)
                fine = well(place / "full", plain, "disk full") and fine
        except subprocess.CalledProcessError as error:
            print(f"no file system of its own, so no full disk: {error.stderr}")
    sys.exit(0 if fine else 1)


if __name__ == "__main__":
    main()
