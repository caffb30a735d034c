"""A demo folder laid out once for all tests of a worker: the whole way from book and records to papers."""

from pathlib import Path

import pytest

from wearlore import cli


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
