"""The page beside corrected files: what was turned, and the proof that nothing moved."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from audit.correction import LIMIT, PROOF, read_proof
from audit.errors import OutputError
from audit.files import write_whole
from audit.plugins import bytes_of
from audit.report.page import environment

PROOF_PAGE = "proof.html"
MARK = b"<strong>hinge-audit</strong> <span>proof</span>"
"""Stands at the head of every proof page."""

Entry = dict[str, Any]


def refuse_other_page(folder: Path) -> None:
    """Raise OutputError where a folder's ``proof.html`` is something else than a proof of this project."""
    path = folder / PROOF_PAGE
    if path.exists() and MARK not in bytes_of(path):
        raise OutputError(
            "is not a proof that hinge-audit wrote",
            path=path,
            hint="Move it away, or choose another folder with --out",
        )


def write_proof_page(folder: Path) -> Path:
    """Write ``proof.html`` from the ``proof.json`` of a folder, in place of an earlier one.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        Where the folder's ``proof.json`` is something else.
    OutputError
        Where the page cannot be written, or there is another page of its name.
    """
    refuse_other_page(folder)
    path = folder / PROOF_PAGE
    text = proof_page(read_proof(folder / PROOF)["files"])
    write_whole(path, text.encode("utf-8", errors="backslashreplace"))
    return path


def proof_page(files: Sequence[Entry]) -> str:
    """Return the page of some entries of ``proof.json`` as one HTML text that stands alone."""
    shots = [(entry, shot) for entry in files for shot in entry["shots"]]
    worst = max(shots, key=lambda pair: pair[1]["share_of_height"], default=None)
    turned: dict[tuple[object, ...], tuple[Entry, list[str]]] = {}
    for entry in files:
        for row in entry["turned"]:
            key = (row["joint"], *row["axes_xyzw"], row["order_before"], row["order_after"])
            turned.setdefault(key, (row, []))[1].append(entry["file"])
    return (
        environment()
        .get_template("proof.html")
        .render(
            files=files,
            shots=shots,
            worst=worst,
            turned=list(turned.values()),
            refused=[(entry["file"], row) for entry in files for row in entry["refused"]],
            instants=sum(shot["instants"] for _, shot in shots),
            measured=any(shot["hinges"] is not None for _, shot in shots),
            skins=any(shot["skin"] is not None for _, shot in shots),
            limit=f"{LIMIT:.5f}",
            power=_power,
        )
    )


def _power(value: float) -> str:
    """Return a small number as people write it: "2.1 × 10⁻¹⁵"."""
    if value == 0.0:
        return "0"
    digits, _, exponent = f"{value:.1e}".partition("e")
    number = int(exponent)
    if -3 <= number < 4:
        return f"{value:.3g}"
    raised = str(number).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{digits} × 10{raised}"
