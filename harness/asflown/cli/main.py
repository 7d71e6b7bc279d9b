"""The command `asflown`: finds the subcommand, runs it, and turns whatever happens into an exit code.

A user's mistake is one message on standard error; a traceback goes into a file, and only for a fault of asflown
itself. Nothing heavy is imported before a subcommand runs, so that help is quick.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import signal
import sys
from collections.abc import Callable, Sequence
from functools import partial
from types import FrameType

import asflown
from asflown.cli import (
    baseline,
    bisect,
    campaign,
    check,
    compare,
    completion,
    docs,
    doctor,
    explain,
    fly,
    grade,
    history,
    link,
    new,
    record,
    report,
    search,
    sensitivity,
    vehicle,
    when,
)
from asflown.cli.parsing import CommandParser
from asflown.errors import AsflownError, ExitCode, FileProblem, UsageError
from asflown.report.faults import keep_traceback, out_of_memory
from asflown.report.orderly_end import dropped_signals_again, unwind
from asflown.report.streams import discard, reader_is_gone

COMMANDS = (
    new,
    fly,
    grade,
    report,
    compare,
    explain,
    baseline,
    history,
    bisect,
    campaign,
    search,
    when,
    sensitivity,
    record,
    check,
    vehicle,
    link,
    doctor,
    docs,
    completion,
)
"""The modules of the subcommands, in the order of the help. Each has `add_parser` and `run`."""

ADDRESS_SPACE_BYTES = 1 << 30
"""What a flight with its grade and reports takes of address space, about twice over."""
BROKEN_PIPE = 128 + signal.SIGPIPE
"""Nobody reads what is printed any more: the exit code that a shell gives to other filters, too."""

DESCRIPTION = """\
Fly a script that flies a small autonomous vehicle, compare the path it flew with the path that was
planned, and say with margins whether that will do.
"""

EXAMPLES = """\
examples:
  asflown new river-walk --script river_walk.py
                                               a first scenario file for a script of yours
  asflown check scenarios                      are the scenario files right? flies nothing
  asflown fly scenarios/nest_boxes             fly a demo and grade it
  asflown fly scenarios --junit report.xml     everything below a folder, with a report for CI
  asflown grade .asflown/flights/*             grade recorded flights again
  asflown compare before after                 what differs between two sets of flights
  asflown vehicle serve palm80 --listen udp-listen://127.0.0.1:14560
                                               a simulated vehicle for any MAVLink client
  asflown docs errors                          what an error means and what to do

exit codes:
  0 all passed            1 something failed       2 usage or file error
  3 could not be flown    4 inconclusive           5 a fault of asflown itself
"""


def build_parser() -> argparse.ArgumentParser:
    """The parser of the whole command."""
    parser = CommandParser(
        prog="asflown",
        description=DESCRIPTION,
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"asflown {asflown.__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in COMMANDS:
        module.add_parser(commands)
    parser.set_defaults(whole=parser)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line (without the program's name) and returns its exit code.

    Raises SystemExit after help and usage errors, as argparse does, and after SIGTERM.
    """
    return run_guarded(partial(_parse_and_run, arguments))


def _parse_and_run(arguments: Sequence[str] | None) -> int:
    parser = build_parser()
    words = sys.argv[1:] if arguments is None else arguments
    if not words:  # who types the name alone wants to know what there is
        parser.print_help(sys.stderr)
        return int(ExitCode.USAGE)
    options = parser.parse_args(words)
    _check_room()
    return int(options.run(options))


def _check_room() -> None:
    """Refuses to begin where libraries would end this process while they are loaded. Raises UsageError."""
    allowed, _ = resource.getrlimit(resource.RLIMIT_AS)
    if 0 <= allowed < ADDRESS_SPACE_BYTES:
        raise UsageError(
            f"this process may use {allowed >> 20} MB of address space, and needs up to {ADDRESS_SPACE_BYTES >> 20}",
            "Raise the limit: `ulimit -v unlimited`",
        )


def run_guarded(command: Callable[[], int]) -> int:
    """Runs a command; every exception becomes a message and an exit code, SIGTERM the orderly end of a run.

    Ctrl-C is taken even where a shell had it ignored, as it does for jobs in the background: a run that cannot be
    interrupted cannot be brought down in order either.
    """
    handlers = {
        signal.SIGTERM: unwind,
        signal.SIGHUP: _as_terminated,
        signal.SIGINT: signal.default_int_handler,
    }
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:  # under nohup, which is asked for; SIGINT never is
        del handlers[signal.SIGHUP]
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        with dropped_signals_again():
            return _translated(command)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _translated(command: Callable[[], int]) -> int:
    try:
        return _flushed(command)
    except AsflownError as error:
        _say(str(error) if isinstance(error, FileProblem) else f"asflown: {error}")
        return error.exit_code
    except KeyboardInterrupt:
        _say("asflown: interrupted")
        return ExitCode.INTERRUPTED
    except SystemExit as end:
        if end.code == ExitCode.TERMINATED:
            _say("asflown: terminated")
        raise
    except Exception as error:  # noqa: BLE001  the last resort: nothing else may reach a user
        if isinstance(error, BrokenPipeError) and reader_is_gone(sys.stdout):
            discard(sys.stdout)
            return BROKEN_PIPE
        if out_of_memory(error):
            _say("asflown: out of memory. Free some, allow more, or fly fewer at once (--workers)")
            return ExitCode.NOT_FLOWN
        problem, remedy = keep_traceback(error)
        _say(f"asflown: {problem}. {remedy}")
        return ExitCode.FAULT


def _flushed(command: Callable[[], int]) -> int:
    """Runs a command and flushes what it printed, so that a reader who went away is noticed here."""
    try:
        return command()
    finally:
        sys.stdout.flush()


def _as_terminated(_number: int, _frame: FrameType | None) -> None:
    """A terminal that was closed ends a flight as SIGTERM does, whoever handles that just now."""
    os.kill(os.getpid(), signal.SIGTERM)


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # nobody may be listening; the exit code still tells
        print(text, file=sys.stderr, flush=True)
