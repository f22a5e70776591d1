"""A pytest plugin for CI, loaded with `-p no_skips`: there, a test that skips itself has failed.

A server or browser that is missing would otherwise turn its tests quietly into none.
"""

from collections.abc import Generator

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    refuse_skip(report, item.nodeid)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    refuse_skip(report, collector.nodeid)
    return report


def refuse_skip(report: pytest.TestReport | pytest.CollectReport, where: str) -> None:
    # An expected failure is reported as skipped too; it did run.
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{where} was not run, and nothing may be skipped here: {reason}"
