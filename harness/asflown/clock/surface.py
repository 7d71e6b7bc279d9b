"""The catalogue of what can be held to virtual time, and of what cannot; the published page is made from it.

Whatever is refused here names itself to the user in the same words.
"""

from __future__ import annotations

from dataclasses import dataclass

from asflown.clock.shim.asflown_held import refuse


@dataclass(frozen=True, slots=True)
class Held:
    """One part of the surface: what a script uses, and what becomes of it."""

    what: str
    how: str


HELD = (
    Held(
        "`time`: `time`, `monotonic`, `perf_counter`, `process_time`, `thread_time` with their `_ns` forms,"
        " `clock_gettime`; `sleep`",
        "flight time; a look costs 5 µs of it, a thousand looks without a wait 100 µs more",
    ),
    Held(
        "`localtime`, `gmtime`, `strftime`, `ctime`, `asctime` without a time; `datetime.now`, `utcnow`, `today`,"
        " `date.today`",
        "flight time; every lockstep flight begins on 2026-01-01T00:00:00Z",
    ),
    Held("`select.select`, `poll`, `epoll`, `selectors`", "wait in flight time; an empty look costs 20 µs"),
    Held(
        "UDP, TCP and serial ports that lead to the vehicle",
        "counted; the receive queue is modelled, and drops as Linux's default one does",
    ),
    Held(
        "sockets and unnamed pipes between processes of the flight",
        "whoever waits looks again after anybody else did something",
    ),
    Held(
        "`threading`, `_thread`, `queue`, `concurrent.futures`, `Timer`",
        "one thread runs at a time, in a fixed order; waiting threads get a lock in the order in which they came",
    ),
    Held("`asyncio` with its own loop, and loops that end in the calls above", "as the calls above"),
    Held(
        "`subprocess` and `multiprocessing` (fork, spawn) of Python, programs `beside` the script",
        "each process is held; one runs at a time",
    ),
    Held("`os.wait`, `waitpid`, `wait3`, `wait4`, `Popen.wait`", "wait in flight time"),
    Held("`signal.alarm`, `setitimer(ITIMER_REAL)`, `pause`, `sigtimedwait`", "in flight time"),
    Held(
        "`os.kill`, `os.killpg`, `Popen.terminate`, `kill`, `send_signal`; `raise_signal`, `pthread_kill`",
        "a process of the flight gets the signal when it next runs, at that flight time",
    ),
    Held("the time limit", "`KeyboardInterrupt` in the main thread, and ten seconds to clean up"),
    Held(
        "`random`, `secrets`, `uuid`, `os.urandom`, `os.getrandom`, `numpy.random` generators without a seed",
        "from the flight's seed; every process has a stream of its own",
    ),
    Held("`hash` of strings", "PYTHONHASHSEED is the flight's seed"),
    Held(
        "the environment",
        "as you have it: what a script reads there (`MAVLINK20` decides which frames `pymavlink` writes) must be equal "
        "for digests to be equal",
    ),
)

REFUSED = (
    *(Held(f"`{event}`", f"“{words}”") for event, words in refuse.EVENTS.items()),
    Held("`subprocess` of anything but Python", "“subprocess.Popen of …, which is not Python”"),
    Held("`subprocess` with `shell=True`", "“subprocess.Popen of a shell command”"),
    Held(
        "`python -I`, `-E` or `-S`, other interpreters",
        "found out by asking the interpreter before the flight",
    ),
    Held(
        "a connection or an answer from outside of the flight", "“… on a socket that leads out of the flight”"
    ),
    Held("reading a device, a terminal or a named pipe", "“… which something outside of the flight moves”"),
    *(Held(f"reading `{device}`", f"“reading {device}”") for device in sorted(refuse.DEVICES_OF_CHANCE)),
    Held("`signal.sigwait`, `sigwaitinfo`, `setitimer` of CPU time", "by their names"),
    Held("signals that stop a process (SIGSTOP, SIGTSTP, SIGTTIN, SIGTTOU)", "“sending SIGSTOP”"),
    Held("`signal.pidfd_send_signal`", "by its name"),
    Held("`uvloop`", "“uvloop, an event loop below Python (asyncio's own is held)”"),
    Held(
        "`ctypes` access to the C library's " + ", ".join(sorted(refuse.NATIVE_TIME)), "“ctypes access to …”"
    ),
    Held("`socket.sendmsg` to the vehicle", "“socket.sendmsg”"),
)

NOT_SEEN = (
    Held(
        "a compiled extension that reads the machine's clock or sleeps by itself",
        "`--prove` flies the first seed twice, and reports when bytes differ",
    ),
    Held("the order of files in a folder", "left as the file system has it"),
    Held("`os.times`, `resource.getrusage`", "real CPU time"),
    Held("addresses of objects (`id`, the order of sets of objects)", "as the machine has it"),
    Held("a loop that neither waits nor looks at a clock", "ended by a watchdog in wall time, as stuck"),
    Held("signals that come from outside of the flight", "delivered at once, not in flight time"),
)

HEAD = """\
# What can be held to virtual time

A script that keeps to the first table flies in lockstep: a minute takes about a second, and two runs give the same
bytes. A call of the second table makes the flight run in wall time instead, or ends it where the scenario says
`clock: lockstep`; the reason and the line of the script stand in the report. The third table is what nobody can see
from inside Python.

This page is made from the catalogue in the code (`asflown/clock/surface.py`).
"""


def page() -> str:
    """The published page, Markdown."""
    parts = [
        HEAD,
        _table("Held", ("what a script uses", "what becomes of it"), HELD),
        _table("Refused", ("call", "the reason that is given"), REFUSED),
        _table("Not seen", ("what", "what to know"), NOT_SEEN),
    ]
    return "\n".join(parts)


def _table(title: str, columns: tuple[str, str], rows: tuple[Held, ...]) -> str:
    lines = [f"## {title}", "", f"| {columns[0]} | {columns[1]} |", "| --- | --- |"]
    lines += [f"| {row.what} | {row.how} |" for row in rows]
    return "\n".join(lines) + "\n"
