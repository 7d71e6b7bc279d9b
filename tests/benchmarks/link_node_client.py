"""A MAVLink client that is not of the pymavlink family, through `asflown link share`: the package node-mavlink.

    python -m tests.benchmarks.link_node_client [--modules FOLDER] [--page]

Needs Node.js and npm. Installs the pinned packages of tests/benchmarks/node into a folder of its own (or uses those in
FOLDER), serves a built-in vehicle, shares its link, and lets the client hear it and ask it for AUTOPILOT_VERSION: over
UDP and TCP, and once more with its frames signed by the client's own implementation, while a second client without the
key may only listen. With --page the table goes into harness/docs/link.md. Exit code 1 when anything is not as it
should be.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.benchmarks.page import put, table

NODE = Path(__file__).with_name("node")
KEY = "5a" * 32
SECONDS = 6
REQUEST_MESSAGE, ACCEPTED = 512, 0
FOR_OTHERS = 3
"""Frames of the vehicle that one client may miss: those that are addressed to the other one."""


def install(folder: Path) -> Path:
    """The packages, in a folder; what npm says is shown when it fails."""
    shutil.copy(NODE / "package.json", folder)
    subprocess.run(["npm", "install", "--no-audit", "--no-fund", "--loglevel=error"], cwd=folder, check=True)
    return folder / "node_modules"


@contextlib.contextmanager
def running(*arguments: str, until: str) -> Iterator[str]:
    """An `asflown` command; yields the line that has `until` in it, and ends it by Ctrl-C."""
    command = [sys.executable, "-m", "asflown", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert until in line, line
        try:
            yield line
        finally:
            process.send_signal(signal.SIGINT)
            print("".join(f"    {said}" for said in process.stdout.readlines()), end="", flush=True)


def client(folder: Path, kind: str, port: str, system: int, *key: str) -> subprocess.Popen[str]:
    """A client of another family, as the given system."""
    script = shutil.copy(NODE / "client.js", folder)
    return subprocess.Popen(
        ["node", str(script), kind, port, str(SECONDS), str(system), *key], stdout=subprocess.PIPE, text=True
    )


def heard_by(process: subprocess.Popen[str]) -> dict[str, Any]:
    """What it says in the end."""
    said, _ = process.communicate(timeout=SECONDS + 30)
    found: dict[str, Any] = json.loads(said)
    return found


def ports_of(line: str) -> list[str]:
    """The ports of the outlets."""
    return [
        url.rpartition(":")[2] for url in line.partition("is shared with ")[2].partition(";")[0].split(", ")
    ]


def is_well(found: dict[str, Any], *, answered: bool) -> bool:
    """Whether a client heard a vehicle whole, and was answered or not, as it should."""
    version = found["messages"].get("AUTOPILOT_VERSION", 0)
    heard = found["heartbeats"] >= SECONDS - 2 and found["gaps"] <= FOR_OTHERS and found["frames"] > 100
    return (
        heard and ([REQUEST_MESSAGE, ACCEPTED] in found["acks"]) is answered and bool(version or not answered)
    )


def row(name: str, found: dict[str, Any], *, answered: bool) -> list[str]:
    """How a client fared."""
    counts = (found["frames"], found["decoded"], len(found["messages"]), found["gaps"], found["heartbeats"])
    answers = "accepted" if [REQUEST_MESSAGE, ACCEPTED] in found["acks"] else "none"
    return [name, *map(str, counts), answers, "yes" if is_well(found, answered=answered) else "NO"]


def main() -> int:
    """Everything; the exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--modules", type=Path)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if options.modules is None:
            install(folder)
        else:
            (folder / "node_modules").symlink_to(options.modules.resolve())
        rows = []
        for clients in (unsigned, signed):
            listen = "udp-listen://127.0.0.1:0"
            with running("vehicle", "serve", "palm80", "--listen", listen, until="is served at") as served:
                vehicle = served.partition("is served at ")[2].partition(";")[0].replace("udp-listen", "udp")
                rows += clients(folder, vehicle)
    heads = ["client", "frames", "decoded", "kinds", "missing", "heartbeats", "its command", "as it should"]
    text = table(heads, rows)
    print(text)
    if options.page:
        put("link.md", "link_node_client", text)
    return 0 if all(cells[-1] == "yes" for cells in rows) else 1


def unsigned(folder: Path, vehicle: str) -> list[list[str]]:
    """Over UDP and TCP at once."""
    outlets = ["--to", "udp-listen://127.0.0.1:0", "--to", "tcp-listen://127.0.0.1:0"]
    with running("link", "share", vehicle, *outlets, until="is shared with") as line:
        ports = ports_of(line)
        clients = [client(folder, "udp", ports[0], 250), client(folder, "tcp", ports[1], 249)]
        found = [heard_by(one) for one in clients]
    return [row("over UDP", found[0], answered=True), row("over TCP", found[1], answered=True)]


def signed(folder: Path, vehicle: str) -> list[list[str]]:
    """One with the key, one without."""
    key = folder / "flight.key"
    key.write_text(KEY, encoding="ascii")
    key.chmod(0o600)
    outlets = ["--to", "udp-listen://127.0.0.1:0", "--to", "udp-listen://127.0.0.1:0"]
    with running("link", "share", vehicle, *outlets, "--key", str(key), until="is shared with") as line:
        ports = ports_of(line)
        clients = [client(folder, "udp", ports[0], 250, KEY), client(folder, "udp", ports[1], 249)]
        found = [heard_by(one) for one in clients]
    return [
        row("signing with the key", found[0], answered=True),
        row("without the key, let in read-only", found[1], answered=False),
    ]


if __name__ == "__main__":
    sys.exit(main())
