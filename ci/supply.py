"""What asflown is made of: licences, a bill of materials, an audit, and wheels that come out the same twice.

    python ci/supply.py licences [--table FILE]     each pinned package's licence, checked against the list here
    python ci/supply.py sbom FILE                   a CycloneDX bill of materials of what users install, validated
    python ci/supply.py wheel [FOLDER]              two wheels from two clean folders: one hash, or exit code 1
    python ci/supply.py audit                       known vulnerabilities of what is pinned; asks a network service
    python ci/supply.py lock [--upgrade]            ci/lock.txt from pyproject.toml; asks a package index

The first three need no network. Nothing is installed by any of them.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import HashAlgorithm, HashType
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packageurl import PackageURL
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
LOCK = ROOT / "ci" / "lock.txt"

ALLOWED = {
    "MIT", "MIT-CMU", "BSD-2-Clause", "BSD-3-Clause", "0BSD", "Apache-2.0", "PSF-2.0", "MPL-2.0", "Zlib", "CC0-1.0", "ISC",
    "LGPL-2.0-or-later", "LGPL-2.1-or-later", "LGPL-3.0-only",
}  # fmt: skip
"""Licences that asflown, under MIT, may depend on without more: permissive ones, and those of libraries that are used as
they are (imported, never copied or linked into us)."""

SPELLINGS = {
    "apache software license": "Apache-2.0", "apache license 2.0": "Apache-2.0", "apache license, version 2.0": "Apache-2.0",
    "apache 2.0": "Apache-2.0", "mit license": "MIT", "mit": "MIT", "bsd": "BSD-3-Clause", "bsd license": "BSD-3-Clause",
    "bsd 3-clause license": "BSD-3-Clause", "bsd 2-clause license": "BSD-2-Clause", "2-clause bsd": "BSD-2-Clause",
    "isc license (iscl)": "ISC", "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0", "python software foundation license": "PSF-2.0",
    "gnu lesser general public license v2 or later (lgplv2+)": "LGPL-2.0-or-later",
    "gnu lesser general public license v3 (lgplv3)": "LGPL-3.0-only",
    "gnu library or lesser general public license (lgpl)": "LGPL-2.1-or-later",
}  # fmt: skip
"""How older packages name a licence, and its SPDX name; one that only says BSD is taken for the stricter of the two."""

READ_BY_HAND: dict[str, str] = {
    "axe-playwright-python": "MIT",  # its LICENSE file; the checks inside it (axe-core) are MPL-2.0
    "libmav": "BSD-3-Clause",  # the licence file in its wheel
    "resvg-py": "MIT",  # the licence file in its wheel; the library inside it (resvg) is Apache-2.0 or MIT
}
"""Packages whose metadata names no licence: what their licence file says."""


@dataclass(frozen=True, slots=True)
class Pinned:
    """One line of the lock."""

    name: str
    version: str
    hashes: tuple[str, ...]
    """SHA-256 of each file that may be installed."""


def pinned(lock: str) -> Iterator[Pinned]:
    """Every requirement of a lock. Raises ValueError for one without an exact version or without hashes."""
    joined = re.sub(r"\\\n\s*", " ", lock)
    for line in joined.splitlines():
        text = line.partition("#")[0].strip()
        if not text:
            continue
        match = re.fullmatch(
            r"([A-Za-z0-9._-]+)==(\S+)(?:\s*;[^-]*)?((?:\s+--hash=sha256:[0-9a-f]{64})+)", text
        )
        if match is None:
            raise ValueError(f"not pinned by version and hash: {text[:100]}")
        yield Pinned(
            canonicalize_name(match[1]), match[2], tuple(re.findall(r"sha256:([0-9a-f]{64})", match[3]))
        )


def licence_of(name: str) -> str:
    """The SPDX expression of an installed package's licence; what it says itself where that is no known spelling."""
    about = metadata.metadata(name)
    if "License-Expression" in about:
        return str(about["License-Expression"])
    said = [
        line.rpartition(" :: ")[2]
        for line in about.get_all("Classifier") or ()
        if line.startswith("License ::")
    ]
    said = [one for one in said if one not in {"DFSG approved", "Freely Distributable", "OSI Approved"}]
    said.append(about["License"].strip().partition("\n")[0] if "License" in about else "")
    for one in said:
        if one in ALLOWED or one.lower() in SPELLINGS:
            return str(SPELLINGS.get(one.lower(), one))
    return READ_BY_HAND.get(name, " / ".join(filter(None, said)) or "none named")


