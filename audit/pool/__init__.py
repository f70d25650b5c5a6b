"""Evidence from many shots of one rig: one answer, how sure it is, and which shots it comes from."""

from audit.pool.advice import Advice, advise
from audit.pool.chains import ChainTwist, chain_twist, chains
from audit.pool.evidence import ShotEvidence, evidence_of
from audit.pool.pool import Pool
from audit.pool.result import PooledMeasures
from audit.pool.rig import Drift, Tolerance, drift, joint_paths, matching_places, rig_key, same_rig
from audit.pool.sides import (
    Mirrored,
    bends_alike,
    hinge_channels,
    mirrored_axes,
    passage,
    with_mirrored_offsets,
)
from audit.pool.steady import key_weights
from audit.pool.telling import Carrier, OddShot

__all__ = [
    "Advice",
    "Carrier",
    "ChainTwist",
    "Drift",
    "Mirrored",
    "OddShot",
    "Pool",
    "PooledMeasures",
    "ShotEvidence",
    "Tolerance",
    "advise",
    "bends_alike",
    "chain_twist",
    "chains",
    "drift",
    "evidence_of",
    "hinge_channels",
    "joint_paths",
    "key_weights",
    "matching_places",
    "mirrored_axes",
    "passage",
    "rig_key",
    "same_rig",
    "with_mirrored_offsets",
]
