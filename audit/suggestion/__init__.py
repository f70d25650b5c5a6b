"""From shots of one rig to its offsets sheet, with the evidence behind it."""

from audit.suggestion.evidence import RigEvidence, gather
from audit.suggestion.outlook import Outlook
from audit.suggestion.suggest import Suggestion, only_rig, suggest_from, suggest_rig

__all__ = [
    "Outlook",
    "RigEvidence",
    "Suggestion",
    "gather",
    "only_rig",
    "suggest_from",
    "suggest_rig",
]
