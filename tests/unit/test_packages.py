"""What is built holds what git tracks of the four folders, and nothing else. Built by .ci/run, which says where."""

import os
import re
import subprocess
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BUILT = os.environ.get("PEAKWHITE_TEST_BUILT")
"""Folder with an sdist, the wheel that was built from it, and below `direct/` the wheel of the checkout itself."""
pytestmark = pytest.mark.skipif(BUILT is None, reason="needs PEAKWHITE_TEST_BUILT, which .ci/run sets")
FOLDERS = ("daemon", "drivers", "simulated_scope", "web")
NOT_TO_BE_MISSED = (
    "daemon/py.typed",
    "drivers/py.typed",
    "simulated_scope/py.typed",
    "web/py.typed",
    "web/static/index.html",
    "daemon/book/migrations/versions/v0001_first.py",
    "daemon/service/peakwhite.service.in",
    "daemon/service/peakwhite.toml.in",
    "daemon/service/peakwhite.sysusers.conf",
    "daemon/service/peakwhite.tmpfiles.conf",
    "daemon/service/61-peakwhite-service.rules",
    "drivers/60-peakwhite.rules",
)


def tracked() -> dict[str, bytes]:
    """The content of what git tracks of the four folders."""
    told = subprocess.run(["git", "ls-files", "-z", *FOLDERS], cwd=ROOT, check=True, capture_output=True).stdout
    return {name: (ROOT / name).read_bytes() for name in told.decode().split("\0") if name}


def only(folder: Path, pattern: str) -> Path:
    (path,) = folder.glob(pattern)
    return path


def of_wheel(folder: Path) -> dict[str, bytes]:
    """Every file of the one wheel of a folder."""
    with zipfile.ZipFile(only(folder, "*.whl")) as wheel:
        return {name: wheel.read(name) for name in wheel.namelist()}


@pytest.fixture
def built() -> Path:
    assert BUILT is not None
    return Path(BUILT)


def test_the_wheel_holds_every_tracked_file_of_the_four_folders_and_no_other(built: Path) -> None:
    held = {
        name.removeprefix("peakwhite/"): content
        for name, content in of_wheel(built).items()
        if not re.match(r"peakwhite-[\d.]+\.dist-info/", name)
    }
    there = tracked()
    assert set(held) == set(there)
    assert not [name for name, content in held.items() if content != there[name]]


def test_page_unit_rules_types_and_migrations_are_in_the_wheel(built: Path) -> None:
    assert {f"peakwhite/{name}" for name in NOT_TO_BE_MISSED} <= set(of_wheel(built))


def test_the_source_archive_makes_the_same_wheel_as_the_checkout(built: Path) -> None:
    assert of_wheel(built) == of_wheel(built / "direct")


def test_the_source_archive_holds_every_tracked_file_of_the_four_folders(built: Path) -> None:
    path = only(built, "*.tar.gz")
    with tarfile.open(path) as archive:
        names = {name.removeprefix(path.name.removesuffix(".tar.gz") + "/") for name in archive.getnames()}
    assert not {*tracked(), "README.md", "LICENSE", "pyproject.toml"} - names
