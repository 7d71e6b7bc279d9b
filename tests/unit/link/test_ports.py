"""Finding out before a flight who has a port."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from pymavlink import mavutil

from asflown.errors import LinkProblem
from asflown.link.ports import check_free, free_tcp_port, free_udp_port
from tests.unit.link.parties import open_descriptors, port_of, udp_socket


def test_a_port_shared_by_two_unnoticed_is_found_out() -> None:
    """With mavutil two listeners can have one UDP port; we see that there is one already."""
    port = free_udp_port()
    first = mavutil.mavlink_connection(f"udpin:127.0.0.1:{port}")
    second = mavutil.mavlink_connection(f"udpin:127.0.0.1:{port}")
    second.close()
    with pytest.raises(LinkProblem, match=f"^port {port} on 127.0.0.1 is in use"):
        check_free(f"udp-listen://127.0.0.1:{port}")
    first.close()
    check_free(f"udp-listen://127.0.0.1:{port}")


def test_a_listener_on_all_addresses_is_found_from_loopback() -> None:
    """0.0.0.0 takes the port of every address, with reuse or without."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("0.0.0.0", 0))
        with pytest.raises(LinkProblem):
            check_free(f"udp-listen://127.0.0.1:{port_of(listener)}")


def test_a_taken_tcp_port_is_found_and_one_in_time_wait_is_free() -> None:
    """A closed connection's port may be opened again at once."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"tcp-listen://127.0.0.1:{port_of(server)}"
        with pytest.raises(LinkProblem):
            check_free(url)
        client = socket.create_connection(server.getsockname())
        server.accept()[0].close()
        client.close()
    check_free(url)


def test_ports_that_others_listen_on_are_none_of_our_business() -> None:
    """Who dials expects somebody there."""
    with udp_socket() as peer:
        check_free(f"udp://127.0.0.1:{port_of(peer)}")
        check_free(f"tcp://127.0.0.1:{port_of(peer)}")


def test_paths_are_checked_too(tmp_path: Path) -> None:
    """A pty's path must be free, a serial port must be there."""
    check_free(f"pty://{tmp_path}/vehicle")
    with pytest.raises(LinkProblem):
        check_free(f"pty://{tmp_path}")
    with pytest.raises(LinkProblem):
        check_free(f"serial://{tmp_path}/usb?baud=9600")


def test_free_ports_are_free_and_no_descriptor_stays() -> None:
    """They can be opened by their user, and asking leaves nothing behind."""
    before = open_descriptors()
    ports = [free_udp_port() for _ in range(20)] + [free_tcp_port() for _ in range(20)]
    assert all(1023 < port < 65_536 for port in ports)
    check_free(f"udp-listen://127.0.0.1:{ports[0]}")
    check_free(f"tcp-listen://127.0.0.1:{ports[-1]}")
    assert open_descriptors() == before
