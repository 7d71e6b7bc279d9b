"""The one spelling of places."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import UsageError
from asflown.url import Url, parse

GOOD = {
    "udp://127.0.0.1:14550": Url("udp", host="127.0.0.1", port=14550),
    "udp-listen://0.0.0.0:14550": Url("udp-listen", host="0.0.0.0", port=14550),
    "udp-listen://127.0.0.1:0": Url("udp-listen", host="127.0.0.1", port=0),
    "tcp://field-laptop.local:5760": Url("tcp", host="field-laptop.local", port=5760),
    "tcp-listen://127.0.0.1:5760": Url("tcp-listen", host="127.0.0.1", port=5760),
    "udp://[::1]:14550": Url("udp", host="::1", port=14550),
    "serial:///dev/ttyUSB0?baud=57600": Url("serial", path="/dev/ttyUSB0", baud=57600),
    "pty:///tmp/my vehicle": Url("pty", path="/tmp/my vehicle"),
}


@pytest.mark.parametrize(("text", "url"), GOOD.items(), ids=list(GOOD))
def test_a_url_is_taken_apart_and_put_together_again(text: str, url: Url) -> None:
    """Each kind is understood, and str gives the same spelling back."""
    assert parse(text) == url
    assert str(parse(text)) == text


@pytest.mark.parametrize("kind", ["udp", "udp-listen", "tcp", "tcp-listen"])
def test_a_host_left_out_is_loopback(kind: str) -> None:
    """Nothing leaves or enters the machine unless it is told to."""
    assert parse(f"{kind}://:14550").host == "127.0.0.1"


WRONG = {
    "udp:127.0.0.1:14550": "link 'udp:127.0.0.1:14550' is of no known kind. The kinds are "
    "udp://, udp-listen://, tcp://, tcp-listen://, serial://, pty://",
    "upd://127.0.0.1:14550": "link 'upd://127.0.0.1:14550' is of no known kind. Did you mean "
    "udp://127.0.0.1:14550? The kinds are "
    "udp://, udp-listen://, tcp://, tcp-listen://, serial://, pty://",
    "udp://127.0.0.1": "link 'udp://127.0.0.1' needs a host and a port after ://, and nothing behind them. "
    "Write it like udp://127.0.0.1:14550",
    "tcp://127.0.0.1:0": "link 'tcp://127.0.0.1:0' has port 0, and ports go from 1 to 65535. "
    "Write it like tcp://127.0.0.1:5760",
    "udp-listen://:70000": "link 'udp-listen://:70000' has port 70000, and ports go from 0 to 65535. "
    "Write it like udp-listen://127.0.0.1:14550",
    "serial:///dev/ttyUSB0": "link 'serial:///dev/ttyUSB0' needs a device's whole path and its baud rate. "
    "Write it like serial:///dev/ttyUSB0?baud=57600",
    "pty://vehicle": "link 'pty://vehicle' needs a whole path for the link to the pseudo terminal. "
    "Write it like pty:///tmp/vehicle",
}


@pytest.mark.parametrize(("text", "message"), WRONG.items(), ids=list(WRONG))
def test_a_wrong_url_says_what_is_allowed(text: str, message: str) -> None:
    """The whole sentence: where, what, what instead."""
    with pytest.raises(UsageError) as caught:
        parse(text)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "text",
    ["", "://", "udp://", "udp://host:port", "udp://a:1/x", "udp://a:1?x=1", "UDP://a:1", " udp://a:1",
     "udp://a:1\n", "serial:///dev/x?baud=0", "serial:///dev/x?baud=9600&parity=even", "serial://x?baud=9600",
     "pty:///", "pty:///tmp/x/", "pty:///tmp/\0x", "pty:///" + "x" * 5000, "udp://a:999999"],
)  # fmt: skip
def test_no_other_spelling_is_understood(text: str) -> None:
    """Near misses are errors, never guessed at."""
    with pytest.raises(UsageError):
        parse(text)


@given(st.text())
def test_any_text_is_a_url_or_a_usage_error(text: str) -> None:
    """Nothing else escapes; what is understood is spelled canonically."""
    try:
        url = parse(text)
    except UsageError:
        return
    assert parse(str(url)) == url
