"""What a script is told about its link, and the hub's side of it."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from asflown.clock.paced import PacedClock
from asflown.errors import LinkProblem
from asflown.flight.wiring import PORT_PAIRS, ScriptPort, choose_paced, wire_held, wire_paced
from asflown.scenario.model import Script, ScriptLink

SPELLINGS = [
    ("pymavlink", "udp", True, "udpin:127.0.0.1:5000"),
    ("pymavlink", "udp", False, "udpout:127.0.0.1:5000"),
    ("pymavlink", "tcp", False, "tcp:127.0.0.1:5000"),
    ("url", "udp", True, "udp-listen://127.0.0.1:5000"),
    ("url", "udp", False, "udp://127.0.0.1:5000"),
    ("url", "tcp", False, "tcp://127.0.0.1:5000"),
    ("host-port", "udp", True, "127.0.0.1:5000"),
]


@pytest.mark.parametrize(("style", "transport", "listens", "expected"), SPELLINGS)
def test_the_link_is_spelled_as_the_script_wants_it(
    style: str, transport: str, listens: bool, expected: str
) -> None:
    """{link} becomes the script's own spelling of the address it is to use."""
    assert ScriptPort(transport, listens, 5000).fill(("--to", "{link}"), style) == ("--to", expected)


def test_host_port_and_baud_are_filled_in_one_by_one() -> None:
    """A script that takes host, port and baud apart gets them apart."""
    serial = ScriptPort("serial", script_listens=False, port=0, path=Path("/x/tty"))
    assert serial.fill(("{link}", "{port}", "{baud}"), "pymavlink") == ("/x/tty", "/x/tty", "57600")
    assert ScriptPort("udp", True, 7).fill(("{host}:{port}",), "url") == ("127.0.0.1:7",)


def test_the_first_free_pair_of_ports_is_taken_and_kept(tmp_path: Path) -> None:
    """Two flights side by side get different pairs; alone, a flight gets the first one."""
    script = Script(run=("x",))
    first, held = wire_held(script, tmp_path)
    second, beside = wire_held(script, tmp_path)
    assert first.port in PORT_PAIRS
    assert second.port not in {first.port, first.hub_port}
    held.close()
    again, third = wire_held(script, tmp_path)
    assert again == first
    beside.close()
    third.close()


def test_a_port_of_the_scripts_own_that_is_shared_unnoticed_is_found_out(tmp_path: Path) -> None:
    """Somebody who listens with address reuse on the script's port would starve it in wall time: that is an error."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind(("127.0.0.1", 0))
        port = other.getsockname()[1]
        script = Script(run=("x",), listens=f"udp-listen://127.0.0.1:{port}")
        clock = PacedClock()
        with pytest.raises(LinkProblem, match=f"{port}"):
            wire_paced(script, tmp_path, clock)
        clock.close()


def test_a_fixed_port_is_led_to_a_free_one_in_lockstep(tmp_path: Path) -> None:
    """Several held flights of a script with a port of its own run side by side: each has a real port of its own."""
    script = Script(run=("x",), listens="udp-listen://127.0.0.1:14560")
    first, held = wire_held(script, tmp_path)
    second, beside = wire_held(script, tmp_path)
    assert first.fill(("{port}",), "url") == second.fill(("{port}",), "url") == ("14560",)
    assert (held.facts()["port"], beside.facts()["port"]) == (14560, 14560)
    assert held.facts()["real_port"] != beside.facts()["real_port"]
    held.close()
    beside.close()


def test_ports_in_the_output_do_not_reach_the_digest() -> None:
    """A script that prints its address prints the same in equal flights, as far as the digest can tell."""
    port = ScriptPort("udp", script_listens=True, port=24560, hub_port=24561)
    assert port.mask(b"on 24560, from 24561") == b"on {port}, from {port}"


def test_a_serial_port_lies_in_the_flight_folder(tmp_path: Path) -> None:
    """A serial script gets a pseudo-terminal of its own, gone afterwards."""
    chosen, held = wire_held(Script(run=("x",), link=ScriptLink(transport="serial")), tmp_path)
    held.open()
    assert (tmp_path / "tty").is_char_device()
    held.close()
    assert chosen.path == tmp_path / "tty"
    assert not (tmp_path / "tty").is_symlink()


def test_a_serial_port_is_named_from_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The script runs in its own folder, so it is told an absolute path, whatever the flights' folder was named by."""
    monkeypatch.chdir(tmp_path)
    chosen = choose_paced(Script(run=("x",), link=ScriptLink(transport="serial")), Path("flights"))
    assert chosen.path == tmp_path / "flights" / "tty"
