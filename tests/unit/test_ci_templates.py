"""The templates for CI servers: valid by the published schemas, careful by rules of our own, and flown for real."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.unit.source import ROOT

TEMPLATES = ROOT / "ci" / "templates"
BIN = Path(sys.executable).parent
SCRIPTS = ("asflown-ci.sh", "cron.sh")
OWN_ACTIONS = ("actions/checkout", "actions/cache", "actions/upload-artifact")


def read(name: str) -> dict[str, Any]:
    """A template as data; `on` is a key and not a truth value there."""
    text = (TEMPLATES / name).read_text()
    data = yaml.safe_load(re.sub(r"(?m)^on:", '"on":', text))
    assert isinstance(data, dict)
    return data


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("github-actions.yaml", ["--builtin-schema", "vendor.github-workflows"]),
        ("github-actions.yaml", ["--builtin-schema", "custom.github-workflows-require-timeout"]),
        ("gitlab-ci.yaml", ["--builtin-schema", "vendor.gitlab-ci", "--data-transform", "gitlab-ci"]),
        (
            "azure-pipelines.yaml",
            ["--builtin-schema", "vendor.azure-pipelines", "--regex-variant", "nonunicode"],
        ),
    ],
    ids=["first", "first has time limits", "second", "third"],
)
def test_templates_follow_the_published_schemas(name: str, options: list[str]) -> None:
    """Each by the schema that the package check-jsonschema carries, without a network."""
    command = [str(BIN / "check-jsonschema"), *options, str(TEMPLATES / name)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_are_sound(name: str) -> None:
    """By the shell's own reading and by ShellCheck, without a remark."""
    for command in (["bash", "-n"], [str(BIN / "shellcheck")]):
        done = subprocess.run([*command, str(TEMPLATES / name)], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
    assert os.access(TEMPLATES / name, os.X_OK)


def test_only_the_platforms_own_actions_are_used() -> None:
    """No third party's action, the token can only read, and nothing runs with a stranger's rights raised."""
    workflow = read("github-actions.yaml")
    used = {
        step["uses"].partition("@")[0]
        for job in workflow["jobs"].values()
        for step in job["steps"]
        if "uses" in step
    }
    assert used == set(OWN_ACTIONS)
    assert workflow["permissions"] == {"contents": "read"}
    assert not any("permissions" in job for job in workflow["jobs"].values())
    assert "pull_request_target" not in workflow["on"]
    assert "secrets" not in str(workflow)


def test_actions_are_pinned_by_major_version_or_commit() -> None:
    """Never a branch, which is something else tomorrow."""
    used = re.findall(r"uses: *(\S+)", (TEMPLATES / "github-actions.yaml").read_text())
    assert used
    assert [one for one in used if not re.fullmatch(r"actions/[a-z-]+@(v\d+|[0-9a-f]{40})", one)] == []


def test_strangers_never_reach_a_rig() -> None:
    """A pull request starts the built-in vehicle alone, on a hosted machine; the rig is started by hand, one by one."""
    jobs = read("github-actions.yaml")["jobs"]
    assert [name for name, job in jobs.items() if "pull_request" in job["if"]] == ["built-in"]
    assert [name for name, job in jobs.items() if "self-hosted" in job["runs-on"]] == ["bench"]
    assert jobs["bench"]["if"].startswith("github.event_name == 'workflow_dispatch' && ")
    assert jobs["bench"]["concurrency"]["cancel-in-progress"] is False
    bench = read("gitlab-ci.yaml")["asflown-bench"]
    (rule,) = bench["rules"]
    assert rule["if"] == '$CI_PIPELINE_SOURCE == "web" && $CI_COMMIT_REF_PROTECTED == "true"'
    assert (rule["when"], bench["resource_group"]) == ("manual", "asflown-bench")
    stages = {stage["stage"]: stage for stage in read("azure-pipelines.yaml")["stages"]}
    assert stages["bench"]["condition"].startswith("and(eq(variables['Build.Reason'], 'Manual'), ")
    assert stages["bench"]["lockBehavior"] == "sequential"


@pytest.mark.parametrize("name", ["github-actions.yaml", "gitlab-ci.yaml", "azure-pipelines.yaml"])
def test_each_template_flies_push_night_and_bench(name: str) -> None:
    """The three ways of calling the script, and no other."""
    called = re.findall(r"ci/asflown-ci\.sh (\w+)", (TEMPLATES / name).read_text())
    assert sorted(called) == ["bench", "night", "push"]


def run(folder: Path, *arguments: str, **settings: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PATH": f"{BIN}:{os.environ['PATH']}", **settings}
    command = [str(TEMPLATES / "asflown-ci.sh"), *arguments]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


def test_a_call_without_a_time_is_a_usage_error(tmp_path: Path) -> None:
    """Exit code 2 and what to say; a bench without a rig is none either."""
    done = run(tmp_path)
    assert (done.returncode, "push | night | bench" in done.stderr) == (2, True)
    assert "names the vehicle file of the rig" in run(tmp_path, "bench").stderr


@pytest.mark.flight
@pytest.mark.slow
def test_a_push_leaves_reports_and_captures(tmp_path: Path) -> None:
    """One scenario that passes and one that fails, flown for real: exit code 1, and everything to look at."""
    for name in ("scenarios/glasshouse_rows/glasshouse-rows", "tests/flights/variants/rows-too-high"):
        file = ROOT / f"{name}.scenario.yaml"
        script = file.with_name(f"{file.name.split('.')[0].replace('-', '_')}.py")
        words = f'script: {{run: [python, "{script}", --link, "{{link}}"]}}'
        text = f"extends: {file}\n{words}\nrepeat: {{flights: 1, seeds: [1]}}\n"
        (tmp_path / file.name).write_text(text)
    done = run(tmp_path, "push", ASFLOWN_SCENARIOS=".")
    assert done.returncode == 1, done.stdout + done.stderr
    results = tmp_path / "asflown-results"
    assert sorted(path.name for path in results.iterdir()) == [
        "built-in.json",
        "built-in.md",
        "built-in.xml",
        "flights.tar.gz",
        "site-built-in",
        "summary.txt",
    ]
    flown = json.loads((results / "built-in.json").read_text())["verdicts"]
    assert [one["verdict"] for one in flown] == ["pass", "fail"]


STAND_IN = """#!/bin/sh
[ "$1" = doctor ] && exit 0
echo "$@" >> calls.txt
mkdir -p asflown-results/flights/one
echo flown > asflown-results/flights/one/script.log
exit $(sed -n "$(wc -l < calls.txt)p" codes.txt)
"""
"""In place of the command, to end with the codes that are wanted: which flights were flown is not the question."""


def ended(
    folder: Path, codes: tuple[int, ...], *arguments: str, **settings: str
) -> tuple[int, list[str], bool]:
    """The script's exit code, what it called, and whether captures were kept."""
    (folder / "bin").mkdir()
    (folder / "bin" / "asflown").write_text(STAND_IN)
    (folder / "bin" / "asflown").chmod(0o755)
    (folder / "codes.txt").write_text("".join(f"{code}\n" for code in codes))
    done = run(folder, *arguments, PATH=f"{folder / 'bin'}:{os.environ['PATH']}", **settings)
    calls = (folder / "calls.txt").read_text().splitlines()
    return done.returncode, calls, (folder / "asflown-results" / "flights.tar.gz").exists()


@pytest.mark.parametrize(
    ("codes", "expected"),
    [((0, 0), 0), ((4, 0), 4), ((0, 3), 3), ((3, 4), 3), ((1, 3), 1), ((2, 1), 2)],
    ids=str,
)
def test_the_gravest_exit_code_of_a_night_counts(
    tmp_path: Path, codes: tuple[int, ...], expected: int
) -> None:
    """1 outranks 3, and 3 outranks 4; captures are kept unless everything passed."""
    code, calls, kept = ended(
        tmp_path, codes, "night", ASFLOWN_CONTAINER="box", ASFLOWN_COMMIT="0000002a" * 5
    )
    assert (code, kept) == (expected, expected != 0)
    assert "--flights 10 --seed 42" in calls[0]
    assert "--vehicle box" in calls[1]
    assert all("--retry-errors 2" in call for call in calls)
    assert not (tmp_path / "asflown-results" / "flights").exists()


def test_captures_beyond_the_cap_are_left_out(tmp_path: Path) -> None:
    """Nothing larger than what the server may be given is kept."""
    assert ended(tmp_path, (1,), "push", ASFLOWN_MOST_MB="-1")[::2] == (1, False)


def test_a_bench_flies_one_at_a_time(tmp_path: Path) -> None:
    """On the rig that is named, never with workers side by side."""
    code, (call,), _ = ended(tmp_path, (0,), "bench", ASFLOWN_RIG="rig.vehicle.yaml", TMPDIR=str(tmp_path))
    assert code == 0
    assert "--vehicle rig.vehicle.yaml" in call
    assert "--workers" not in call


@pytest.mark.parametrize(("code", "said"), [(0, ""), (3, "could not\neverything: ")], ids=["passed", "error"])
def test_cron_speaks_only_of_nights_that_did_not_pass(tmp_path: Path, code: int, said: str) -> None:
    """Mail comes only when something is to be read; old nights go, and the exit code is the night's."""
    (tmp_path / "ci").mkdir()
    (tmp_path / "ci" / "cron.sh").write_bytes((TEMPLATES / "cron.sh").read_bytes())
    night = tmp_path / "ci" / "asflown-ci.sh"
    night.write_text(f"#!/bin/sh\necho could not\nexit {code}\n")
    night.chmod(0o755)
    nights = tmp_path / "nights"
    for number in range(10, 30):
        (nights / f"202601{number}T020000Z").mkdir(parents=True)
    environment = {**os.environ, "ASFLOWN_NIGHTS": str(nights), "ASFLOWN_KEEP_NIGHTS": "3"}
    command = ["bash", str(tmp_path / "ci" / "cron.sh")]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stderr
    assert done.stdout.startswith(said)
    assert bool(done.stdout) is bool(code)
    left = sorted(path.name for path in nights.iterdir() if path.is_dir())
    assert left[:2] == ["20260128T020000Z", "20260129T020000Z"]
    assert (nights / left[2] / "log.txt").read_text() == "could not\n"
