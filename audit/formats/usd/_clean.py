"""Read a binary layer and write it anew: run by path, as a process of its own.

A damaged binary layer can end the process that reads it, or ask for more memory than there is. So it is
read here first, under a limit; what is written is what the library itself made of it, and safe to read.
"""

import sys

ROOM = 2 << 30
ROOM_PER_BYTE = 30
"""Address space that the process may take, and how much more for each byte of the file; our choice."""


def _limit(size: int) -> None:
    """Keep the process from taking all memory, and from leaving its memory on the disk when it ends."""
    try:
        import resource  # noqa: PLC0415 - not on every system
    except ImportError:
        return
    for which, wanted in (
        (resource.RLIMIT_AS, ROOM + ROOM_PER_BYTE * size),
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(which)[1]
        allowed = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(which, (allowed, hard))


def main(source: str, target: str, size: int) -> int:
    """Return 0 where the layer was written anew, 1 where it could not be read."""
    _limit(size)
    from pxr import Sdf, Tf  # type: ignore  # noqa: PLC0415 - after the limit is set

    try:
        layer = Sdf.Layer.OpenAsAnonymous(source)
        return 0 if layer is not None and layer.Export(target) else 1
    except (Tf.ErrorException, UnicodeError, RuntimeError, MemoryError):
        return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2], int(sys.argv[3])))
