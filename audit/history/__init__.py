"""Results of many runs as data: a record that grows, and what it says about rigs, shots and joints."""

from audit.history.baseline import against_baseline, load_findings
from audit.history.columns import UNNAMED_SHOW, table_schema
from audit.history.judged import Baseline, RecordWriter
from audit.history.query import Answer, History
from audit.history.record import Recorder, rig_of
from audit.history.unchanged import EarlierPasses, PassedUnder

__all__ = [
    "UNNAMED_SHOW",
    "Answer",
    "Baseline",
    "EarlierPasses",
    "History",
    "PassedUnder",
    "RecordWriter",
    "Recorder",
    "against_baseline",
    "load_findings",
    "rig_of",
    "table_schema",
]
