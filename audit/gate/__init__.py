"""The gate: many shots, a studio's rules, one yes or no, and the formats it is written down in."""

from audit.gate.formats import output_formats
from audit.gate.interrupts import Interrupts
from audit.gate.output import OutputFormat, Sink
from audit.gate.shots import (
    Failure,
    FileVerdict,
    FindingRow,
    Options,
    ShotVerdict,
    check_file,
    policy_for,
    settings_digest,
)
from audit.gate.verdicts import JudgedFile, JudgedFinding, JudgedShot, Run, Writer, collect

__all__ = [
    "Failure",
    "FileVerdict",
    "FindingRow",
    "Interrupts",
    "JudgedFile",
    "JudgedFinding",
    "JudgedShot",
    "Options",
    "OutputFormat",
    "Run",
    "ShotVerdict",
    "Sink",
    "Writer",
    "check_file",
    "collect",
    "output_formats",
    "policy_for",
    "settings_digest",
]
