"""A demo folder laid out once for all tests of a worker: the whole way from book and records to papers."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

from wearlore import cli

# a busy machine is no failure; in CI the same examples every time, at a desk new ones
settings.register_profile("desk", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")


@pytest.fixture(autouse=True)
def _wide_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same columns whatever terminal the tests run in."""
    monkeypatch.setenv("COLUMNS", "118")


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What ``wearlore demo --vans 300`` leaves, in a folder called ``wearlore-demo``."""
    folder = tmp_path_factory.mktemp("shop") / "wearlore-demo"
    assert cli.run(["demo", "--folder", str(folder), "--vans", "300"]) == 0
    return folder
