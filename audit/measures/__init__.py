"""The measures: hinge axes, channel spread, offsets and what they would change. Arrays in, results out."""

from audit.measures.joints import joint_curves, measure_shot
from audit.measures.result import JointCurves, Measures
from audit.measures.spread import Cost, effective_channels

__all__ = [
    "Cost",
    "JointCurves",
    "Measures",
    "effective_channels",
    "joint_curves",
    "measure_shot",
]
