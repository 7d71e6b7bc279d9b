"""The command as a whole: every end becomes a message and an exit code, and help is quick."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import asflown
from asflown.cli.main import main, run_guarded
from asflown.errors import (
    AsflownError,
    ExitCode,
    FileProblem,
    FolderProblem,
    HarnessFault,
    Position,
    ScriptProblem,
    UsageError,
)

WHERE = Position(Path("a.scenario.yaml"), 4, 2)
LOADER = ImportError("lib.so: failed to map segment from shared object")
OUT_OF_MEMORY = "asflown: out of memory. Free some, allow more, or fly fewer at once (--workers)\n"


def raising(error: BaseException) -> Callable[[], int]:
    """A command that does nothing but raise."""

    def command() -> int:
        raise error

    return command


def because(error: Exception) -> ImportError:
    """How libraries put an error of the loader into words of their own."""
    told = ImportError("the install you are using seems to be broken")
    told.__cause__ = error
    return told


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (UsageError("no such place", "Check it"), 2, "asflown: no such place. Check it\n"),
        (FileProblem(WHERE, "`1.5` has no unit", "Write `1.5 m`"), 2, f"{WHERE}: `1.5` has no unit. Write `1.5 m`\n"),
        (FolderProblem("x cannot be read"), 2, "asflown: x cannot be read\n"),
        (ScriptProblem("it never spoke", "Look"), 3, "asflown: it never spoke. Look\n"),
        (HarnessFault("we are wrong"), 5, "asflown: we are wrong\n"),
        (KeyboardInterrupt(), 130, "asflown: interrupted\n"),
        (MemoryError(), 3, OUT_OF_MEMORY),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), 3, OUT_OF_MEMORY),
        (LOADER, 3, OUT_OF_MEMORY),
        (because(LOADER), 3, OUT_OF_MEMORY),
    ],
    ids=["usage", "file", "folder", "script", "fault", "ctrl-c", "memory", "system", "loader", "for that"],
)  # fmt: skip
def test_an_error_is_one_message_and_its_exit_code(
    error: BaseException, code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What went wrong is said once, on standard error; a place in a file comes first, as editors like it."""
    assert run_guarded(raising(error)) == code
    assert capsys.readouterr() == ("", said)


def test_a_fault_leaves_its_traceback_in_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The user gets one line; the traceback waits where it can be sent from."""
    monkeypatch.chdir(tmp_path)
    assert run_guarded(raising(ZeroDivisionError("division by zero"))) == ExitCode.FAULT
    assert capsys.readouterr().err == (
        "asflown: a fault of asflown itself (ZeroDivisionError: division by zero). "
        f"Please report it with {tmp_path}/.asflown/fault.log\n"
    )
    log = (tmp_path / ".asflown/fault.log").read_text()
    assert log.startswith(f"asflown {asflown.__version__}: ")
    assert "Traceback (most recent call last)" in log


def test_a_traceback_that_cannot_be_kept_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where no file can be written, the traceback is shown after all."""
    (tmp_path / ".asflown").write_text("in the way")
    monkeypatch.chdir(tmp_path)
    run_guarded(raising(ZeroDivisionError()))
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_signal_handlers_are_given_back() -> None:
    """Whoever calls the command from Python keeps its own handlers."""
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGHUP)
    assert run_guarded(lambda: 0) == 0
    assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGHUP)) == before


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP], ids=["SIGTERM", "SIGHUP"])
def test_a_signal_unwinds_in_order(number: signal.Signals) -> None:
    """SIGTERM, and a terminal that is closed, run every `finally` on the way out and end with 143."""
    command = f"""
import os, signal, sys
from asflown.cli.main import run_guarded
signal.signal({int(number)}, signal.SIG_DFL)  # tests may be run where a hang-up is ignored
def command():
    try:
        os.kill(os.getpid(), {int(number)})
        while True:
            pass
    finally:
        print("closed")
sys.exit(run_guarded(command))
"""
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (
        ExitCode.TERMINATED,
        "closed\n",
        "asflown: terminated\n",
    )


