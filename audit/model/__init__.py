"""What a shot is: a skeleton, times, and the rotation of every joint at every key. No files, no measures."""

from audit.model.frozen import frozen_array
from audit.model.shot import Channels, Shot, Source, Tracks, time_weights
from audit.model.skeleton import Skeleton
from audit.model.skin import Skin
from audit.model.track import Track
from audit.model.world import World

__all__ = [
    "Channels",
    "Shot",
    "Skeleton",
    "Skin",
    "Source",
    "Track",
    "Tracks",
    "World",
    "frozen_array",
    "time_weights",
]
