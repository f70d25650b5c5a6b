"""Which files and which shots are compared with which."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.errors import InputError, UsageError
from audit.model import Shot


@dataclass(frozen=True, slots=True)
class FilePairs:
    """Files of one name in two folders.

    Attributes
    ----------
    pairs
        Name and both files. In folders the name is the relative path, without the suffix where that is
        enough; of two files that were given by themselves it is both names where these differ.
    lost, added
        Files that only the first, and only the second folder holds.
    """

    pairs: tuple[tuple[str, Path, Path], ...]
    lost: tuple[Path, ...]
    added: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class ShotPairs:
    """Shots of one name in two files.

    Attributes
    ----------
    pairs
        Name and both shots; the name is empty where either file holds one shot.
    lost, added
        Names of shots that only the first, and only the second file holds.
    """

    pairs: tuple[tuple[str, Shot, Shot], ...]
    lost: tuple[str, ...]
    added: tuple[str, ...]


def pair_files(before: Path, after: Path, suffixes: Sequence[str]) -> FilePairs:
    """Return which files of two folders have the same name.

    Parameters
    ----------
    before, after
        Two files, which are a pair whatever their names, or two folders, which are searched with all folders in
        them.
    suffixes
        Suffixes of the files to look at in folders, lower case, with the dot.

    Raises
    ------
    UsageError
        Where one is a folder and the other is not.
    InputError
        Where a folder does not exist or cannot be read, or the two have no file of one name.

    Notes
    -----
    Files of the same relative path belong together; of the rest, those whose relative paths differ only in the
    suffix, where that leaves no choice. So a BVH can be compared with the glTF made of it.
    """
    folders = [path.is_dir() for path in (before, after)]
    if not any(folders):
        same = before.stem == after.stem
        name = before.stem if same else f"{before.stem} to {after.stem}"
        return FilePairs(((name, before, after),), (), ())
    if not all(folders):
        for path in (before, after):
            if not path.exists():
                raise InputError("does not exist", path=path, hint="Give two files or two folders")
        raise UsageError(
            "one of the two is a folder, the other is not", hint="Give two files or two folders"
        )
    own, its = _files(before, suffixes), _files(after, suffixes)
    pairs = [(name, name) for name in own if name in its]
    rest = [[name for name in side if (name, name) not in pairs] for side in (own, its)]
    by_stem = [_by_stem(side) for side in rest]
    pairs += [
        (names[0], by_stem[1][stem][0])
        for stem, names in by_stem[0].items()
        if len(names) == 1 and len(by_stem[1].get(stem, ())) == 1
    ]
    if not pairs:
        raise InputError(
            f"holds no file of the same name as one in {after}",
            path=before,
            hint=f"Files are looked for by their suffixes: {', '.join(suffixes)}",
        )
    taken = [{first for first, _ in pairs}, {second for _, second in pairs}]
    stems = [str(Path(first).with_suffix("")) for first, _ in pairs]
    named = [
        (stem if stems.count(stem) == 1 else first, own[first], its[second])
        for stem, (first, second) in zip(stems, pairs, strict=True)
    ]
    return FilePairs(
        tuple(sorted(named)),
        tuple(path for name, path in own.items() if name not in taken[0]),
        tuple(path for name, path in its.items() if name not in taken[1]),
    )


def _files(folder: Path, suffixes: Sequence[str]) -> dict[str, Path]:
    """Return the files in a folder by their paths relative to it, in order."""
    try:
        found = sorted(folder.rglob("*"))
    except OSError as error:
        raise InputError(f"cannot be searched ({error.strerror or error})", path=folder) from error
    return {
        path.relative_to(folder).as_posix(): path
        for path in found
        if path.suffix.lower() in suffixes and path.is_file()
    }


def _by_stem(names: Sequence[str]) -> dict[str, list[str]]:
    stems: defaultdict[str, list[str]] = defaultdict(list)
    for name in names:
        stems[str(Path(name).with_suffix(""))].append(name)
    return stems


def pair_shots(
    before: Sequence[Shot], after: Sequence[Shot], paths: tuple[str | Path, str | Path]
) -> ShotPairs:
    """Return which shots of two files are compared with which.

    Parameters
    ----------
    before, after
        All shots of either file.
    paths
        Paths of the files, as they were read.

    Raises
    ------
    InputError
        Where either holds several shots and no two have the same name.
    """
    if len(before) == len(after) == 1:
        return ShotPairs((("", before[0], after[0]),), (), ())
    own, its = (
        {(shot.source.own_name or shot.source.label): shot for shot in shots}
        for shots in (before, after)
    )
    pairs = tuple((name, shot, its[name]) for name, shot in own.items() if name in its)
    if not pairs:
        raise InputError(
            f"holds the shots {_listed(own)}, and {paths[1]} holds {_listed(its)}: no two have "
            "the same name",
            path=paths[0],
            hint="Shots of files that hold several are compared by name; name them alike",
        )
    return ShotPairs(
        pairs,
        tuple(name for name in own if name not in its),
        tuple(name for name in its if name not in own),
    )


def _listed(shots: dict[str, Shot]) -> str:
    return ", ".join(shots)
