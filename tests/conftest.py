"""On the build machine a test that does not run is a failure: nothing may go unseen there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent


def recordings_folder() -> Path:
    """Where real recordings lie on machines that have them."""
    return Path(os.environ.get("TIGHTSIDE_RECORDINGS") or ROOT.parent / "shared" / "recordings")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[Any]:
    report = yield
    absent_by_right = item.get_closest_marker("recordings") is not None and not recordings_folder().is_dir()
    if report.skipped and os.environ.get("CI") == "true" and not hasattr(report, "wasxfail") and not absent_by_right:
        report.outcome = "failed"
        report.longrepr = f"skipped, which is not allowed here: {report.longrepr}"
    return report
