"""The script and the style of the live page: one text each, put together from the files beside this one."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

PARTS = (
    "maths",
    "unpack",
    "words",
    "painter",
    "chart",
    "joints",
    "sweep",
    "dial",
    "poses",
    "figure",
    "glance",
    "takeaway",
    "state",
    "told",
    "start",
)
"""The script's files, in an order in which each uses only those before it."""

SHARED = "hinge-audit-live.js"
"""Name of the script where several pages share one."""

MARK = "/* hinge-audit: the script of the live pages. */"

LOADER = f'document.head.appendChild(document.createElement("script")).src="../{SHARED}"'
"""All that a page holds of the script where it shares one that lies beside its folder."""


@cache
def script() -> str:
    """Return the whole script: strict, in a scope of its own, and safe inside a page."""
    folder = files("audit.report.live")
    parts = [folder.joinpath(f"{name}.js").read_text(encoding="utf-8") for name in PARTS]
    text = "\n".join([MARK, "(() => {", '"use strict";', *parts, "})();", ""])
    if "</" in text or "<!--" in text:
        raise ValueError("the script holds what would end the element that it stands in")
    return text


@cache
def style() -> str:
    """Return the style of the live part."""
    return files("audit.report.live").joinpath("live.css").read_text(encoding="utf-8")


def policy(text: str, *, loads: bool) -> str:
    """Return the content-security policy of a page whose one script is ``text``.

    Parameters
    ----------
    text
        The script as it stands in the page, to the last character.
    loads
        Whether it may load another one.
    """
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    trust = " 'strict-dynamic'" if loads else ""
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'{trust}; style-src 'unsafe-inline'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
