"""Files are corrected: written beside, read back, played against the original, and only then put in place."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from audit.correction.corrected import Corrected
from audit.correction.document import PROOF, Entry, entry_of, noted, read_proof
from audit.errors import AuditError, InputError, MotionError, UsageError
from audit.files import draft_folder, put_in_place, refuse_taken, write_drafts
from audit.formats import formats
from audit.measures import measure_shot
from audit.model import Shot, Skin
from audit.pipeline import Turned, read_all, turned_alike
from audit.plugins import Format, bytes_of
from audit.reorient import SAME_INSTANT_S, deviation, skin_bound
from audit.sheet import Only, Sheet


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
        entry = entry_of(path, files, offsets, only, shots)
        # The proof takes its place with the files: neither is there without the other.
        write_drafts({PROOF: noted(out / PROOF, entry)}, draft)
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
