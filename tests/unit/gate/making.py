"""Verdicts, policies and files for the tests of the gate."""

from __future__ import annotations

from pathlib import Path

from audit.demo import demo_files
from audit.gate import Failure, FileVerdict, FindingRow, ShotVerdict

POLICY = """\
fail_on = "look"

[[waivers]]
joint = "L_Knee"
check = "twist"
reason = "locked"
who = "lead"
until = 2026-03-31

[[waivers]]
joint = "Nobody"
check = "twist"
reason = "gone"
who = "lead"
until = 2030-01-01
"""
WAIVED, USELESS = 3, 10
"""Lines of the two waivers."""


def row(severity: str = "fix", joint: str | None = "L_Knee", **changes: object) -> FindingRow:
    """Return a finding."""
    values = {
        "check": "twist",
        "severity": severity,
        "own_severity": severity,
        "message": f"Turn the axes of {joint} by −33.0°",
        "value": -33.0,
        "limit": 2.0,
        "joint": joint,
    }
    return FindingRow(**{**values, **changes})


def verdict(
    *findings: FindingRow, path: str = "shots/walk.bvh", policy: str | None = None
) -> FileVerdict:
    """Return a verdict on a file of one shot."""
    shot = ShotVerdict(
        file=path,
        shot=Path(path).stem,
        format="bvh",
        frames=10,
        seconds=0.3,
        joints=3,
        hinges=1,
        rig="a" * 64,
        findings=findings,
    )
    return FileVerdict(path, "b" * 64, policy, "c" * 64 if policy else None, (shot,))


def failed(path: str = "shots/bad.bvh", kind: str = "unreadable") -> FileVerdict:
    """Return a verdict on a file that could not be checked."""
    return FileVerdict(path, failure=Failure(kind, "ends too soon", "line 3", "Write it again"))


def demo_folder(folder: Path) -> Path:
    """Write the demo's shots into a folder and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in demo_files().items():
        (folder / name).write_bytes(data)
    return folder
