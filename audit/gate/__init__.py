"""The gate: many shots, a studio's rules, one yes or no, and the formats it is written down in.

Names are loaded when they are first used: a run whose answers are all known from before measures nothing, and
loads none of what measures.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from audit.gate.data import Failure as Failure
    from audit.gate.data import FileVerdict as FileVerdict
    from audit.gate.data import FindingRow as FindingRow
    from audit.gate.data import News as News
    from audit.gate.data import Options as Options
    from audit.gate.data import ShotVerdict as ShotVerdict
    from audit.gate.data import UnchangedFile as UnchangedFile
    from audit.gate.formats import output_formats as output_formats
    from audit.gate.interrupts import Interrupts as Interrupts
    from audit.gate.judged import JudgedFile as JudgedFile
    from audit.gate.judged import JudgedFinding as JudgedFinding
    from audit.gate.judged import JudgedShot as JudgedShot
    from audit.gate.judged import Run as Run
    from audit.gate.judged import level_for as level_for
    from audit.gate.output import OutputFormat as OutputFormat
    from audit.gate.output import Sink as Sink
    from audit.gate.policies import HeldPolicies as HeldPolicies
    from audit.gate.policies import partition_of as partition_of
    from audit.gate.policies import policy_for as policy_for
    from audit.gate.policies import settings_digest as settings_digest
    from audit.gate.shots import check_file as check_file
    from audit.gate.verdicts import Writer as Writer
    from audit.gate.verdicts import collect as collect

_HOME = {
    "Failure": "data",
    "FileVerdict": "data",
    "FindingRow": "data",
    "HeldPolicies": "policies",
    "Interrupts": "interrupts",
    "JudgedFile": "judged",
    "JudgedFinding": "judged",
    "JudgedShot": "judged",
    "Options": "data",
    "News": "data",
    "OutputFormat": "output",
    "Run": "judged",
    "ShotVerdict": "data",
    "Sink": "output",
    "UnchangedFile": "data",
    "Writer": "verdicts",
    "check_file": "shots",
    "collect": "verdicts",
    "level_for": "judged",
    "output_formats": "formats",
    "partition_of": "policies",
    "policy_for": "policies",
    "settings_digest": "policies",
}

__all__ = sorted(_HOME)  # noqa: PLE0605


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'audit.gate' has no attribute {name!r}")
    value = getattr(import_module(f"audit.gate.{_HOME[name]}"), name)
    globals()[name] = value
    return value
