"""Two takes of one rig side by side: whether they are the same motion, and in cleaner axes.

What changed between two shots is worked out here from the shots and their measures; nothing is drawn and no
file is opened.
"""

from audit.compare.comparison import Comparison, compare
from audit.compare.document import comparison_schema
from audit.compare.matching import Matching, match_joints
from audit.compare.pairing import pair_files, pair_shots
from audit.compare.verdicts import VERDICTS, verdict

__all__ = [
    "VERDICTS",
    "Comparison",
    "Matching",
    "compare",
    "comparison_schema",
    "match_joints",
    "pair_files",
    "pair_shots",
    "verdict",
]
