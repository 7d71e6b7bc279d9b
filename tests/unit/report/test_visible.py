"""Text from scripts, made visible."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.report.visible import tail, visible


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("\x1b[31mred\x1b[0m", "#x1B[31mred#x1B[0m"),
        ("a\x00b", "a#x00b"),
        ("tab\tand\nline", "tab\tand\nline"),
        ("one\r\ntwo\rthree", "one\ntwo#x0Dthree"),
        ("\x7f\x85", "#x7F#x85"),
        ("\ud7ff\ue000\ufffd", "\ud7ff\ue000\ufffd"),
        ("\ufffe\uffff\udc80", "#xFFFE#xFFFF#xDC80"),
        ("Grüße 木 🚁", "Grüße 木 🚁"),
    ],
    ids=["escape", "nul", "kept", "line ends", "delete", "range edges", "not characters", "readable"],
)
def test_unprintable_characters_are_spelled_out(text: str, expected: str) -> None:
    """What XML forbids or nobody can read is spelled as its number; the rest stays."""
    assert visible(text) == expected


@given(st.text())
def test_visible_text_stays_as_it_is(text: str) -> None:
    """Making visible twice is making visible once."""
    assert visible(visible(text)) == visible(text)


def test_tail_keeps_the_end_and_says_what_is_missing(tmp_path: Path) -> None:
    """Of a long output the end is kept, with the number of bytes left out and where they are."""
    log = tmp_path / "script.log"
    log.write_bytes(b"x" * 100 + b"the reason\n")
    assert tail(log, 11) == f"[the first 100 bytes are in {log}]\nthe reason\n"


def test_tail_cuts_no_character_in_two(tmp_path: Path) -> None:
    """A cut through a character of several bytes drops the rest of it."""
    log = tmp_path / "script.log"
    log.write_text("木end", encoding="utf-8")
    assert tail(log, 5).splitlines()[-1] == "end"


def test_tail_shows_bytes_that_are_no_text(tmp_path: Path) -> None:
    """Binary rubbish appears as escapes."""
    log = tmp_path / "script.log"
    log.write_bytes(b"\xff\xfe ok")
    assert tail(log, 100) == r"\xff\xfe ok"


def test_tail_of_a_file_that_is_not_there_is_empty(tmp_path: Path) -> None:
    """A flight without output has nothing to show."""
    assert tail(tmp_path / "script.log", 100) == ""