def is_allowed(expression: str) -> bool:
    """Whether a licence may be depended on: all that is joined by AND, one of what is joined by OR."""
    parts = [part.strip(" ()") for part in expression.split(" AND ")]
    return all(any(one.strip(" ()") in ALLOWED for one in part.split(" OR ")) for part in parts)


def licences() -> dict[str, tuple[str, str]]:
    """Version and licence of everything pinned that is installed here."""
    found = {}
    for one in pinned(LOCK.read_text(encoding="utf-8")):
        try:
            found[one.name] = metadata.version(one.name), licence_of(one.name)
        except metadata.PackageNotFoundError:
            continue  # pinned for another platform
    return found


def needed_by_users() -> dict[str, tuple[str, ...]]:
    """What a user gets with asflown, extras apart: each package with those that it needs in turn."""
    graph: dict[str, tuple[str, ...]] = {}
    waiting = ["asflown"]
    while waiting:
        name = waiting.pop()
        if name not in graph:
            graph[name] = tuple(sorted(_needs(name)))
            waiting += graph[name]
    return dict(sorted(graph.items()))


def _needs(name: str) -> Iterator[str]:
    """Of asflown itself what its project file asks for, of others what they say."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for text in project["dependencies"] if name == "asflown" else metadata.requires(name) or ():
        requirement = Requirement(text)
        if requirement.marker is None or requirement.marker.evaluate({"extra": ""}):
            yield canonicalize_name(requirement.name)


def bill_of_materials() -> str:
    """CycloneDX 1.6 as JSON: asflown, what it needs, with versions, licences and the hashes of the lock.

    It has no serial number and no time, so that equal contents are equal bytes.
    """
    hashes = {one.name: one.hashes for one in pinned(LOCK.read_text(encoding="utf-8"))}
    make_licence = LicenseFactory().make_from_string
    graph, made = needed_by_users(), {}
    for name in graph:
        version = metadata.version(name)
        made[name] = Component(
            name=name,
            version=version,
            type=ComponentType.APPLICATION if name == "asflown" else ComponentType.LIBRARY,
            bom_ref=f"{name}@{version}",
            purl=PackageURL("pypi", name=name, version=version),
            licenses=[make_licence(licence_of(name))],
            hashes=[HashType(alg=HashAlgorithm.SHA_256, content=one) for one in sorted(hashes.get(name, ()))],
        )
    bom = Bom(components=[one for name, one in made.items() if name != "asflown"])
    bom.metadata.component = made["asflown"]
    for name, needs in graph.items():
        bom.register_dependency(made[name], [made[one] for one in needs])
    return without_chance(JsonV1Dot6(bom).output_as_string(indent=1))


def without_chance(text: str) -> str:
    """A bill without its serial number and time."""
    found = json.loads(text)
    found.pop("serialNumber", None)
    found["metadata"].pop("timestamp", None)
    return json.dumps(found, indent=1, sort_keys=True) + "\n"


def faults_of_bill(text: str) -> list[str]:
    """What the published schema of CycloneDX 1.6 says against a bill, strictly."""
    error = JsonStrictValidator(SchemaVersion.V1_6).validate_str(text)
    return [] if error is None else [str(error)]


def build_wheel(source: Path, into: Path, revision: str) -> Path:
    """A wheel of a revision, from a clean copy of its files at `source`.

    What would differ from one builder to the next is set: times to the commit's, the umask (modes go into a wheel), the
    time zone and the locale.
    """
    source.mkdir(parents=True)
    archive = subprocess.run(["git", "archive", revision], cwd=ROOT, check=True, capture_output=True).stdout
    subprocess.run(["tar", "-x", "-C", str(source)], input=archive, check=True)
    moment = subprocess.run(
        ["git", "log", "-1", "--format=%ct", revision], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.strip()
    subprocess.run(["chmod", "-R", "u=rwX,go=rX", str(source)], check=True)  # tar had the builder's umask
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(into), str(source)],
        check=True,
        stdout=sys.stderr,
        env={**os.environ, "SOURCE_DATE_EPOCH": moment, "TZ": "UTC", "LC_ALL": "C.UTF-8"},
        umask=0o022,
    )
    return next(into.glob("*.whl"))


def two_wheels(keep: Path | None) -> tuple[str, str]:
    """The hashes of wheels built in two clean folders, of different names and depths, with different umasks outside."""
    found = []
    revision = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.strip()
    with tempfile.TemporaryDirectory() as name:
        for number, (place, umask) in enumerate((("here", 0o022), ("somewhere/else", 0o077))):
            into = Path(name) / f"wheels{number}"
            before = os.umask(umask)
            try:
                wheel = build_wheel(Path(name) / place, into, revision)
            finally:
                os.umask(before)
            found.append(hashlib.sha256(wheel.read_bytes()).hexdigest())
            if keep is not None and number == 0:
                keep.mkdir(parents=True, exist_ok=True)
                shutil.copy(wheel, keep)
    return found[0], found[1]


def _licences(options: argparse.Namespace) -> int:
    found = licences()
    lines = ["| package | version | licence |", "|---|---|---|"]
    lines += [f"| {name} | {version} | {licence} |" for name, (version, licence) in found.items()]
    if options.table is not None:
        options.table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    else:
        print("\n".join(lines))
    refused = {name: licence for name, (_, licence) in found.items() if not is_allowed(licence)}
    for name, licence in refused.items():
        print(f"{name}: {licence} is not in the list of ci/supply.py", file=sys.stderr)
    return int(bool(refused))


def _sbom(options: argparse.Namespace) -> int:
    text = bill_of_materials()
    faults = faults_of_bill(text)
    for fault in faults:
        print(fault, file=sys.stderr)
    options.file.write_text(text, encoding="utf-8")
    return int(bool(faults))


def _wheel(options: argparse.Namespace) -> int:
    first, second = two_wheels(options.folder)
    print(f"{first}\n{second}")
    return int(first != second)


def _audit(_: argparse.Namespace) -> int:
    if shutil.which("pip-audit") is None:
        print(
            "pip-audit is not installed: `pip install pip-audit`, and it needs the network", file=sys.stderr
        )
        return 2
    command = ["pip-audit", "--require-hashes", "--disable-pip", "--requirement", str(LOCK)]
    return subprocess.run(command, check=False).returncode


def _lock(options: argparse.Namespace) -> int:
    compiling = "-m uv pip compile --quiet --no-config --universal --python-version=3.11 --extra=dev --generate-hashes"
    command = [sys.executable, *compiling.split(), "--custom-compile-command=python ci/supply.py lock"]
    command += ["--upgrade"] if options.upgrade else []
    command += [f"--output-file={LOCK.relative_to(ROOT)}", "pyproject.toml"]
    return subprocess.run(command, cwd=ROOT, check=False).returncode


def main() -> int:
    """Runs one of the commands; returns the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(required=True)
    one = commands.add_parser("licences")
    one.add_argument("--table", type=Path)
    one.set_defaults(run=_licences)
    one = commands.add_parser("sbom")
    one.add_argument("file", type=Path)
    one.set_defaults(run=_sbom)
    one = commands.add_parser("wheel")
    one.add_argument("folder", type=Path, nargs="?")
    one.set_defaults(run=_wheel)
    commands.add_parser("audit").set_defaults(run=_audit)
    one = commands.add_parser("lock")
    one.add_argument("--upgrade", action="store_true", help="take newer versions")
    one.set_defaults(run=_lock)
    options = parser.parse_args()
    return int(options.run(options))


if __name__ == "__main__":
    sys.exit(main())
