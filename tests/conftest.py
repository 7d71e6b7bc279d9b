"""What holds for every test: nothing may be skipped where everything is required."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest
from hypothesis import settings

REQUIRE_ALL = "ASFLOWN_REQUIRE_ALL"
"""Set to 1 where every engine, browser and tool that a test may need is installed: there a skip is an error."""

collect_ignore_glob = ["*.scenario.yaml"]
"""Wrong variants are flown by tests that say what must be found wrong, not by the plugin."""

settings.register_profile("asflown", deadline=None)  # how long a test takes is nobody's verdict on the code
settings.load_profile("asflown")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turns a skip into a failure when everything is required; an expected failure stays what it is."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get(REQUIRE_ALL) == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: {reason}, but {REQUIRE_ALL}=1 lets no test be skipped"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a module that skips itself while it is collected."""
    report = yield
    if report.skipped and os.environ.get(REQUIRE_ALL) == "1":
        report.outcome = "failed"
        report.longrepr = (
            f"{collector.nodeid}: skipped as a whole, but {REQUIRE_ALL}=1 lets no test be skipped"
        )
    return report