@pytest.mark.parametrize(
    ("number", "code", "said"),
    [
        (signal.SIGTERM, ExitCode.TERMINATED, "asflown: terminated\n"),
        (signal.SIGINT, ExitCode.INTERRUPTED, "asflown: interrupted\n"),
    ],
    ids=["SIGTERM", "SIGINT"],
)
@pytest.mark.parametrize("place", ["weak reference", "finaliser"])
def test_a_signal_that_python_drops_is_heard(
    number: signal.Signals, code: ExitCode, said: str, place: str
) -> None:
    """What a handler raises in a weak reference's callback or a finaliser is lost; the signal is not."""
    command = f"""
import os, sys, weakref
from asflown.cli.main import run_guarded
def strike(*_):
    os.kill(os.getpid(), {int(number)})
class Thing:
    __del__ = strike if {place!r} == "finaliser" else lambda self: None
def command():
    thing = Thing()
    watched = weakref.ref(thing, strike if {place!r} == "weak reference" else None)
    try:
        del thing
        while True:
            pass
    finally:
        print("closed")
sys.exit(run_guarded(command))
"""
    done = subprocess.run(
        [sys.executable, "-c", command], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stdout, done.stderr) == (code, "closed\n", said)


def test_too_little_address_space_is_refused_before_anything_is_loaded() -> None:
    """A library that gets no memory while it is loaded would end the process with a code of its own."""
    few = (200 << 20, 200 << 20)
    done = subprocess.run(
        [sys.executable, "-m", "asflown", "check", "scenarios"],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, few),
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        "asflown: this process may use 200 MB of address space, and needs up to 1024."
        " Raise the limit: `ulimit -v unlimited`\n"
    )


def test_a_reader_who_goes_away_is_no_fault() -> None:
    """`asflown --help | true` says nothing on standard error."""
    read, write = os.pipe()
    os.close(read)
    command = [sys.executable, "-m", "asflown", "--help"]
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, env=buffered, check=False)
    os.close(write)
    assert (done.returncode, done.stderr) == (128 + signal.SIGPIPE, b"")


def test_help_loads_nothing_heavy() -> None:
    """Parsers are made without NumPy, pydantic, MAVLink, physics or rich: help is quick."""
    command = """
import sys
from asflown.cli.main import build_parser
build_parser().format_help()
print(sorted({"numpy", "pydantic", "pymavlink", "jsbsim", "rich", "yaml", "asyncio"} & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize(
    "arguments",
    [
        [*command, "--help"]
        for command in (
            [],
            ["fly"],
            ["grade"],
            ["check"],
            ["vehicle"],
            ["bisect"],
            ["baseline"],
            ["baseline", "check"],
            ["baseline", "approve"],
            ["history"],
            ["history", "show"],
            ["history", "prune"],
        )
    ],
    ids=" ".join,
)
def test_every_command_explains_itself(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Help fits a terminal of 110 columns and is no error."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 0
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 115


def test_the_name_alone_shows_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    """Commands and examples, on standard error: nothing was done, so the exit code is that of a wrong call."""
    assert main([]) == 2
    said = capsys.readouterr()
    assert "asflown fly scenarios/nest_boxes" in said.err
    assert not said.out


def test_version_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """--version names program and version."""
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out == f"asflown {asflown.__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["flyy"], "asflown: there is no command `flyy`. Did you mean `fly`?"),
        (["fly"], "the following arguments are required: PATH"),
        (["fly", "x", "--flights", "0"], "'0' is not a number from 1 up"),
        (["fly", "x", "--seed", "-1"], "'-1' is not a whole number"),
        (["fly", "x", "--seed", str(2**63)], "is not a whole number from 0 to 2^63 - 1"),
        (["fly", "x", "--clock", "sundial"], "there is no choice `sundial`. There are any, lockstep, paced"),
        (["vehicle", "sho"], "asflown vehicle: there is no command `sho`. Did you mean `show`?"),
        (["doctor", "more"], "asflown doctor: `more` is more than it takes"),
        (
            ["fly", "x", "--flight", "2"],
            "asflown fly: there is no option `--flight`. Did you mean `--flights`?",
        ),
        (["fly", "x", "--junti=r.xml"], "there is no option `--junti`. Did you mean `--junit`?"),
    ],
    ids=lambda value: " ".join(value) or "nothing" if isinstance(value, list) else "",
)
def test_a_wrong_command_line_is_a_usage_error(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message names what is wrong; the exit code is 2."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == ExitCode.USAGE
    told = capsys.readouterr().err
    assert said in told
    assert "--help shows how it is used" in told


def test_errors_survive_a_process_border() -> None:
    """A worker's error arrives with its class, its text and its exit code."""
    import pickle

    for error in (FileProblem(WHERE, "a", "b"), UsageError("a", "b"), HarnessFault("a")):
        twin = pickle.loads(pickle.dumps(error))
        assert (type(twin), str(twin), twin.exit_code) == (type(error), str(error), error.exit_code)
        assert isinstance(twin, AsflownError)
