"""What a shot is: a skeleton, times, and the rotation of every joint at every key. No files, no measures."""

from audit.model.frozen import frozen_array
from audit.model.shot import Channels, Shot, Source
from audit.model.skeleton import Skeleton

__all__ = ["Channels", "Shot", "Skeleton", "Source", "frozen_array"]
