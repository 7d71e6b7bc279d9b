"""A script that nobody trusts yet: started with nothing but its interpreter, its folder and the flight's endpoints.

Two walls. This process leaves the network first (`leave_the_network`): it and all that it starts have a loopback of
their own, on which there is nothing but the flight. Then each script is started by bubblewrap, which shows it the
system's libraries and its interpreter read-only, its own folder, and no home, no other process and no variable of the
environment but a few. Where either wall cannot be had, the flight is refused: no script is started without them.
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import os
import shutil
import socket
import struct
import subprocess
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from asflown.errors import ScriptProblem

PROGRAM = "bwrap"
_INSTALL = "Install bubblewrap (Debian: apt-get install bubblewrap), or fly it where it may do what you may"
_SYSTEM = (
    "/usr",
    "/bin",
    "/sbin",
    "/lib",
    "/lib32",
    "/lib64",
    "/etc/ld.so.cache",
    "/etc/localtime",
    "/etc/alternatives",
)
_KEPT_VARIABLES = ("PATH", "LANG", "TZ", "VIRTUAL_ENV", "ASFLOWN_FLIGHT", "ASFLOWN_CLOCK_SOCKET")
_KEPT_BEGINNINGS = ("LC_", "PYTHON", "MAVLINK", "OPENBLAS_", "OMP_", "MKL_")
_CLONE_NEWUSER, _CLONE_NEWNET = 0x10000000, 0x40000000
_SIOCGIFFLAGS, _SIOCSIFFLAGS, _IFF_UP = 0x8913, 0x8914, 0x1
_WHERE = "import json, sys; print(json.dumps([sys.prefix, sys.base_prefix, *sys.path]))"


def leave_the_network() -> None:
    """This process gets a network of its own, with a loopback and nothing else. Not undone.

    Whoever is not root must have but one thread: the system says no otherwise. Raises ScriptProblem where it does.
    """
    library, user, group = ctypes.CDLL(None, use_errno=True), os.getuid(), os.getgid()
    flags = _CLONE_NEWNET if user == 0 else _CLONE_NEWNET | _CLONE_NEWUSER
    if library.unshare(flags) != 0:
        threads = len(os.listdir("/proc/self/task"))  # noqa: PTH208 - names are counted, nothing else
        reason = os.strerror(ctypes.get_errno()) + (
            f", of a process with {threads} threads" if threads > 1 else ""
        )
        raise ScriptProblem(
            f"a script in a sandbox needs a network of its own, and the system refuses ({reason})", _INSTALL
        )
    try:
        if user:
            Path("/proc/self/setgroups").write_text("deny", encoding="ascii")
            Path("/proc/self/uid_map").write_text(f"{user} {user} 1", encoding="ascii")
            Path("/proc/self/gid_map").write_text(f"{group} {group} 1", encoding="ascii")
        _loopback_up()
    except OSError as error:
        raise ScriptProblem(f"the sandbox has no loopback ({error.strerror})", _INSTALL) from error


def _loopback_up() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        request = fcntl.ioctl(asked, _SIOCGIFFLAGS, struct.pack("16sh14x", b"lo", 0))
        _, flags = struct.unpack("16sh14x", request)
        fcntl.ioctl(asked, _SIOCSIFFLAGS, struct.pack("16sh14x", b"lo", flags | _IFF_UP))


def walled(
    argv: list[str], folder: Path, environment: Mapping[str, str], beside: tuple[Path, ...]
) -> list[str]:
    """The command line that starts `argv` behind walls; it sees `folder` (writable) and `beside`.

    Raises ScriptProblem where bubblewrap is missing or cannot make its walls.
    """
    wall = [
        _program(),
        "--die-with-parent",
        "--unshare-user-try",
        "--unshare-pid",
        "--unshare-ipc",
        "--unshare-uts",
    ]
    wall += ["--cap-drop", "ALL", "--clearenv", "--proc", "/proc", "--dev", "/dev", "--tmpfs", "/tmp"]  # noqa: S108
    for place in (*_SYSTEM, *_of_interpreter(argv[0])):
        if Path(place).exists():
            wall += ["--ro-bind", place, place]
    wall += ["--bind", str(folder), str(folder), "--chdir", str(folder)]
    for needed in beside:
        wall += ["--ro-bind", str(needed), str(needed)]
    kept = {name: value for name, value in environment.items() if _may_know(name)} | {"HOME": "/tmp"}  # noqa: S108
    for name, value in kept.items():
        wall += ["--setenv", name, value]
    return [*wall, "--", *argv]


def _may_know(name: str) -> bool:
    """Tokens and keys are handed to programs in variables: a stranger's script gets those that it needs to start."""
    return name in _KEPT_VARIABLES or name.startswith(_KEPT_BEGINNINGS)


@cache
def _program() -> str:
    """Where bubblewrap is, once it has shown that it can make walls here."""
    found = shutil.which(PROGRAM)
    if found is None:
        raise ScriptProblem("there is no bubblewrap to put the script into a sandbox with", _INSTALL)
    trial = [
        found,
        "--die-with-parent",
        "--unshare-user-try",
        "--unshare-pid",
        "--ro-bind",
        "/",
        "/",
        "--proc",
        "/proc",
        "true",
    ]
    tried = subprocess.run(trial, capture_output=True, text=True, errors="replace", check=False)
    if tried.returncode:
        raise ScriptProblem(f"bubblewrap cannot make a sandbox here ({tried.stderr.strip()})", _INSTALL)
    return found


@cache
def _of_interpreter(program: str) -> tuple[str, ...]:
    """What a Python interpreter is made of: its folders, and those of its modules; of another program itself."""
    places = [program, os.path.realpath(program), str(Path(program).parent)]
    answer = subprocess.run([program, "-c", _WHERE], capture_output=True, text=True, check=False, cwd="/")
    if answer.returncode == 0:
        places += [place for place in json.loads(answer.stdout) if place and Path(place) != Path("/")]
    return tuple(dict.fromkeys(os.path.abspath(place) for place in places))  # noqa: PTH100  links stay as they are
