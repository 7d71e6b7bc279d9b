"""Builds asflown with its hot part, the built-in vehicle and the way of frames, compiled: `ci/accelerate [FOLDER]`.

A copy of the sources is compiled by mypyc, and put into a folder of its own (.accelerated) together with all that
stays as it is: neither the checkout nor any environment changes. Who wants the build puts the folder in front:
`PYTHONPATH=.accelerated asflown fly ...`.

What is compiled differs from its source in one thing: names of plain numbers are declared to be constants, which
mypyc then writes into the code. Without a C compiler there is no such build, and everything works from the sources.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import os
import platform
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from importlib.metadata import version
from pathlib import Path

TOP = Path(__file__).resolve().parent.parent
PACKAGE = TOP / "harness" / "asflown"
NOT_SOURCES = shutil.ignore_patterns("__pycache__", "*.egg-info")
MODULES = (
    "frames",
    "sim/interface",
    "sim/noise",
    "sim/atmosphere",
    "sim/weather",
    "sim/battery",
    "sim/sensors/imu",
    "sim/sensors/barometer",
    "sim/sensors/magnetometer",
    "sim/sensors/gnss",
    "sim/sensors/rangefinder",
    "sim/estimator/strapdown",
    "sim/estimator/whitening",
    "sim/estimator/error_filter",
    "sim/estimator/estimator",
    "sim/estimator/trust",
    "sim/estimator/alignment",
    "sim/controller/attitude",
    "sim/controller/controller",
    "sim/controller/mixer",
    "sim/controller/position",
    "sim/controller/reference",
    "sim/controller/touch_down",
    "sim/plant",
    "sim/faults",
    "sim/every_core",
    "sim/core",
    "sim/sticks",
    "sim/parameters",
    "sim/situation",
    "sim/fence",
    "sim/failsafes",
    "sim/motion_watch",
    "sim/autopilot",
    "sim/downlink",
    "sim/sources",
    "sim/telemetry",
    "sim/craft",
    "link/wire",
    "link/echoes",
    "link/sequences",
    "link/routes",
    "link/vehicle_side",
    "link/uplink",
    "link/lane",
    "link/air",
    "link/shared_air",
    "link/burst_loss",
    "link/bit_errors",
    "link/priority",
    "link/party",
    "link/roster",
    "link/hub",
    "link/radio",
    "link/modelled",
    "link/held_udp",
    "link/held_stream",
    "link/tally",
    "vehicle/builtin",
    "sim/uplink",
    "record/capture",
    "clock/event_queue",
    "clock/participant",
    "clock/broker",
)
"""What is compiled, below the package: what runs at every step or tick of the vehicle, or for every frame.

The clocks stay as they are: signals are noticed between the steps of interpreted code.
"""
STAMP = "accelerated-from"
SETUP = """
from mypyc.build import mypycify
from setuptools import setup

modules = mypycify({arguments!r}, opt_level="2", debug_level="0", multi_file=False)
for module in modules:
    module.extra_compile_args.append("-ffp-contract=off")  # or results would differ in last bits from the sources'
