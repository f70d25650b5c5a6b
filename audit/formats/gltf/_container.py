"""The two containers of glTF: plain JSON, and GLB with its chunks."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from audit.errors import FormatError

MAGIC = b"glTF"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
JSON_CHUNK, BINARY_CHUNK = 0x4E4F534A, 0x004E4942
HEADER, CHUNK_HEADER = struct.Struct("<4sII"), struct.Struct("<II")

Bytes = bytes | memoryview

CUT_SHORT = "The file seems to be cut short or damaged; write it again"


@dataclass(frozen=True, slots=True)
class Contents:
    """What a container holds.

    Attributes
    ----------
    text
        The JSON.
    binary
        Start and end of the binary chunk in the file, None where there is none.
    others
        Type, start and end of each further chunk: they mean nothing here, and are kept.
    """

    text: str
    binary: tuple[int, int] | None = None
    others: tuple[tuple[int, int, int], ...] = ()


def unpacked(data: bytes, path: str) -> Contents:
    """Return what a glTF file holds; FormatError where the container is damaged."""
    if not data.startswith(MAGIC):
        return Contents(_decoded(data.removeprefix(BYTE_ORDER_MARK), path))
    if len(data) < HEADER.size:
        raise FormatError(
            "the header of 12 bytes is not whole", path=path, where="byte 0", hint=CUT_SHORT
        )
    _, version, length = HEADER.unpack_from(data)
    if version != 2:
        raise FormatError(
            f"this is GLB version {version}; version 2 is read",
            path=path,
            where="byte 4",
            hint="Write the file again as glTF 2.0",
        )
    if length != len(data):
        raise FormatError(
            f"the header says {length:,} bytes, but the file has {len(data):,}",
            path=path,
            where="byte 8",
            hint=CUT_SHORT,
        )
    chunks = _chunks(data, path)
    if not chunks or chunks[0][0] != JSON_CHUNK:
        raise FormatError(
            "the first chunk is not JSON", path=path, where="byte 12", hint="Write the file again"
        )
    text = _decoded(data[chunks[0][1] : chunks[0][2]], path)
    rest = chunks[1:]
    if rest and rest[0][0] == BINARY_CHUNK:
        return Contents(text, rest[0][1:], tuple(rest[1:]))
    return Contents(text, None, tuple(rest))


def _decoded(data: bytes, path: str) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FormatError(
            "the JSON is not UTF-8 text",
            path=path,
            where=f"JSON byte {error.start}",
            hint="The file seems to be damaged; write it again",
        ) from error


def _chunks(data: bytes, path: str) -> list[tuple[int, int, int]]:
    """Return type, start and end of each chunk of a GLB."""
    chunks = []
    place = HEADER.size
    while place < len(data):
        where = f"byte {place}"
        if place + CHUNK_HEADER.size > len(data):
            raise FormatError(
                "the head of a chunk is not whole", path=path, where=where, hint=CUT_SHORT
            )
        length, kind = CHUNK_HEADER.unpack_from(data, place)
        start = place + CHUNK_HEADER.size
        if start + length > len(data):
            raise FormatError(
                f"a chunk of {length:,} bytes begins, but only {len(data) - start:,} are left",
                path=path,
                where=where,
                hint=CUT_SHORT,
            )
        if length % 4:
            raise FormatError(
                f"a chunk has {length:,} bytes, which is no multiple of four",
                path=path,
                where=where,
                hint="Write the file again with padded chunks",
            )
        place = start + length
        chunks.append((kind, start, place))
    return chunks


def packed(
    text: str,
    binary: Sequence[Bytes] | None,
    others: Sequence[tuple[int, Bytes]] = (),
) -> bytes:
    """Return a GLB of JSON, a binary chunk in pieces where there is one, and further chunks.

    All pieces are joined at once: a file is copied a single time.
    """
    chunks: list[tuple[int, Sequence[Bytes], bytes]] = [(JSON_CHUNK, [text.encode("utf-8")], b" ")]
    if binary is not None:
        chunks.append((BINARY_CHUNK, binary, b"\0"))
    chunks += [(kind, [chunk], b"\0") for kind, chunk in others]
    pieces: list[Bytes] = []
    total = HEADER.size
    for kind, parts, filler in chunks:
        length = sum(map(len, parts))
        padding = filler * (-length % 4)
        pieces += [CHUNK_HEADER.pack(length + len(padding), kind), *parts, padding]
        total += CHUNK_HEADER.size + length + len(padding)
    return b"".join([HEADER.pack(MAGIC, 2, total), *pieces])
