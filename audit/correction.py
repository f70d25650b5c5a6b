"""Corrected files: written beside, read back, played against the original, and only then put in place."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import audit
from audit.errors import AuditError, InputError, MotionError, UsageError
from audit.files import draft_folder, put_in_place, refuse_taken, write_drafts
from audit.formats import formats
from audit.measures import Measures, measure_shot
from audit.model import Shot, Skin
from audit.pipeline import Turned, read_all, turned_alike
from audit.plugins import Format, bytes_of
from audit.reorient import SAME_INSTANT_S, Deviation, deviation, skin_bound
from audit.sheet import Only, Sheet, joint_labels

LIMIT = 1e-5
"""Share of the rig's height that a joint may move, and radians that it may turn: well above what the 32-bit
numbers of glTF and OpenUSD leave, well below what an eye sees. Our choice."""

PROOF = "proof.json"
PARTS = ("file", "written", "source", "offsets", "turned", "refused", "missing", "shots")
"""What stands in the proof of each file."""

DIGITS = 4

Entry = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Corrected:
    """A shot before and after, and what was found between them.

    Attributes
    ----------
    before, after
        As it was read, and as the corrected file reads.
    turned
        What was done.
    found
        How far they differ.
    skin
        Distance that no point of a skin moves further than; None where there is no skin.
    measures
        What was measured on both; None where that was not asked for.
    """

    before: Shot
    after: Shot
    turned: Turned
    found: Deviation
    skin: float | None
    measures: tuple[Measures, Measures] | None = None

    @property
    def messier(self) -> tuple[str, ...]:
        """Hinges that move on more channels than before: a sign that the sheet was made for other axes."""
        if self.measures is None:
            return ()
        before, after = self.measures
        more = after.now.moving_channels > before.now.moving_channels
        names = self.before.skeleton.names
        return tuple(
            name
            for joint, name in enumerate(names)
            if more[joint] and before.kind[joint] == "hinge"
        )

    @property
    def problem(self) -> str | None:
        """Why the motion does not count as kept, None where it does."""
        found = self.found
        names = self.before.skeleton.names
        label = self.before.source.label
        if not found.share_of_height <= LIMIT:
            return (
                f"in {label} joint {names[found.position_joint]} would move by {found.position:.3g}, "
                f"{found.share_of_height:.2g} of the rig's height, at {found.position_time_s:.3f} s"
            )
        if not np.deg2rad(found.rotation_deg) <= LIMIT:
            return (
                f"in {label} joint {names[found.rotation_joint]} would turn by {found.rotation_deg:.3g}° at "
                f"{found.rotation_time_s:.3f} s"
            )
        if self.skin is not None and not self.skin <= LIMIT * (found.height or 1.0):
            return f"in {label} a point of the skin could move by {self.skin:.3g}"
        return None


@dataclass(frozen=True, eq=False)
class CorrectedFile:
    """What became of one file.

    Attributes
    ----------
    path
        Where the corrected file is.
    shots
        Its shots.
    entry
        What stands in ``proof.json`` of it.
    """

    path: Path
    shots: tuple[Corrected, ...]
    entry: Entry


def correct_file(
    path: Path,
    offsets: Sheet,
    out: Path,
    *,
    skeleton: Path | None = None,
    only: Only | None = None,
    replace: bool = False,
    inputs: Sequence[Path] = (),
    measured: bool = True,
) -> CorrectedFile:
    """Correct the shots of a file and prove that nothing moved.

    Parameters
    ----------
    path
        The file; it is only read.
    offsets
        The sheet.
    out
        Folder for the corrected file, which keeps its name, and for ``proof.json``.
    skeleton
        File with the skeleton, for formats that keep it apart. A corrected one goes beside the motion under
        its own name.
    only
        ``twist`` or ``full`` for these offsets alone.
    replace
        Allow earlier files in ``out`` to be written anew.
    inputs
        Files that must not be written over, besides those named here.
    measured
        Whether the shots are measured too, before and after: it takes longer than all the rest, and tells a
        sheet that was made for other axes.

    Returns
    -------
    CorrectedFile

    Raises
    ------
    InputError
        Where the file cannot be read, its format is only read, or the sheet does not fit.
    OutputError
        Where a file may not or cannot be written.
    MotionError
        Where the corrected file would not show the same motion. Nothing is left in ``out`` then.
    """
    read_proof(out / PROOF)  # one that is somebody else's is refused before any work is done
    before = read_all(path, skeleton)
    kind = _written_format(before[0], path)
    changed = turned_alike(before, offsets, only)
    files = _files(kind, [each.shot for each in changed], path, skeleton)
    own = [path, *([skeleton] if skeleton else []), *inputs]
    # The skeleton of several shots is written by each of them, and is the same every time.
    shared = {skeleton.name} if skeleton is not None else set()
    targets = [out / name for name in files if not _is_same_file(out / name, files[name], shared)]
    refuse_taken(targets, own, replace=replace)
    with draft_folder(out) as draft:
        write_drafts(files, draft)
        after = _read_back(draft, path.name, skeleton, path)
        shots = _compared_all(before, after, changed, kind, path)
        for shot in shots:
            if shot.problem is not None:
                raise MotionError(
                    f"not corrected: {shot.problem}",
                    path=path,
                    hint="Nothing was written. Clear the joint's row in the offsets sheet to leave it as it is",
                )
        if measured:
            shots = tuple(map(_measured, shots))
        entry = _entry(path, files, offsets, only, shots)
        # The proof takes its place with the files: neither is there without the other.
        write_drafts({PROOF: _noted(out / PROOF, entry)}, draft)
        put_in_place([*files, PROOF], draft, out)
    return CorrectedFile(out / path.name, shots, entry)


def write(shots: Shot | Sequence[Shot], path: str | Path, *, replace: bool = False) -> Path:
    """Write shots of one rig to a file, whole or not at all.

    Parameters
    ----------
    shots
        One shot, or all shots of a file that holds several.
    path
        The file; its suffix says the format. Files that belong to it go beside it.
    replace
        Allow an earlier file to be written anew.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    UsageError
        Where no format that can be written has this suffix, or the format cannot hold the shots.
    OutputError
        Where the file exists already, is the one that a shot was read from, or cannot be written.
    """
    given = [shots] if isinstance(shots, Shot) else list(shots)
    target = Path(path)
    suffix = target.suffix.lower()
    kinds = [each for each in formats().values() if suffix in each.suffixes and each.write]
    if not kinds or not given:
        known = ", ".join(
            each for kind in formats().values() if kind.write for each in kind.suffixes
        )
        raise UsageError(
            f"{target.name} has no suffix of a format that is written"
            if given
            else "no shot was given",
            hint=f"The suffixes are {known}",
        )
    files = _files(kinds[0], given, target, None)
    sources = [Path(shot.source.path) for shot in given]
    refuse_taken([target.parent / name for name in files], sources, replace=replace)
    with draft_folder(target.parent) as draft:
        write_drafts(files, draft)
        put_in_place(list(files), draft, target.parent)
    return target


def _written_format(shot: Shot, path: Path) -> Format:
    kind = formats()[shot.source.format]
    if kind.write is None:
        writable = ", ".join(name for name, each in formats().items() if each.write)
        raise InputError(
            f"is {kind.name}, which hinge-audit reads but does not write",
            path=path,
            hint=f"Correct a copy in another format; it writes {writable}",
        )
    return kind


def _files(
    kind: Format, shots: Sequence[Shot], path: Path, skeleton: Path | None
) -> dict[str, bytes]:
    """Return the files of some shots by name; a skeleton that is apart keeps its own name."""
    if kind.write is None:
        raise TypeError(f"{kind.name} is not written")
    files = kind.write(shots, path.name)
    if skeleton is None:
        return files
    apart = [
        name for name in files if name != path.name and Path(name).suffix.lower() in kind.suffixes
    ]
    return {skeleton.name if [name] == apart else name: data for name, data in files.items()}


def _is_same_file(target: Path, data: bytes, shared: set[str]) -> bool:
    return target.name in shared and target.is_file() and bytes_of(target) == data


def _read_back(draft: Path, name: str, skeleton: Path | None, path: Path) -> tuple[Shot, ...]:
    """Return the shots of the file that was written."""
    try:
        return read_all(draft / name, None if skeleton is None else draft / skeleton.name)
    except AuditError as error:
        raise MotionError(
            f"not corrected: the new file does not read back ({error.cause})",
            path=path,
            hint="Nothing was written. Please report this with the file",
        ) from error


def _compared_all(
    before: Sequence[Shot],
    after: Sequence[Shot],
    changed: Sequence[Turned],
    kind: Format,
    path: Path,
) -> tuple[Corrected, ...]:
    """Return all shots of a file and their corrected ones, played against each other.

    Raises
    ------
    MotionError
        Where the new file holds other shots, joints, times or skins: there is nothing to play then, or only a
        part of it.
    """
    cause = None
    if len(after) != len(before):
        cause = f"it holds {len(after)} shots, and the original {len(before)}"
    for old, new in zip(before, after, strict=False):
        if new.skeleton.names != old.skeleton.names or np.any(
            new.skeleton.parents != old.skeleton.parents
        ):
            cause = "it has other joints"
        elif new.frames != old.frames or abs(new.seconds - old.seconds) > SAME_INSTANT_S:
            cause = f"{old.source.label} has other times in it"
    if cause is None:
        try:
            return tuple(
                _compared(*each, kind) for each in zip(before, after, changed, strict=True)
            )
        except AuditError as error:
            cause = error.cause
    raise MotionError(
        f"not corrected: the new file cannot be played against the original ({cause})",
        path=path,
        hint="Nothing was written. Please report this with the file",
    )


def _compared(before: Shot, after: Shot, change: Turned, kind: Format) -> Corrected:
    """Return a shot and its corrected one, played against each other."""
    found = deviation(before, after, axes=change.axes)
    skin = None
    if kind.skins is not None:
        skins: tuple[tuple[Skin, ...], ...] = tuple(kind.skins(shot) for shot in (before, after))
        if skins[0] or skins[1]:
            skin = skin_bound(skins[0], skins[1], found, change.axes)
    return Corrected(before, after, change, found, skin)


def _measured(shot: Corrected) -> Corrected:
    return dataclasses.replace(shot, measures=(measure_shot(shot.before), measure_shot(shot.after)))


def _entry(
    path: Path,
    files: dict[str, bytes],
    offsets: Sheet,
    only: Only | None,
    shots: Sequence[Corrected],
) -> Entry:
    """Return what stands in the proof of a file."""
    first = shots[0]
    sheet = Path(offsets.file) if offsets.file else None
    return {
        "file": path.name,
        "written": [{"file": name, "sha256": _digest(data)} for name, data in files.items()],
        "source": {"file": str(path), "sha256": first.before.source.sha256},
        "offsets": {
            "file": None if sheet is None else str(sheet),
            "sha256": None if sheet is None else _digest(bytes_of(sheet)),
            "only": only,
        },
        "turned": _turns(first),
        "refused": [
            {"joint": joint, "reason": reason} for joint, reason in first.turned.refused.items()
        ],
        "missing": list(first.turned.missing),
        "shots": [_proof(shot) for shot in shots],
    }


def _turns(shot: Corrected) -> list[Entry]:
    """Return what was done to each joint: turned axes, a new rotation order, or both."""
    before, after = shot.before.skeleton, shot.after.skeleton
    rows = []
    for joint, name in enumerate(joint_labels(before)):
        axes = shot.turned.axes[joint]
        orders = before.orders[joint], after.orders[joint]
        if axes[3] == 1.0 and orders[0] == orders[1]:
            continue
        angle = np.rad2deg(2.0 * np.arctan2(np.linalg.norm(axes[:3]), abs(axes[3])))
        rows.append(
            {
                "joint": name,
                "angle_deg": round(float(angle), 6),
                "axes_xyzw": [round(float(each), 9) + 0.0 for each in axes],
                "order_before": orders[0],
                "order_after": orders[1],
            }
        )
    return rows


def _proof(shot: Corrected) -> Entry:
    """Return the figures of one shot."""
    found, names = shot.found, shot.before.skeleton.names
    return {
        "shot": shot.before.source.label,
        "frames": shot.before.frames,
        "instants": found.times,
        "height": _short(found.height),
        "position": _short(found.position),
        "share_of_height": _short(found.share_of_height),
        "position_joint": names[found.position_joint],
        "position_time_s": round(found.position_time_s, 6),
        "rotation_deg": _short(found.rotation_deg),
        "rotation_joint": names[found.rotation_joint],
        "rotation_time_s": round(found.rotation_time_s, 6),
        "skin": None if shot.skin is None else _short(shot.skin),
        "limit_share_of_height": LIMIT,
        "hinges": _hinges(shot),
        "messier": list(shot.messier),
    }


def _hinges(shot: Corrected) -> Entry | None:
    """Return how the hinges fare: how many there are, and how many move on one channel and their edit keys."""
    if shot.measures is None:
        return None
    hinge = np.array([kind == "hinge" for kind in shot.measures[0].kind])
    figures: Entry = {"count": int(np.sum(hinge))}
    for when, measures in zip(("before", "after"), shot.measures, strict=True):
        now = measures.now
        figures[f"on_one_channel_{when}"] = int(np.sum(now.moving_channels[hinge] <= 1))
        figures[f"edit_keys_{when}"] = int(np.sum(now.edit_keys[hinge]))
    return figures


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def read_proof(path: Path) -> Entry:
    """Return a ``proof.json``, an empty one where there is none.

    Raises
    ------
    InputError
        Where the file is something else.
    """
    empty: Entry = {"tool": {"name": "hinge-audit", "version": audit.__version__}, "files": []}
    if not path.exists():
        return empty
    try:
        found = json.loads(bytes_of(path))
        named = found["tool"]["name"] == "hinge-audit" and all(
            set(PARTS) <= set(each) for each in found["files"]
        )
    except (ValueError, TypeError, KeyError):
        named = False
    if not named:
        raise InputError(
            "is not a proof that hinge-audit wrote",
            path=path,
            hint="Move it away, or choose another folder with --out",
        )
    return empty | {"files": found["files"]}


def _noted(path: Path, entry: Entry) -> bytes:
    """Return the proof of a folder with a file added, in place of an earlier entry of the same name."""
    proof = read_proof(path)
    files = [each for each in proof["files"] if each["file"] != entry["file"]]
    files = sorted([*files, entry], key=lambda each: str(each["file"]))
    text = json.dumps(proof | {"files": files}, indent=2, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8", errors="backslashreplace")
