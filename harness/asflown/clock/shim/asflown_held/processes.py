"""Children of a held process: forks, `subprocess` and `multiprocessing`, each held as a participant of its own.

Only Python can be held, so a child that is another program makes the flight paced. Waiting for a child's end is
virtual, like every other wait.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from types import ModuleType
from typing import Any, Callable

from .held import Held, as_builtin
from .protocol import NEVER_US, SOCKET_VARIABLE

INHERITED = (SOCKET_VARIABLE, "ASFLOWN_FLIGHT", "PYTHONHASHSEED")
SHIM_FOLDER = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
_PYTHON = re.compile(r"python(\d+(\.\d+)*)?")
_ISOLATING = re.compile(r"-[A-Za-z]*[IES]")


def hold(held: Held, greet: Callable[[str], Any]) -> None:
    """Replaces forks and waits of `os`."""
    path = os.environ[SOCKET_VARIABLE]
    real_fork = os.fork

    def fork() -> int:
        child = real_fork()
        if child:
            held.spawned(child)
        return child

    held.replacements.put(os, "fork", as_builtin(fork, "fork"))
    os.register_at_fork(after_in_child=lambda: held.begin_again(*greet(path)))
    for name in ("waitpid", "wait3", "wait4"):
        held.replacements.put(os, name, as_builtin(_waiter(held, getattr(os, name), name), name))
    held.replacements.put(os, "wait", as_builtin(lambda: os.waitpid(-1, 0), "wait"))
    for name in ("posix_spawn", "posix_spawnp"):
        held.replacements.put(os, name, as_builtin(_spawner(held, getattr(os, name)), name))


def _spawner(held: Held, real: Callable[..., int]) -> Callable[..., int]:
    def spawn(path: Any, argv: Any, env: Any, **options: Any) -> int:
        words = [os.fsdecode(path), *(os.fsdecode(word) for word in list(argv)[1:])]
        if why := _why_not_held(words):
            held.leave(f"os.posix_spawn of {why}")
        pid = real(path, argv, _environment(env), **options)
        held.spawned(pid)
        return pid

    return spawn


def _waiter(held: Held, real: Callable[..., Any], name: str) -> Callable[..., Any]:
    """A wait for a child that looks again whenever another process did something."""

    def wait(*args: Any) -> Any:
        options = args[-1]
        if held.aside:
            return real(*args)
        if options & os.WNOHANG:
            held.charge_empty_look()
            return real(*args)
        found: list[Any] = []

        def look() -> bool:
            result = real(*args[:-1], options | os.WNOHANG)
            if result[0]:
                found.append(result)
            return bool(found)

        if not look():
            held.strands.wait((), NEVER_US, look)
        return found[0]

    wait.__name__ = name
    return wait


def _hold_subprocess(held: Held, module: ModuleType) -> None:
    """`Popen` starts held interpreters only, and tells the broker of them."""
    popen: Any = module.Popen
    real_init = popen.__init__

    def init(self: Any, args: Any, *rest: Any, **options: Any) -> None:
        if held.aside:
            real_init(self, args, *rest, **options)
            return
        program = _program(args, options)
        why = "" if program is None else _why_not_held(program)
        if program is None or why:
            held.leave(f"subprocess.Popen of {why or 'a shell command'}")
        if options.get("env") is not None:
            options["env"] = _environment(options["env"])
        with _aside(held):
            real_init(self, args, *rest, **options)
        if self.pid not in held.children:
            held.spawned(self.pid)

    popen.__init__ = init


class _aside:  # noqa: N801 - used like a function, in a `with`
    """No flight time passes inside, and what waits there waits really."""

    def __init__(self, held: Held) -> None:
        self._held = held

    def __enter__(self) -> None:
        self._held.aside = True

    def __exit__(self, *exception: object) -> None:
        self._held.aside = False


def _hold_ctypes_util(held: Held, module: ModuleType) -> None:
    """Looking for a library asks programs of the system, whose answers do not depend on time."""
    real_find: Any = module.find_library

    def find_library(name: str) -> Any:
        with _aside(held):
            return real_find(name)

    held.replacements.put(module, "find_library", as_builtin(find_library, "find_library"))


def _program(args: Any, options: dict[str, Any]) -> list[str] | None:
    """The command as a list; None for a shell command."""
    if options.get("shell"):
        return None
    if isinstance(args, (str, bytes, os.PathLike)):
        return [os.fsdecode(args)]
    return [os.fsdecode(word) for word in args]


def _why_not_held(words: list[str]) -> str:
    """'' for a Python interpreter that loads this package; else what it is instead."""
    found = shutil.which(words[0]) or words[0]
    if _PYTHON.fullmatch(os.path.basename(found)) or found == sys.executable:
        flags = [word for word in words[1:] if _ISOLATING.fullmatch(word)]
        return f"an isolated Python ({flags[0]})" if flags else ""
    try:
        with open(found, "rb") as file:
            first = file.readline(256).split()
    except OSError:
        return ""  # it will fail to start, as it should
    if first and first[0].startswith(b"#!") and any(b"python" in word for word in first):
        return ""
    return f"{words[0]}, which is not Python"


def _environment(given: Any) -> dict[str, str]:
    """An environment of the user's choosing, with what holds the child."""
    environment = dict(os.environ if given is None else given)
    for name in INHERITED:
        if name in os.environ:
            environment[name] = os.environ[name]
    path = environment.get("PYTHONPATH", "")
    if SHIM_FOLDER not in path.split(os.pathsep):
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, (SHIM_FOLDER, path)))
    return environment


def _hold_multiprocessing_util(held: Held, module: Any) -> None:
    """Processes that are spawned rather than forked."""
    real_spawn = module.spawnv_passfds

    def spawnv_passfds(*args: Any) -> int:
        pid = int(real_spawn(*args))
        held.spawned(pid)
        return pid

    module.spawnv_passfds = spawnv_passfds


def _hold_semaphores(held: Held, module: ModuleType) -> None:
    """Semaphores between processes: tried without blocking, again after anybody did something."""
    lock_class: Any = module.SemLock
    real_make = lock_class._make_methods

    def make_methods(self: Any) -> None:
        real_make(self)
        real_acquire = self._semlock.acquire

        def acquire(block: bool = True, timeout: float | None = None) -> bool:
            if real_acquire(False):
                return True
            if not block or (timeout is not None and timeout <= 0):
                held.charge_failed_lock()
                return False
            deadline_us = NEVER_US if timeout is None else held.now_us + int(timeout * 1e6)
            got: list[bool] = []

            def look() -> bool:
                if not got and real_acquire(False):
                    got.append(True)
                return bool(got)

            held.strands.wait((), deadline_us, look)
            return bool(got)

        self.acquire = acquire
        lock_class.__enter__ = lambda this: this.acquire()

    lock_class._make_methods = make_methods


LATE: dict[str, Callable[[Held, ModuleType], None]] = {
    "ctypes.util": _hold_ctypes_util,
    "subprocess": _hold_subprocess,
    "multiprocessing.util": _hold_multiprocessing_util,
    "multiprocessing.synchronize": _hold_semaphores,
}
