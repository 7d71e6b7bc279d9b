"""`asflown link`: shares one vehicle's link between programs, surveys a link, lists radio profiles."""

from __future__ import annotations

import argparse
import gc
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asflown.cli.link_survey import add_survey
from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.link.hub import Access
    from asflown.link.share import Outlet, Shared, Sharing

DESCRIPTION = """\
The link to a vehicle by itself: shared between programs, or measured.
"""

EXAMPLES = """\
examples:
  asflown link share udp://127.0.0.1:14560 --to tcp-listen://127.0.0.1:5790    one more program hears and speaks
  asflown link survey udp://127.0.0.1:14560                                    what it can carry
  asflown link profiles                                                        radios that can be emulated
"""

PROFILES_DESCRIPTION = """\
The radio profiles that come with asflown: what `radio:` of a scenario and `--radio` name.
"""

PROFILES_EXAMPLES = """\
examples:
  asflown link profiles
"""

SHARE_DESCRIPTION = """\
Opens a vehicle's link once and shares it: everybody named with --to, --pilot or --watch hears the vehicle and (but
for --watch) speaks to it. When the radio is busy, a pilot's sticks and commands go first, then commands, then
set-points, then the rest. It goes on until Ctrl-C.
"""

SHARE_EXAMPLES = """\
examples:
  asflown link share "serial:///dev/ttyUSB0?baud=57600" --to udp://127.0.0.1:14550 --to tcp-listen://127.0.0.1:5790
  asflown link share "serial:///dev/ttyUSB0?baud=57600" --radio long-range-slow \\
      --pilot udp-listen://0.0.0.0:14560 --watch udp://192.0.2.7:14550 --capture today
  asflown link share udp://127.0.0.1:14560 --to pty:///tmp/vehicle --key flight.key --without-key nothing

Whoever reaches an open port speaks to the vehicle: MAVLink asks nobody who they are, unless frames are signed
(--key). Without a host a link stays on this machine.
"""

WITHOUT_KEY: dict[str, Access] = {"read-only": "key-to-speak", "nothing": "key-to-hear", "everything": "full"}
"""What `--without-key` grants those whose frames are not signed with our key."""


def add_parser(commands: SubParsers) -> None:
    """Adds `link` to the command."""
    says = "share a vehicle's link, or measure what it can carry"
    parser = command(commands, "link", says, DESCRIPTION, EXAMPLES)
    subcommands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_share(subcommands)
    add_survey(subcommands)
    _add_profiles(subcommands)


def run(options: argparse.Namespace) -> int:
    """Runs the subcommand; returns the exit code."""
    return int(options.run(options))


def run_share(options: argparse.Namespace) -> int:
    """Shares until Ctrl-C or SIGTERM. Raises what `link.share.share` raises."""
    from asflown.cli import link_board
    from asflown.link.share import Watching, share

    with link_board.LinkBoard() as board:

        def ready(links: list[str]) -> None:
            board.say(f"{options.url} is shared with {', '.join(links) or 'a joystick'}; Ctrl-C ends it")

        def event(kind: str, facts: dict[str, Any]) -> None:
            words = link_board.sentence(kind, facts)
            if words is not None:
                board.say(words)

        gc.freeze()  # what is loaded now stays; collecting it again and again would hold up frames
        shared = share(_sharing(options), Watching(ready, event, board.show))
    return _end_of_share(shared, options.json)


def run_profiles(_options: argparse.Namespace) -> int:
    """Prints one line for each radio profile that comes with asflown."""
    from asflown.link.profile import load_profile, profile_names

    names = profile_names()
    width = max(len(name) for name in names)
    for name in names:
        print(f"{name:{width}}  {load_profile(name).summary}")
    return 0


def _end_of_share(shared: Shared, json_file: Path | None) -> int:
    from asflown.cli import link_board
    from asflown.report.atomic import write_text
    from asflown.report.terminal import console

    out = console(sys.stdout)
    out.print(link_board.table(shared.last, None))
    out.print(link_board.uplink_line(shared.last.counters), soft_wrap=True)
    if json_file is not None:
        import json

        write_text(json_file, json.dumps({"counters": shared.last.counters}, indent=2) + "\n")
    if shared.capture_problem is not None:
        raise shared.capture_problem
    return 128 + shared.signal_number


def _sharing(options: argparse.Namespace) -> Sharing:
    from asflown.errors import UsageError
    from asflown.link.share import Outlet, Sharing

    access: Access = WITHOUT_KEY[options.without_key] if options.key is not None else "full"
    outlets: list[Outlet] = [
        Outlet(url, role, "read-only" if watches else access) for role, watches, url in options.outlets
    ]
    if not outlets and options.joystick is None:
        raise UsageError("a link is shared with somebody", "Name them with --to, --pilot or --watch")
    return Sharing(
        options.url,
        tuple(outlets),
        radio=options.radio,
        capture=options.capture,
        key=options.key,
        vehicle_must_sign=options.vehicle_must_sign,
        joystick=options.joystick,
        thrust_from_zero=options.thrust == "from-zero",
    )


def _add_share(subcommands: SubParsers) -> None:
    parser = command(
        subcommands, "share", "one vehicle's link for several programs", SHARE_DESCRIPTION, SHARE_EXAMPLES
    )
    add = parser.add_argument
    parser.set_defaults(run=run_share, outlets=[])
    add("url", metavar="URL", help="the vehicle's link")
    _add_outlets(parser)
    _add_signing(parser)
    add("--radio", metavar="PROFILE", help="the radio behind URL: no more is sent than its profile can carry")
    add("--capture", type=Path, metavar="FOLDER", help="record all traffic into a new folder")
    add("--json", type=Path, metavar="FILE", help="write the counters there at the end")


def _add_outlets(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    outlets = {
        "--to": "a program that hears and speaks",
        "--pilot": "one whose commands go before all others",
        "--watch": "one that only hears",
    }
    for option, who in outlets.items():
        add(option, action=_AddOutlet, metavar="URL", help=f"{who} (repeatable)")
    add("--joystick", type=Path, metavar="DEVICE", help="a joystick of this machine, as /dev/input/event5")
    ranges = "z of its sticks: 0 to 1000 with 500 neutral (as given), or -1000 to 1000"
    add("--thrust", choices=("from-zero", "about-zero"), default="from-zero", help=ranges)


def _add_signing(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    key = "check signatures with this key: 64 hexadecimal digits, mode 0600"
    add("--key", type=Path, metavar="FILE", help=key)
    strangers = "what those may do who do not sign with the key (read-only)"
    add("--without-key", choices=tuple(WITHOUT_KEY), default="read-only", help=strangers)
    add("--vehicle-must-sign", action="store_true", help="pass on nothing of the vehicle that is not signed")


def _add_profiles(subcommands: SubParsers) -> None:
    says = "the radio profiles that come with asflown"
    parser = command(subcommands, "profiles", says, PROFILES_DESCRIPTION, PROFILES_EXAMPLES)
    parser.set_defaults(run=run_profiles)


class _AddOutlet(argparse.Action):
    """Keeps the order in which --to, --pilot and --watch were given."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        """Adds (role, whether it only watches, URL)."""
        role = "pilot" if option_string == "--pilot" else "station"
        namespace.outlets = [*namespace.outlets, (role, option_string == "--watch", values)]
