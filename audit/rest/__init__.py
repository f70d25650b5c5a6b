"""The rest pose: what can be measured on a skeleton alone, before a single key exists."""

from audit.rest.corrections import axis_corrections
from audit.rest.measures import RestMeasures, measure_rest
from audit.rest.pairs import Pairs, find_pairs

__all__ = ["Pairs", "RestMeasures", "axis_corrections", "find_pairs", "measure_rest"]
