"""Safe XML: a document is parsed without entities, without a document type, and without opening other files."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

from audit.errors import FormatError, InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGEST_FILE: Final = 512 * 2**20
"""Bytes of the largest file that is read (our choice)."""

LONG_TEXT: Final = 9_000_000
"""From this size on the parser is told to allow long texts; it refuses texts of 10 MB otherwise."""

_DECLARED = re.compile(rb"<\?xml[^>]{0,200}?encoding\s*=\s*[\"']([^\"']{1,40})[\"']")
_PLAIN = {b"utf-8", b"us-ascii", b"ascii", b"iso-8859-1", b"latin-1"}
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_DOCTYPE_HINT = "COLLADA has none; they can fetch other files or grow without bound. Take it out"

Element = Any
"""An element of lxml, which has no types of its own."""


def parse(data: bytes, path: str) -> Element:
    """Return the root element of a document.

    Raises
    ------
    InputError
        Where lxml is not installed, or the file is larger than :data:`LARGEST_FILE`.
    FormatError
        Where it is no well-formed XML, or declares a document type.
    """
    try:
        from lxml import etree  # noqa: PLC0415 (an extra)
    except ImportError as error:
        raise InputError(
            "is COLLADA, which needs the package lxml",
            path=path,
            hint="Install it: pip install 'hinge-audit[collada]'",
        ) from error
    if len(data) > LARGEST_FILE:
        raise InputError(
            f"is larger than {LARGEST_FILE // 2**20} MB",
            path=path,
            hint="Write skeleton and animation without the meshes",
        )
    long = len(data) > LONG_TEXT
    if long and not _safe_at_length(data):
        raise FormatError(
            "declares a document type, or is long and in an unusual encoding",
            path=path,
            where="line 1",
            hint="Write it in UTF-8 and without a document type",
        )
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=long,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError, LookupError) as error:
        line = getattr(error, "lineno", None) or 1
        message = str(getattr(error, "msg", error)).split(", line")[0].strip() or "it ends at once"
        raise FormatError(
            f"is no well-formed XML: {message}",
            path=path,
            where=f"line {line}",
            hint="The file seems to be cut short or damaged: write it again",
        ) from error
    document: Any = root.getroottree().docinfo
    if document.doctype:
        raise FormatError("declares a document type", path=path, where="line 1", hint=_DOCTYPE_HINT)
    return root


def _safe_at_length(data: bytes) -> bool:
    """Tell whether a long document can be parsed without the parser's own limits.

    They guard against entities that grow without bound; without a document type there are none. It can be
    searched for only where the encoding writes its letters as ASCII does.
    """
    declared = _DECLARED.search(data[:1024])
    bare = data.removeprefix(_BYTE_ORDER_MARK).lstrip()
    return (
        bare.startswith(b"<")
        and (declared is None or declared[1].lower() in _PLAIN)
        and b"<!DOCTYPE" not in data
    )


def kind(element: Element) -> str:
    """Return the name of an element without its namespace, "" for what is no element."""
    tag = element.tag
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""


def children(element: Element, *kinds: str) -> Iterator[Element]:
    """Yield the children of some kinds, of any kind where none is named."""
    for child in element:
        name = kind(child)
        if name and (not kinds or name in kinds):
            yield child


def first(element: Element, name: str) -> Element | None:
    """Return the first child of a kind, None where there is none."""
    return next(children(element, name), None)


def place(element: Element) -> str:
    """Return where an element stands, as errors name it; the parser counts lines up to 65535 only."""
    line = element.sourceline
    named = element.get("id") or element.get("sid") or element.get("name")
    text = f"line {line}" if line else "line unknown"
    return f"{text}, {kind(element)} {named}" if named else f"{text}, {kind(element)}"


def fault(path: str, element: Element, cause: str, hint: str) -> FormatError:
    """Return the error for an element."""
    return FormatError(cause, path=path, where=place(element), hint=hint)


def local_id(path: str, element: Element, attribute: str) -> str:
    """Return the id that an attribute points to within the document."""
    url = element.get(attribute)
    if not url or not url.startswith("#"):
        raise fault(
            path,
            element,
            f"{attribute} is {url!r}",
            "It points to an id in the same file, such as #Hips; other files are not opened",
        )
    return str(url[1:])
