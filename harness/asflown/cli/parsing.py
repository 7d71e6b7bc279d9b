"""What every command's parser has in common, and names for argparse's own types."""

from __future__ import annotations

import argparse
from typing import TypeAlias

SubParsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"  # noqa: SLF001  it has no public name
"""What `ArgumentParser.add_subparsers` returns."""


def command(
    commands: SubParsers, name: str, says: str, description: str, examples: str
) -> argparse.ArgumentParser:
    """A command of its own: one line for the list of commands, a description, and examples as they are typed."""
    return commands.add_parser(
        name,
        help=says,
        description=description,
        epilog=examples,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )


def count(text: str) -> int:
    """An option that counts: a whole number from 1 up."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number from 1 up")
    return int(text)
