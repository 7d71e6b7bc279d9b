"""Text from scripts, made fit for XML and for eyes: what cannot be shown is spelled out, never dropped."""

from __future__ import annotations

import os
import re
from pathlib import Path

from asflown import files

_ESCAPED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
"""XML 1.0 forbids most of these (production Char); the rest it allows and nobody can read."""


def visible(text: str) -> str:
    """`text` with line ends as LF and each unprintable character spelled as `#x1B`."""
    return _ESCAPED.sub(_spelled, text.replace("\r\n", "\n"))


def tail(path: Path, bytes_max: int) -> str:
    r"""The end of a file that may hold anything, made visible; says how much was left out, and where it is.

    Bytes that are not UTF-8 appear as `\xff`. A file that is not there reads as empty.
    """
    try:
        with files.open_plain(path, follow=False) as source:
            size = source.seek(0, os.SEEK_END)
            left_out = max(0, size - bytes_max)
            source.seek(left_out)
            data = source.read(bytes_max)
    except OSError:
        return ""
    text = visible(_whole_characters(data, cut=left_out > 0).decode("utf-8", errors="backslashreplace"))
    return f"[the first {left_out} bytes are in {path}]\n{text}" if left_out else text


def _whole_characters(data: bytes, *, cut: bool) -> bytes:
    """Without the rest of a UTF-8 character that the cut went through."""
    start = 0
    while cut and start < min(3, len(data)) and data[start] & 0xC0 == 0x80:
        start += 1
    return data[start:]


def _spelled(match: re.Match[str]) -> str:
    code = ord(match.group())
    return f"#x{code:02X}" if code <= 0xFF else f"#x{code:04X}"
