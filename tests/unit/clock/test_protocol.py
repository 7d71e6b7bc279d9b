"""The messages between a held script and the broker."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.clock.shim.asflown_held import protocol
from asflown.clock.shim.asflown_held.protocol import EndpointGrant, EndpointReport, Grant, Report

times = st.integers(-(1 << 62), 1 << 62)
counts = st.integers(0, 1 << 62)
numbers = st.integers(0, (1 << 32) - 1)
reports = st.builds(
    Report,
    st.sampled_from([protocol.IDLE, protocol.SYNC, protocol.BYE]),
    times,
    times,
    counts,
    st.booleans(),
    st.booleans(),
    st.lists(st.builds(EndpointReport, numbers, counts, counts, st.booleans()), max_size=5),
)
grants = st.builds(
    Grant,
    times,
    times,
    st.booleans(),
    st.lists(st.builds(EndpointGrant, numbers, counts, st.booleans()), max_size=5),
)


@given(reports)
def test_reports_come_back_as_they_went(report: Report) -> None:
    """Packing and unpacking a report changes nothing."""
    assert protocol.unpack_report(protocol.pack_report(report)) == report


@given(grants)
def test_grants_come_back_as_they_went(grant: Grant) -> None:
    """Packing and unpacking a grant changes nothing."""
    assert protocol.unpack_grant(protocol.pack_grant(grant)) == grant


@given(reports, st.data())
def test_a_cut_packet_is_refused(report: Report, data: st.DataObject) -> None:
    """A report cut short anywhere is an error of its own, never a wrong report."""
    packet = protocol.pack_report(report)
    cut = packet[: data.draw(st.integers(0, len(packet) - 1))]
    with pytest.raises(ValueError, match="cut short"):
        protocol.unpack_report(cut)


def test_greetings_carry_version_and_facts() -> None:
    """A greeting gives back the protocol version and its facts."""
    packet = protocol.pack_facts(protocol.HELLO, {"pid": 7})
    assert protocol.unpack_facts(packet) == (protocol.VERSION, {"pid": 7})
