"""Shots go back into the USD file that they came from, or into a new one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import UsageError
from audit.formats import bvh, usd
from audit.model import Shot, Skeleton, Source, Track, Tracks
from audit.plugins import Opened
from tests.formats.usd_making import (
    TEXT,
    Array,
    binary,
    random_turns,
    shot_in,
    shots_in,
    swapped,
    turned,
)
from tests.strategies import seeds, shots

pytest.importorskip("pxr", reason="the package usd-core is not installed")

ROUNDING = 2.0**-24 * 8.0
"""Keys are 32-bit numbers; the largest of the file is below 8."""


def written(*given_shots: Shot, name: str = "out.usda") -> bytes:
    files = usd.write(given_shots, name)
    assert list(files) == [name]
    return files[name]


def layer_of(data: bytes) -> object:
    """Open a file with the library alone."""
    from pathlib import Path
    from tempfile import TemporaryDirectory

    from pxr import Sdf

    with TemporaryDirectory() as folder:
        target = Path(folder, "given.usda" if data.startswith(b"#") else "given.usdc")
        target.write_bytes(data)
        layer = Sdf.Layer.OpenAsAnonymous(str(target))
        text = layer.ExportToString()
    copy = Sdf.Layer.CreateAnonymous(".usda")
    copy.ImportFromString(text)
    return copy


def lines_of(data: bytes) -> list[str]:
    """Return a file as lines of text, as the library writes it."""
    text: str = layer_of(data).ExportToString()  # type: ignore[attr-defined]
    return text.splitlines()


def agree(one: Shot, other: Shot, tolerance: float) -> None:
    """Check that two shots hold the same but for rounding."""
    assert one.skeleton.names == other.skeleton.names
    assert np.array_equal(one.skeleton.parents, other.skeleton.parents)
    np.testing.assert_allclose(one.skeleton.offsets, other.skeleton.offsets, atol=1e-12)
    np.testing.assert_allclose(one.times_s, other.times_s, atol=1e-9)
    for left, right, room in (
        (one.skeleton.rest_xyzw, other.skeleton.rest_xyzw, 1e-12),
        (one.rotations_xyzw, other.rotations_xyzw, tolerance),
    ):
        same = np.minimum(np.abs(left - right).max(axis=-1), np.abs(left + right).max(axis=-1))
        assert same.max() <= room
    np.testing.assert_allclose(one.local_positions, other.local_positions, atol=tolerance)


@pytest.mark.parametrize("name", ["out.usda", "out.usd"])
def test_an_unchanged_text_file_comes_back_byte_for_byte(name: str) -> None:
    text = TEXT.replace("def SkelRoot", "# a comment\n\n\ndef SkelRoot")
    assert written(shot_in(text), name=name) == text.encode()


def test_an_unchanged_binary_file_comes_back_byte_for_byte() -> None:
    data = binary(TEXT)
    assert written(shot_in(data), name="out.usdc") == data
    assert written(shot_in(data), name="out.usd") == data


def test_the_suffix_decides_between_text_and_binary() -> None:
    made = written(shot_in(TEXT), name="out.usdc")
    assert made.startswith(b"PXR-USDC")
    assert lines_of(made) == lines_of(TEXT.encode())
    assert lines_of(written(shot_in(made), name="out.usda")) == lines_of(TEXT.encode())


@pytest.mark.parametrize("form", ["text", "binary"])
def test_turned_joints_and_nothing_else_are_changed(form: str) -> None:
    data = TEXT.encode() if form == "text" else binary(TEXT)
    shot = shot_in(data)
    new = turned(shot, random_turns(5, 7, [3]))
    result = written(new, name="out.usd")
    assert result.startswith(data[:5])
    agree(shot_in(result), new, ROUNDING)
    before, after = lines_of(data), lines_of(result)
    changed = [
        one.split("=")[0].split(":")[0].strip()
        for one, two in zip(before, after, strict=True)
        if one != two
    ]
    assert changed == [
        "uniform matrix4d[] bindTransforms",
        "uniform matrix4d[] restTransforms",
        "quatf[] rotations",
        "0", "6", "15",  # rotations
        "0", "30",  # translations of the foot
    ]  # fmt: skip


def numbers(data: bytes, path: str, code: float | None = None) -> Array:
    layer = layer_of(data)
    value = (
        layer.GetAttributeAtPath(path).default
        if code is None
        else layer.QueryTimeSample(path, code)
    )  # type: ignore[attr-defined]
    return np.array(value)


def test_other_joints_keep_their_bits() -> None:
    shot = shot_in(TEXT)
    result = written(turned(shot, random_turns(5, 7, [3])))
    for path, kept in (("restTransforms", [0, 1, 2]), ("bindTransforms", [0, 1, 2, 4])):
        old, new = (numbers(each, f"/Heron/Skel.{path}") for each in (TEXT.encode(), result))
        assert np.array_equal(old[kept], new[kept])
        assert not np.array_equal(old[3], new[3])
    for path, code, kept in (("rotations", 6, [2]), ("translations", 30, [1, 2])):
        old, new = (numbers(each, f"/Heron/Walk.{path}", code) for each in (TEXT.encode(), result))
        assert np.array_equal(old[kept], new[kept])
        assert not np.array_equal(old[0], new[0])


def test_bind_matrices_turn_as_the_joint_does() -> None:
    new = turned(shot_in(TEXT), random_turns(5, 8))
    assert new.turned is not None
    result = numbers(written(new), "/Heron/Skel.bindTransforms")
    old = numbers(TEXT.encode(), "/Heron/Skel.bindTransforms")
    from scipy.spatial.transform import Rotation

    axes = Rotation.from_quat(new.turned).as_matrix()
    # Column form is the transpose of what the file holds.
    expected = old[:, :3, :3].swapaxes(1, 2) @ axes
    np.testing.assert_allclose(result[:, :3, :3].swapaxes(1, 2), expected, atol=1e-14)
    assert np.array_equal(result[:, 3], old[:, 3])


def test_keys_of_other_lengths_stay_where_nothing_turned() -> None:
    text = swapped("0: [(1, 0, 0, 0), (0.8, 0, 0, 0.6), (1, 0, 0, 0)]",
                   "0: [(1, 0, 0, 0), (0.8, 0, 0, 0.6), (3, 0, 0, 0)]")  # fmt: skip
    result = written(turned(shot_in(text), random_turns(5, 9, [4])))
    assert numbers(result, "/Heron/Walk.rotations", 0)[2].tolist() == [0, 0, 0, 3]


def test_a_value_for_all_time_beside_samples_is_turned_with_them() -> None:
    new = turned(shot_in(TEXT), random_turns(5, 10, [3]))
    text = swapped("0: [(1, 0, 0, 0), (0.8, 0, 0, 0.6), (1, 0, 0, 0)]",
                   "0: [(1, 0, 0, 0), (0.8, 0, 0.6, 0), (1, 0, 0, 0)]")  # fmt: skip
    # The sample at 0 now is what the value for all time is, and so must the turned ones be.
    alike = written(turned(shot_in(text), random_turns(5, 10, [3])))
    np.testing.assert_allclose(
        numbers(written(new), "/Heron/Walk.rotations"),
        numbers(alike, "/Heron/Walk.rotations", 0),
        atol=1e-7,
    )


def test_a_constant_component_is_turned() -> None:
    text = TEXT.replace("""float3[] translations.timeSamples = {
            0: [(4, 0, 0), (1, 0, 0), (0, 5, 0)],
            30: [(4, 0, 0), (1, 0, 0), (3, 5, 1)],
        }""", "float3[] translations = [(4, 0, 0), (1, 0, 0), (0, 5, 0)]")  # fmt: skip
    assert text != TEXT
    new = turned(shot_in(text), random_turns(5, 11))
    agree(shot_in(written(new)), new, ROUNDING)


def test_turning_there_and_back_gives_the_file_again() -> None:
    turns = random_turns(5, 12)
    back = turns * [-1, -1, -1, 1]
    again = shot_in(written(turned(shot_in(TEXT), turns)))
    agree(shot_in(written(turned(again, back))), shot_in(TEXT), 2 * ROUNDING)
    # Without a file in between the turns cancel, and the keys differ by the last bit of a 64-bit number.
    both = turned(turned(shot_in(TEXT), turns), back)
    assert lines_of(written(both)) == lines_of(TEXT.encode())


RUN = TEXT[TEXT.index("    def SkelAnimation") : TEXT.index("    def Mesh")].replace("Walk", "Run")
WITH_RUN = swapped("    def Mesh", RUN + "    def Mesh")


def test_all_shots_of_a_file_are_turned_together() -> None:
    both = [turned(shot, random_turns(5, 13)) for shot in shots_in(WITH_RUN)]
    result = written(*both)
    for new, old in zip(shots_in(result), both, strict=True):
        agree(new, old, ROUNDING)
    assert written(*reversed(both)) == result
    with pytest.raises(UsageError, match="2 shots of the skeleton that was turned, but 1"):
        written(both[0])
    with pytest.raises(UsageError, match="given twice"):
        written(both[0], both[0])
    with pytest.raises(UsageError, match="turned differently"):
        written(both[0], shots_in(WITH_RUN)[1])


def test_equal_skeletons_are_turned_together() -> None:
    copy = TEXT[TEXT.index('    def Skeleton "Skel"') : TEXT.index("    def SkelAnimation")]
    text = swapped(
        "    def SkelAnimation", copy.replace('"Skel"', '"Copy"') + "    def SkelAnimation"
    )
    result = written(turned(shot_in(text), random_turns(5, 14)))
    for name in ("restTransforms", "bindTransforms"):
        assert np.array_equal(
            numbers(result, f"/Heron/Skel.{name}"), numbers(result, f"/Heron/Copy.{name}")
        )
    assert shot_in(result).frames == 4


def test_a_rest_pose_from_bind_matrices_is_turned() -> None:
    text = TEXT.replace("restTransforms", "formerTransforms")
    new = turned(shot_in(text), random_turns(5, 15))
    result = written(new)
    agree(shot_in(result), new, ROUNDING)
    assert np.array_equal(
        numbers(result, "/Heron/Skel.formerTransforms"),
        numbers(TEXT.encode(), "/Heron/Skel.restTransforms"),
    )


def test_a_shot_at_rest_is_turned() -> None:
    text = TEXT[: TEXT.index("    def SkelAnimation")] + "}\n"
    text = text.replace("    rel skel:animationSource = </Heron/Walk>\n", "")
    new = turned(shot_in(text), random_turns(5, 16))
    agree(shot_in(written(new)), new, ROUNDING)


def test_rest_scales_and_mirrors_stay() -> None:
    text = swapped("((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)),",
                   "((-2, 0, 0, 0), (0, -2, 0, 0), (0, 0, -2, 0), (0, 1, 0, 1)),")  # fmt: skip
    new = turned(shot_in(text), random_turns(5, 17))
    again = shot_in(written(new))
    agree(again, new, ROUNDING)
    np.testing.assert_allclose(again.skeleton.rest_scales[2], [-2, -2, -2], atol=1e-12)


def test_keys_that_were_changed_otherwise_are_written_too() -> None:
    shot = shot_in(TEXT)
    assert shot.tracks is not None
    hip = shot.tracks.positions[0]
    assert hip is not None
    raised = replace(hip, values=hip.values + np.array([0.0, 1.0, 0.0]))
    positions = (raised, *shot.tracks.positions[1:])
    result = written(replace(shot, tracks=replace(shot.tracks, positions=positions)))
    assert numbers(result, "/Heron/Walk.translations", 30).tolist() == [
        [4, 0, 0],
        [1, 0, 0],
        [3, 6, 1],
    ]


def test_what_does_not_fit_the_file_is_refused() -> None:
    shot = shot_in(TEXT)
    assert shot.tracks is not None
    foot = shot.tracks.rotations[4]
    assert foot is not None
    fewer = Track(foot.times_s[:2], foot.values[:2])
    for rotations in ((*shot.tracks.rotations[:4], fewer), (*shot.tracks.rotations[:4], None)):
        with pytest.raises(UsageError, match="joint 'Foot' has keys at other times"):
            written(replace(shot, tracks=replace(shot.tracks, rotations=rotations)))
    moved = replace(shot.skeleton, offsets=shot.skeleton.offsets + 0.01)
    with pytest.raises(UsageError, match="rest pose is not the file's"):
        written(replace(shot, skeleton=moved))
    with pytest.raises(UsageError, match="rest pose is not the file's"):
        written(replace(turned(shot, random_turns(5, 18)), turned=None))
    renamed = replace(shot.skeleton, names=("a", "b", "c", "d", "e"))
    with pytest.raises(UsageError, match="other joints"):
        written(replace(shot, skeleton=renamed))
    with pytest.raises(UsageError, match="different files"):
        written(shot, shot_in(TEXT + "\n"))
    with pytest.raises(UsageError, match="no shot"):
        written()
    with pytest.raises(UsageError, match="lost its keys"):
        written(replace(shot, tracks=None, rotations=shot.rotations_xyzw))


@given(seeds, st.lists(st.integers(0, 4), max_size=5), st.booleans())
def test_any_joints_may_be_turned(seed: int, which: list[int], again: bool) -> None:
    new = turned(shot_in(TEXT), random_turns(5, seed, which))
    if again:
        new = turned(new, random_turns(5, seed + 1, which))
    agree(shot_in(written(new)), new, ROUNDING)


@given(shots())
def test_a_new_file_says_what_the_shot_says(shot: Shot) -> None:
    named = tuple(f"{name} {place}" for place, name in enumerate(shot.skeleton.names))
    skeleton = replace(shot.skeleton, names=named)
    size = max(1.0, float(np.abs(shot.local_positions).max()))
    result = shot_in(written(replace(shot, skeleton=skeleton)))
    agree(result, replace(shot, skeleton=skeleton), size * 2.0**-23)


def test_a_bvh_shot_becomes_a_new_file() -> None:
    (shot,) = bvh.FORMAT.read(Opened(bvh.sample(), "crane.bvh"))
    for name in ("out.usda", "out.usdc"):
        result = shot_in(written(shot, name=name))
        assert result.skeleton.names == ("Mast", "Boom")
        assert result.times_s.tolist() == pytest.approx([0.0, 0.04], abs=1e-12)
        np.testing.assert_allclose(result.local_positions, shot.local_positions, atol=1e-6)
        np.testing.assert_allclose(result.rotations_xyzw, shot.rotations_xyzw, atol=1e-6)
    assert written(shot, name="out.usd").startswith(b"PXR-USDC")
    text = written(shot).decode()
    assert 'def SkelAnimation "crane"' in text
    assert "timeCodesPerSecond = 25" in text


def leg(*rotations: Track | None, names: tuple[str, ...] = ("Hip", "Knee")) -> Shot:
    skeleton = Skeleton.plain(names, [-1, 0], [[0, 2, 0], [0, -1, 0]])
    return Shot(
        skeleton,
        np.unique(np.concatenate([each.times_s for each in rotations if each is not None])),
        Source("walk.glb").shot_named("stride one"),
        tracks=Tracks(rotations, (None, None), (None, None)),
    )


EASY = np.array([[0.0, 0, 0, 1], [0.6, 0, 0, 0.8], [0, 0, 0, 1]])


def test_keys_of_joints_with_their_own_times_come_together() -> None:
    shot = leg(Track([0.0, 1.0, 2.0], EASY), Track([0.5, 1.25, 2.0], EASY))
    result = shot_in(written(shot))
    assert result.times_s.tolist() == pytest.approx([0.0, 0.5, 1.0, 1.25, 2.0])
    times = np.linspace(0.0, 2.0, 41)
    assert result.tracks is not None
    assert shot.tracks is not None
    for new, old in zip(result.tracks.rotations, shot.tracks.rotations, strict=True):
        assert new is not None
        assert old is not None
        np.testing.assert_allclose(new.at(times), old.at(times), atol=1e-6)
    assert 'def SkelAnimation "stride_one"' in written(shot).decode()


def test_scales_of_a_new_file() -> None:
    shot = leg(None, Track([0.0, 1.0, 2.0], EASY))
    assert shot.tracks is not None
    skeleton = replace(shot.skeleton, rest_scales=[[2.0, 2.0, 2.0], [1.0, 0.5, 1.0]])
    growing = Track([0.0, 2.0], [[2.0, 2.0, 2.0], [3.0, 3.0, 3.0]])
    tracks = replace(shot.tracks, scales=(growing, None))
    result = shot_in(written(replace(shot, skeleton=skeleton, tracks=tracks)))
    np.testing.assert_allclose(result.skeleton.rest_scales, skeleton.rest_scales, atol=1e-15)
    assert result.tracks is not None
    again, still = result.tracks.scales
    assert still is None
    assert again is not None
    assert again.values.tolist() == growing.values.tolist()


def test_keys_that_usd_cannot_hold_are_refused() -> None:
    with pytest.raises(UsageError, match="joint 'Knee' has step keys"):
        written(leg(None, Track([0.0, 1.0, 2.0], EASY, "step")))
    slopes = np.zeros((3, 4))
    with pytest.raises(UsageError, match="joint 'Knee' has cubic keys"):
        written(leg(None, Track([0.0, 1.0, 2.0], EASY, "cubic", slopes, slopes)))


def test_new_files_hold_several_shots_of_one_skeleton_only() -> None:
    one = leg(None, Track([0.0, 1.0, 2.0], EASY))
    other = replace(one, source=Source("run.bvh"))
    read = shots_in(written(one, other))
    assert [shot.source.file for shot in read] == ["heron.usda#stride_one", "heron.usda#run"]
    with pytest.raises(UsageError, match="different skeletons"):
        written(one, leg(None, Track([0.0, 1.0, 2.0], EASY), names=("Hip", "Shin")))


def test_names_that_usd_does_not_allow_are_kept_beside() -> None:
    shot = leg(None, Track([0.0, 1.0, 2.0], EASY), names=("left hip", "1:knee"))
    text = written(shot).decode()
    assert '["left_hip", "left_hip/__knee"]' in text
    assert shot_in(text).skeleton.names == ("left hip", "1:knee")
