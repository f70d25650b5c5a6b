"""A rig looked at in its rest pose: what is found, what stands in ``rest.json``, and what mends it."""

from audit.resting.document import rest_schema
from audit.resting.examination import RestExamination, examine_rest, longest, metres_of_unit
from audit.resting.fixing import fixing_sheet

__all__ = [
    "RestExamination",
    "examine_rest",
    "fixing_sheet",
    "longest",
    "metres_of_unit",
    "rest_schema",
]
