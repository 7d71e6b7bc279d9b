"""The spelling of links, as the rest of the package has it: files are checked for it before anything is opened."""

from __future__ import annotations

from asflown.url import LOOPBACK, Kind, Url, parse

__all__ = ["LOOPBACK", "Kind", "Url", "parse"]
