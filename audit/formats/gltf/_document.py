"""A glTF document: its JSON with checked access, and its buffers."""

from __future__ import annotations

import base64
import binascii
import math
import re
from dataclasses import dataclass
from functools import cached_property
from typing import Literal
from urllib.parse import unquote

from audit.errors import FormatError, InputError
from audit.formats.gltf._container import CUT_SHORT, Contents, unpacked
from audit.formats.gltf._json import Json, parsed
from audit.model.frozen import Frozen
from audit.plugins import Opened

HARMLESS = (
    "EXT_lights_ies",
    "EXT_lights_image_based",
    "EXT_mesh_gpu_instancing",
    "EXT_texture_avif",
    "EXT_texture_webp",
    "KHR_animation_pointer",
    "KHR_lights_punctual",
    "KHR_mesh_quantization",
    "KHR_node_visibility",
    "KHR_texture_basisu",
    "KHR_texture_transform",
    "KHR_xmp",
    "KHR_xmp_json_ld",
    "MSFT_texture_dds",
)
"""Extensions that a file may require: none of them moves a joint. So may any ``KHR_materials_…``."""


@dataclass(frozen=True, slots=True)
class Buffer:
    """The bytes of one buffer.

    Attributes
    ----------
    kind
        Where they are: in the binary ``chunk``, in the JSON as a ``data`` URI, in a ``file`` beside, or
        ``nowhere`` (an extension may say where).
    content, start, end
        They are ``content[start:end]``; kept so, since a slice would copy them.
    """

    kind: Literal["chunk", "data", "file", "nowhere"]
    content: bytes
    start: int
    end: int


@dataclass(frozen=True, eq=False)
class Document(Frozen):
    """A file as it was read.

    Attributes
    ----------
    path
        As given, for errors.
    data
        The whole file.
    contents
        Where things are in it.
    top
        The JSON's top object.
    buffers
        One each of the JSON's ``buffers``.
    """

    path: str
    data: bytes
    contents: Contents
    top: dict[str, Json]
    buffers: tuple[Buffer, ...] = ()

    def refusal(self, where: str, cause: str, hint: str) -> FormatError:
        """Return the error that says what is wrong with this file, and where."""
        return FormatError(cause, path=self.path, where=where, hint=hint)

    def objects(self, name: str) -> list[dict[str, Json]]:
        """Return a list of objects at the top, such as the nodes; empty where there is none."""
        if name not in self._lists:
            self._lists[name] = self.object_list(self.top, name, "")
        return self._lists[name]

    @cached_property
    def _lists(self) -> dict[str, list[dict[str, Json]]]:
        """The lists at the top that have been looked through."""
        return {}

    def object_list(self, holder: dict[str, Json], name: str, where: str) -> list[dict[str, Json]]:
        """Return a list of objects that another one holds; empty where there is none."""
        place = f"{where}.{name}" if where else name
        listed = holder.get(name, [])
        if not isinstance(listed, list):
            raise self.refusal(place, "should be a list", "Correct the file, or write it again")
        for number, each in enumerate(listed):
            if not isinstance(each, dict):
                raise self.refusal(
                    f"{place}[{number}]",
                    "should be an object",
                    "Correct the file, or write it again",
                )
        return listed

    def object(self, holder: dict[str, Json], name: str, where: str) -> dict[str, Json]:
        """Return an object that another one holds; empty where there is none."""
        held = holder.get(name, {})
        if not isinstance(held, dict):
            raise self.refusal(
                f"{where}.{name}", "should be an object", "Correct the file, or write it again"
            )
        return held

    def whole(
        self,
        holder: dict[str, Json],
        name: str,
        where: str,
        *,
        least: int = 0,
        default: int | None = None,
    ) -> int:
        """Return a whole number; FormatError where it is missing without a default, or too small."""
        value = holder.get(name, default)
        if not isinstance(value, int) or isinstance(value, bool) or value < least:
            raise self.refusal(
                f"{where}.{name}",
                "is missing" if value is None else f"should be a whole number from {least}",
                "Correct the file, or write it again",
            )
        return value

    def index(self, value: Json, of: str, where: str) -> int:
        """Return a reference into a list at the top; FormatError where it leads nowhere."""
        count = len(self.objects(of))
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < count:
            shown = repr(value) if isinstance(value, int | float | str) else "this"
            raise self.refusal(
                where,
                f"{shown[:40]} is none of the {count} {of}, which are counted from 0",
                "Correct the number, or write the file again",
            )
        return value

    def indices(self, holder: dict[str, Json], name: str, of: str, where: str) -> list[int]:
        """Return a list of references without repeats; empty where there is none."""
        listed = holder.get(name, [])
        place = f"{where}.{name}"
        if not isinstance(listed, list):
            raise self.refusal(place, "should be a list", "Correct the file, or write it again")
        found = [self.index(each, of, f"{place}[{number}]") for number, each in enumerate(listed)]
        if len(set(found)) < len(found):
            raise self.refusal(place, "names one twice", "Take one of them out")
        return found

    def numbers(
        self, holder: dict[str, Json], name: str, count: int, where: str
    ) -> tuple[float, ...] | None:
        """Return a list of finite numbers of a certain length, None where there is none."""
        if name not in holder:
            return None
        listed = holder[name]
        good = isinstance(listed, list) and len(listed) == count and all(map(_is_number, listed))
        if not good:
            raise self.refusal(
                f"{where}.{name}",
                f"should be a list of {count} finite numbers",
                "Correct the numbers, or write the file again",
            )
        return tuple(map(float, listed))


