"""Help as people read it: every command shows how it is typed, and what it shows can be typed."""

from __future__ import annotations

import argparse
import re
import shlex

import pytest

from asflown.cli.main import build_parser
from asflown.cli.parsing import parts

PARSERS = tuple(parts(build_parser()))


def examples(parser: argparse.ArgumentParser) -> list[str]:
    """Calls in a command's help, without what is said beside them or done with their output."""
    shown = re.sub(r"\s*\\\n\s*", " ", parser.epilog or "").splitlines()
    calls = [re.sub(r"\s{2,}.*|\s+[>|].*", "", line.strip()) for line in shown]
    return [call for call in calls if call.startswith("asflown ")]


@pytest.mark.parametrize("parser", PARSERS, ids=lambda parser: parser.prog)
def test_every_command_s_help_has_an_example_of_it(parser: argparse.ArgumentParser) -> None:
    """One at least calls this very command."""
    assert [call for call in examples(parser) if f"{call} ".startswith(f"{parser.prog} ")]


@pytest.mark.parametrize("parser", PARSERS, ids=lambda parser: parser.prog)
def test_every_example_is_understood(parser: argparse.ArgumentParser) -> None:
    """Commands, options and choices of examples exist."""
    for call in examples(parser):
        build_parser().parse_args(shlex.split(call)[1:])