setup(ext_modules=modules)
"""


def why_not() -> str:
    """What is missing to compile with; '' when nothing is."""
    compiler = os.environ.get("CC", sysconfig.get_config_var("CC") or "cc").split()[0]
    if shutil.which(compiler) is None:
        return f"there is no C compiler ({compiler})"
    if not (Path(sysconfig.get_path("include")) / "Python.h").exists():
        return "the headers of Python are not installed (Debian: python3-dev)"
    return ""


def with_constants(source: str) -> str:
    """A module whose upper-case names for plain numbers are declared as constants."""
    lines = source.splitlines(keepends=True)
    for node in reversed(ast.parse(source).body):
        if not isinstance(node, ast.Assign):
            continue
        target, value = node.targets[0], node.value
        names = target.elts if isinstance(target, ast.Tuple) else [target]
        values = value.elts if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple) else [value]
        if all(map(_is_constant_name, names)) and all(map(_is_number, values)):
            declared = zip(names, values, strict=True)
            lines[node.lineno - 1 : node.end_lineno] = [
                f"{ast.unparse(name)}: Final = {ast.unparse(number)}\n" for name, number in declared
            ]
    future = "from __future__ import annotations\n"
    return "".join(lines).replace(future, f"{future}\nfrom typing import Final\n", 1)


def _is_constant_name(target: ast.expr) -> bool:
    return isinstance(target, ast.Name) and target.id == target.id.upper()


def _is_number(value: ast.expr) -> bool:
    """Whether it is a number, or an operation on numbers alone."""
    if isinstance(value, ast.BinOp):
        return _is_number(value.left) and _is_number(value.right)
    return isinstance(value, ast.Constant) and type(value.value) in {int, float}


def compiled_from() -> str:
    """A hash of everything that the compiled modules depend on."""
    hasher = hashlib.sha256(f"{sys.version}\n{platform.machine()}\n{version('mypy')}".encode())
    for path in (Path(__file__), *(PACKAGE / f"{module}.py" for module in MODULES)):
        hasher.update(path.read_bytes())
    return hasher.hexdigest()


def compile_into(folder: Path) -> None:
    """Compiles a copy of the sources; `folder` gets the compiled modules alone. Raises CalledProcessError."""
    with tempfile.TemporaryDirectory(prefix="asflown-build-") as name:
        copy, built = Path(name) / "copy", Path(name) / "built"
        shutil.copytree(TOP / "harness", copy / "harness", ignore=NOT_SOURCES)
        for part in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(TOP / part, copy)
        paths = [copy / "harness" / "asflown" / f"{module}.py" for module in MODULES]
        for path in paths:
            path.write_text(with_constants(path.read_text(encoding="utf-8")), encoding="utf-8")
        arguments = ["--config-file=pyproject.toml", *(str(path.relative_to(copy)) for path in paths)]
        (copy / "setup.py").write_text(SETUP.format(arguments=arguments), encoding="utf-8")
        argv = [sys.executable, "setup.py", "--quiet", "build_ext", "--build-lib", str(built)]
        subprocess.run(argv, cwd=copy, check=True)
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(built, folder)


def refresh(folder: Path) -> None:
    """Puts the sources as they are now beside the compiled modules: what is not compiled runs from them."""
    for path in sorted((folder / "asflown").rglob("*"), reverse=True):
        if path.is_file() and path.suffix != ".so":
            path.unlink()
    shutil.copytree(PACKAGE, folder / "asflown", ignore=NOT_SOURCES, dirs_exist_ok=True)


def main() -> int:
    """Compiles unless this very build is there, and brings the rest up to date."""
    parser = argparse.ArgumentParser(prog="ci/accelerate", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=TOP / ".accelerated", help="where to put it")
    folder: Path = parser.parse_args().folder.resolve()
    stamp, missing = folder / STAMP, why_not()
    if folder.exists() and not stamp.exists() and any(folder.iterdir()):
        print(f"{folder} holds something else: name a folder that is empty, or new", file=sys.stderr)
        return 2
    if missing:
        print(f"no accelerated build: {missing}", file=sys.stderr)
        return 1 if os.environ.get("ASFLOWN_REQUIRE_ALL") == "1" else 0
    wanted = compiled_from()
    if not stamp.exists() or stamp.read_text(encoding="utf-8") != wanted:
        print(
            "compiling the built-in vehicle and the way of frames; this takes about two minutes ...",
            file=sys.stderr,
        )
        try:
            compile_into(folder)
        except subprocess.CalledProcessError as failed:
            print(f"the accelerated build failed: {failed}", file=sys.stderr)
            return 1
        stamp.write_text(wanted, encoding="utf-8")
    refresh(folder)
    print(f"built: PYTHONPATH={folder} asflown fly ...")
    return 0


if __name__ == "__main__":
    sys.exit(main())