def _is_number(value: Json) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def read_document(opened: Opened) -> Document:
    """Read container, JSON and buffers of a file.

    Raises
    ------
    FormatError
        Where the container or the JSON is damaged, the version is another one, an extension is required
        that is not understood, or a buffer is not what the JSON says.
    InputError
        Where a file that holds a buffer cannot be opened.
    """
    contents = unpacked(opened.data, opened.path)
    document = Document(opened.path, opened.data, contents, parsed(contents.text, opened.path))
    _check_asset(document)
    _check_extensions(document)
    buffers = tuple(
        _buffer(document, number, entry, opened)
        for number, entry in enumerate(document.objects("buffers"))
    )
    return Document(opened.path, opened.data, contents, document.top, buffers)


def _check_asset(document: Document) -> None:
    asset = document.object(document.top, "asset", "top")
    version = asset.get("version")
    if not isinstance(version, str) or not re.fullmatch(r"2\.\d+", version, re.ASCII):
        raise document.refusal(
            "asset.version",
            "is missing" if version is None else f"version {str(version)[:20]!r} is not read",
            "Version 2.0 is read; write the file again as that",
        )
    least = asset.get("minVersion", "2.0")
    if least != "2.0":
        raise document.refusal(
            "asset.minVersion",
            f"asks for at least version {str(least)[:20]!r}",
            "Version 2.0 is read; write the file again as that",
        )


def _check_extensions(document: Document) -> None:
    required = document.top.get("extensionsRequired", [])
    if not isinstance(required, list):
        raise document.refusal(
            "extensionsRequired", "should be a list", "Correct the file, or write it again"
        )
    for number, name in enumerate(required):
        known = isinstance(name, str) and (name in HARMLESS or name.startswith("KHR_materials_"))
        if not known:
            raise document.refusal(
                f"extensionsRequired[{number}]",
                f"the file cannot be understood without the extension {str(name)[:60]!r}, which is not read",
                "Write it again without that extension; compressed buffers must be plain ones",
            )


def _buffer(document: Document, number: int, entry: dict[str, Json], opened: Opened) -> Buffer:
    where = f"buffers[{number}]"
    length = document.whole(entry, "byteLength", where, least=1)
    uri = entry.get("uri")
    chunk = document.contents.binary
    if uri is None:
        if number or chunk is None:
            return Buffer("nowhere", b"", 0, 0)
        buffer = Buffer("chunk", document.data, *chunk)
    elif not isinstance(uri, str):
        raise document.refusal(f"{where}.uri", "should be text", "Correct the file")
    elif uri[:5].lower() == "data:":
        content = _decoded(document, uri, f"{where}.uri")
        buffer = Buffer("data", content, 0, len(content))
    else:
        content = _fetched(document, uri, f"{where}.uri", opened)
        buffer = Buffer("file", content, 0, len(content))
    if buffer.end - buffer.start < length:
        raise document.refusal(
            where,
            f"byteLength says {length:,}, but there are {buffer.end - buffer.start:,} bytes",
            CUT_SHORT,
        )
    return Buffer(buffer.kind, buffer.content, buffer.start, buffer.start + length)


def _decoded(document: Document, uri: str, where: str) -> bytes:
    head, comma, body = uri.partition(",")
    if not comma or not head.lower().endswith(";base64"):
        raise document.refusal(
            where, "a data URI that is not base64 is not read", "Write the file again"
        )
    try:
        return base64.b64decode(body, validate=True)
    except (binascii.Error, ValueError) as error:
        raise document.refusal(where, "the base64 text is damaged", CUT_SHORT) from error


def _fetched(document: Document, uri: str, where: str, opened: Opened) -> bytes:
    name = unquote(uri)
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]*:", uri) or not name.isprintable():
        raise document.refusal(
            where,
            f"{uri[:60]!r} is no file beside this one",
            "Nothing is fetched from elsewhere; put the buffer beside the file",
        )
    try:
        return opened.beside(name)
    except InputError as error:
        raise FormatError(
            f"the buffer {name[:60]!r} cannot be read: {error.cause}",
            path=document.path,
            where=where,
            hint=error.hint,
        ) from error
    except (ValueError, RuntimeError, OSError) as error:
        raise document.refusal(
            where, f"{name[:60]!r} is no name of a file", "Put the buffer beside the file"
        ) from error
