"""What every command's parser has in common, and names for argparse's own types.

A mistyped command, option or choice is answered with the nearest one that exists; what a whole call looks like is left
to `--help`, so that the message is not buried.
"""

from __future__ import annotations

import argparse
from collections.abc import Collection, Iterable, Iterator, Sequence
from difflib import get_close_matches
from typing import Any, NoReturn, TypeAlias

SubParsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"  # noqa: SLF001  it has no public name
"""What `ArgumentParser.add_subparsers` returns."""


class CommandParser(argparse.ArgumentParser):
    """A parser that says what was probably meant. Parsers of its subcommands are of this class, too."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Refuses what it does not know at once, so that the subcommand it was given to speaks."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(self._unknown(unknown))
        return found, unknown

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        """As argparse, with the nearest of the choices first."""
        if action.choices is None or value in action.choices:
            return
        choices = [str(choice) for choice in action.choices]
        what = "command" if isinstance(action, argparse._SubParsersAction) else "choice"  # noqa: SLF001  it has no public name
        problem = f"there is no {what} `{value}`"
        raise argparse.ArgumentError(
            None if what == "command" else action, problem + ". " + _meant(str(value), choices)
        )

    def error(self, message: str) -> NoReturn:
        """One line that says what is wrong, one that says where help is; exit code 2."""
        words = message.rstrip(".")
        self.exit(
            2, f"{self.prog}: {words}\n{' ' * len(self.prog)}  {self.prog} --help shows how it is used\n"
        )

    def _unknown(self, words: Sequence[str]) -> str:
        option = next((word for word in words if word.startswith("-")), None)
        if option is None:
            return f"`{' '.join(words)}` is more than it takes"
        name = option.partition("=")[0]
        near = get_close_matches(name, self._options(), n=1)
        return f"there is no option `{name}`" + (f". Did you mean `{near[0]}`?" if near else "")

    def _options(self) -> list[str]:
        return sorted(word for action in self._actions for word in action.option_strings)


def _meant(word: str, choices: Collection[str]) -> str:
    near = get_close_matches(word, choices, n=1)
    return f"Did you mean `{near[0]}`?" if near else f"There are {', '.join(choices)}"


def parts(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    """The parser and those of all its subcommands, in the order of the help."""
    yield parser
    for action in parser._actions:  # noqa: SLF001  argparse has no public way to its arguments
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001
            below: Iterable[argparse.ArgumentParser] = action.choices.values()
            for one in below:
                yield from parts(one)


def arguments_of(parser: argparse.ArgumentParser) -> tuple[argparse.Action, ...]:
    """What a command takes, in the order of its help; neither `--help` nor the list of its subcommands."""
    return tuple(
        action
        for action in parser._actions  # noqa: SLF001  argparse has no public way to its arguments
        if not isinstance(action, argparse._HelpAction | argparse._SubParsersAction)  # noqa: SLF001
    )


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


def add_quiet(parser: argparse.ArgumentParser) -> None:
    """Adds `--quiet`, which all commands that fly have."""
    parser.add_argument(
        "--quiet",
        action="store_true",
        help="show no progress while flights are in the air, the results alone",
    )


def count(text: str) -> int:
    """An option that counts: a whole number from 1 up."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number from 1 up")
    return int(text)
