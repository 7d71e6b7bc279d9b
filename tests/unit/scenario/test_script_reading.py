"""How a script takes its link is guessed by reading it, and the guess says what it was made of."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.scenario.script_reading import NOTHING, LinkGuess, guess_link

ARGPARSE = "import argparse\np = argparse.ArgumentParser()\n"

CASES = {
    "pymavlink link": (
        ARGPARSE + "p.add_argument('--link', default='udpin:127.0.0.1:14550')",
        LinkGuess(("--link", "{link}"), "the script takes --link, by default udpin:127.0.0.1:14550"),
    ),
    "speaks first": (
        ARGPARSE + "p.add_argument('--connect', default='udpout:127.0.0.1:14550')",
        LinkGuess(
            ("--connect", "{link}"),
            "the script takes --connect, by default udpout:127.0.0.1:14550",
            side="dials",
        ),
    ),
    "stream": (
        ARGPARSE + "p.add_argument('--link', default='tcp:127.0.0.1:5760')",
        LinkGuess(
            ("--link", "{link}"),
            "the script takes --link, by default tcp:127.0.0.1:5760",
            side="dials",
            transport="tcp",
        ),
    ),
    "serial device": (
        ARGPARSE + "p.add_argument('-d', '--device', required=True)",
        LinkGuess(("--device", "{link}"), "the script takes a serial device as --device", transport="serial"),
    ),
    "a device that is an address": (
        ARGPARSE + "p.add_argument('--device', default='udpin:0.0.0.0:14550')",
        LinkGuess(("--device", "{link}"), "the script takes --device, by default udpin:0.0.0.0:14550"),
    ),
    "host and port": (
        ARGPARSE + "p.add_argument('--host')\np.add_argument('--port', type=int)\nx = f'udpin:{1}'",
        LinkGuess(("--host", "{host}", "--port", "{port}"), "the script takes --host and --port"),
    ),
    "port, spoken to": (
        "import click\n@click.option('--port', default=14550)\ndef f(port): open_link(f'udpout:127.0.0.1:{port}')",
        LinkGuess(("--port", "{port}"), "the script takes --port", side="dials"),
    ),
    "host and port in one": (
        ARGPARSE + "p.add_argument('--address', default='127.0.0.1:14550')",
        LinkGuess(
            ("--address", "{link}"),
            "the script takes --address, by default 127.0.0.1:14550",
            style="host-port",
        ),
    ),
    "a spelling of its own": (
        ARGPARSE + "p.add_argument('--url', default='udp://:14540')",
        LinkGuess(("--url", "udp://:{port}"), "the script takes --url, by default udp://:14540"),
    ),
    "by its place": (
        ARGPARSE + "p.add_argument('link')\np.add_argument('--field', required=True)",
        LinkGuess(("{link}",), "the script takes its argument 'link'", also_needed=("--field",)),
    ),
    "sys.argv": (
        "import sys\nlink = open_link(sys.argv[1])",
        LinkGuess(("{link}",), "the script reads sys.argv[1]"),
    ),
    "a fixed port": (
        "link = mavlink_connection('udpin:0.0.0.0:14551')",
        LinkGuess(
            (),
            "the script has an address of its own, udpin:0.0.0.0:14551",
            listens="udp-listen://127.0.0.1:14551",
        ),
    ),
    "a fixed port it dials": (
        "link = mavlink_connection('tcp:127.0.0.1:5760')",
        LinkGuess(
            (), "the script has an address of its own, tcp:127.0.0.1:5760", dials="tcp://127.0.0.1:5760"
        ),
    ),
    "nothing": ("print('hello')", NOTHING),
    "not Python": ("#!/bin/sh\nexec fly-it '--now\n", NOTHING),
}


@pytest.mark.parametrize(("source", "expected"), CASES.values(), ids=CASES.keys())
def test_the_link_is_guessed(source: str, expected: LinkGuess, tmp_path: Path) -> None:
    """Each usual way of taking a link, with what the guess was made of."""
    script = tmp_path / "script.py"
    script.write_text(source)
    assert guess_link(script) == expected
    assert expected.sure is (expected is not NOTHING)


def test_the_script_is_never_run(tmp_path: Path) -> None:
    """Reading leaves no trace of running."""
    script = tmp_path / "script.py"
    script.write_text(f"import pathlib\npathlib.Path({str(tmp_path / 'was-run')!r}).touch()\n")
    guess_link(script)
    assert not (tmp_path / "was-run").exists()
