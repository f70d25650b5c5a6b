"""Layers from bytes and back, without ever opening another file; the library's errors as ours."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from audit.errors import FormatError, InputError

TEXT = b"#usda"
BINARY = b"PXR-USDC"

DEEPEST = 200
"""Brackets that may stand inside one another. The library calls itself for each, and ends the process where
the stack does, at some thousands. Our choice, far above what anybody writes."""

SECONDS = 30.0
SECONDS_PER_MEGABYTE = 2.0
"""How long the reading of a binary layer may take; our choice, a hundred times what it does take."""

_QUOTED = re.compile(
    # What is not closed goes on to the end: the library stops there as well, and this stays linear in time.
    rb'"""(?:[^"\\]|\\.|"(?!""))*+(?:"""|\Z)'
    rb"|'''(?:[^'\\]|\\.|'(?!''))*+(?:'''|\Z)"
    rb'|"(?:[^"\\\n]|\\[^\n])*+\\?(?:"|(?=\n)|\Z)'
    rb"|'(?:[^'\\\n]|\\[^\n])*+\\?(?:'|(?=\n)|\Z)"
    rb"|@@@.*?(?:@@@|\Z)|@[^@\n]*+(?:@|(?=\n)|\Z)|#[^\n]*|//[^\n]*|/\*.*?(?:\*/|\Z)",
    re.DOTALL,
)
_OPENING = b"([{"
_CLOSING = b")]}"
_STEP = np.zeros(256, dtype=np.int64)
_STEP[list(_OPENING)] = 1
_STEP[list(_CLOSING)] = -1
_NO_BRACKETS = bytes(set(range(256)) - set(_OPENING + _CLOSING))
_PLACE = re.compile(r":(\d+):(\d+): (.*?)(?: in <[^>]*>|$)", re.MULTILINE)

DAMAGED = "The file may be damaged or cut short: write it again"


def library(name: str) -> Any:
    """Return a module of the USD library; InputError where it is not installed."""
    try:
        return import_module(f"pxr.{name}")
    except ImportError as error:
        raise InputError(
            "USD files need the package usd-core, which is not installed",
            hint="pip install 'hinge-audit[usd]'",
        ) from error


def is_text(data: bytes) -> bool:
    """Tell whether a layer is text."""
    return data.startswith(TEXT)


@contextmanager
def careful(path: str, where: str) -> Iterator[None]:
    """Turn what the library raises into FormatError, and keep what it says off the error stream."""
    tf = library("Tf")
    with tf.DiagnosticTrap() as heard:
        try:
            yield
        # The library's own error, names that are not UTF-8, and access to what it could not make.
        except (tf.ErrorException, UnicodeError, RuntimeError, MemoryError) as error:
            raise FormatError(
                "breaks the rules of USD", path=path, where=where, hint=DAMAGED
            ) from error
        finally:
            heard.Clear()


@contextmanager
def layer_of(data: bytes, path: str) -> Iterator[Any]:
    """Give the layer that some bytes hold, for as long as the ``with`` lasts.

    Nothing is composed: a layer names other files, and none of them is opened.

    Parameters
    ----------
    data
        A whole ``.usda`` or ``.usdc`` file.
    path
        Its path, for error messages.

    Raises
    ------
    FormatError
        Where it is neither, or breaks the rules of USD.
    InputError
        Where the package is not installed.
    """
    if is_text(data):
        with careful(path, "the layer"):
            yield _from_text(data, path)
    elif data.startswith(BINARY):
        library("Sdf")
        try:
            clean = _written_anew(data)
        except _NotReadError as error:
            raise FormatError(
                str(error), path=path, where="the binary layer", hint=DAMAGED
            ) from error
        with TemporaryDirectory(prefix="hinge-audit-") as folder:
            target = Path(folder, "clean.usdc")
            target.write_bytes(clean)
            with careful(path, "the layer"):
                yield library("Sdf").Layer.OpenAsAnonymous(str(target))
    else:
        packed = data.startswith(b"PK\x03\x04")
        raise FormatError(
            "is a package of files (usdz), which is not read"
            if packed
            else "is neither USD text, which begins with '#usda', nor binary USD",
            path=path,
            where="first bytes",
            hint="Unpack it, and give the .usda or .usdc file in it" if packed else DAMAGED,
        )


def bytes_of_layer(layer: Any, *, text: bool) -> bytes:
    """Return a layer as the bytes of a ``.usda`` or a ``.usdc`` file."""
    if text:
        exported: str = layer.ExportToString()
        return exported.encode("utf-8")
    with TemporaryDirectory(prefix="hinge-audit-") as folder:
        target = Path(folder, "layer.usdc")
        layer.Export(str(target))
        return target.read_bytes()


def _from_text(data: bytes, path: str) -> Any:
    """Return the layer of a text file."""
    _check_text(data, path)
    tf = library("Tf")
    layer = library("Sdf").Layer.CreateAnonymous(".usda")
    try:
        layer.ImportFromString(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise FormatError(
            "is not UTF-8, as USD text is",
            path=path,
            where=_line(data, error.start),
            hint="Save it as UTF-8",
        ) from error
    except tf.ErrorException as error:
        found = _PLACE.search(str(error))
        said = found[3].removesuffix(" at ''") if found else ""
        # Where the parser has no words of its own, it prints its grammar.
        told = f": {said[0].lower()}{said[1:200]}" if said and "pxrInternal" not in said else ""
        raise FormatError(
            f"breaks the rules of USD text{told}",
            path=path,
            where=f"line {found[1]}, column {found[2]}" if found else "the text",
            hint="Correct it there; or the file is cut short, then write it again",
        ) from error
    return layer


def _check_text(data: bytes, path: str) -> None:
    """Raise FormatError where a text could end the process or be read in part only."""
    end = data.find(b"\0")
    if end >= 0:
        raise FormatError(
            "holds a zero byte, which no text does",
            path=path,
            where=_line(data, end),
            hint=DAMAGED,
        )
    in_quotes = 0

    def without(quoted: re.Match[bytes]) -> bytes:
        nonlocal in_quotes
        if quoted[0][:1] in (b'"', b"'"):  # some texts are formulas, which are parsed in turn
            in_quotes = max(in_quotes, _depth(quoted[0]))
        return b""

    if max(_depth(_QUOTED.sub(without, data)), in_quotes) > DEEPEST:
        raise FormatError(
            f"has brackets more than {DEEPEST} deep",
            path=path,
            where="the text",
            hint="Nest it less deeply; a bracket may not have been closed",
        )


def _depth(text: bytes) -> int:
    """Return how many brackets of a text stand inside one another at most."""
    brackets = text.translate(None, _NO_BRACKETS)
    if len(brackets) <= DEEPEST:
        return 0
    return int(np.max(np.cumsum(_STEP[np.frombuffer(brackets, dtype=np.uint8)])))


def _line(data: bytes, place: int) -> str:
    """Return the line that a byte is on, as errors name it."""
    before = data.count(b"\n", 0, place)
    return f"line {before + 1}"


class _NotReadError(Exception):
    """A binary layer could not be read; the text says why."""


@lru_cache(maxsize=2)
def _written_anew(data: bytes) -> bytes:
    """Return a binary layer that the library has read and written in another process.

    Kept for two files, a shot's and the one it is corrected to: reading, writing and the skins each need it.
    """
    allowed_s = SECONDS + SECONDS_PER_MEGABYTE * len(data) / 1e6
    script = str(Path(__file__).with_name("_clean.py"))
    environment = os.environ | {
        "PXR_WORK_THREAD_LIMIT": "1",
        "PYTHONPATH": os.pathsep.join(each for each in sys.path if each),
    }
    with TemporaryDirectory(prefix="hinge-audit-") as folder:
        source, target = Path(folder, "given.usdc"), Path(folder, "clean.usdc")
        source.write_bytes(data)
        try:
            status = subprocess.run(
                [sys.executable, "-P", script, str(source), str(target), str(len(data))],
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,  # nothing comes, but its end is noticed at once: no polling
                stderr=subprocess.DEVNULL,
                timeout=allowed_s,
                check=False,
            ).returncode
        except subprocess.TimeoutExpired as error:
            raise _NotReadError(f"took more than {allowed_s:.0f} seconds to read") from error
        if status != 0 or not target.exists():
            raise _NotReadError("breaks the rules of binary USD")
        return target.read_bytes()
