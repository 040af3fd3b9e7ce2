"""The wheel holds exactly the tracked files of the four shipped folders, and works from there."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ("fleetstats", "sql", "site_templates", "sample_data")


def tracked() -> set[str]:
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("no git checkout here, so no list of tracked files to hold the wheel against")
    listed = subprocess.run(
        ["git", "ls-files", *SHIPPED], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return {line for line in listed.stdout.splitlines() if (ROOT / line).exists()}


def test_the_wheel_is_the_tracked_files(tmp_path: Path) -> None:
    built = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-cache-dir", "-w", str(tmp_path), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        inside = {name for name in archive.namelist() if ".dist-info/" not in name}
    expected = {name if name.startswith("fleetstats/") else f"fleetstats/{name}" for name in tracked()}
    assert inside == expected
