"""The names of several shots in one file, and what becomes of them on the way to another."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.formats import gltf, usd
from audit.plugins import Opened
from tests.formats.gltf_making import Making, read_all


def of_several() -> Making:
    making = Making()
    node = making.node(name="arm")
    times = making.times([0, 1])
    turn = making.accessor([[0, 0, 0, 1], [0, 0.6, 0, 0.8]])
    for name in ("walk", "a/b", "v1.2"):
        making.animation((node, "rotation", times, turn), name=name)
    return making


def test_each_shot_has_its_own_label() -> None:
    shots = read_all(of_several().glb(), "takes/x.glb")
    assert [shot.source.label for shot in shots] == ["x walk", "x a/b", "x v1.2"]


def test_new_gltf_files_keep_the_names() -> None:
    shots = [replace(shot, origin=None) for shot in read_all(of_several().glb())]
    files = gltf.write(shots, "new.glb")
    back = read_all(files["new.glb"], "new.glb")
    assert [shot.source.own_name for shot in back] == ["walk", "a/b", "v1.2"]


def test_new_usd_files_keep_the_names_as_far_as_usd_has_them() -> None:
    pytest.importorskip("pxr", reason="the package usd-core is not installed")
    shots = [replace(shot, origin=None) for shot in read_all(of_several().glb())]
    data = usd.write(shots, "new.usda")["new.usda"]
    back = usd.read(Opened(data, "new.usda"))
    assert [shot.source.own_name for shot in back] == ["walk", "b", "v1_2"]
