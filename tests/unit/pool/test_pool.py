"""One answer from many shots of one rig, and how sure it is."""

from __future__ import annotations

import gc
import pickle
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.demo import demo_shots
from audit.errors import ShapeError
from audit.measures import measure_shot
from audit.pool import Pool, PooledMeasures, ShotEvidence, evidence_of
from audit.settings import Settings
from tests.strategies import Array
from tests.unit.pool.making import KNEE_AXIS, hinge, limbs, noisy, shot_of, wave, with_pops

TWIST_DEG = 20.0
"""Of KNEE_AXIS about −Y: from X towards Z."""


def knees(
    count: int,
    *,
    seed: int = 0,
    noise: float = 1.0,
    low: float = 3.0,
    high: float = 20.0,
    joints: int = 1,
    before: Rotation | None = None,
) -> list[ShotEvidence]:
    """Return the evidence of shots that each show a part of the bend, with noise."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(count):
        turns = []
        for _ in range(joints):
            start, reach = rng.uniform(0.0, 60.0), rng.uniform(low, high)
            bend = wave(start, start + reach, int(rng.integers(60, 120)) if joints == 1 else 90)
            turns.append(
                noisy(hinge(KNEE_AXIS, bend, before), noise, int(rng.integers(2**31)))
                if noise
                else hinge(KNEE_AXIS, bend, before)
            )
        found.append(evidence_of(shot_of(turns, name=f"shot {number}")))
    return found


def pooled(evidence: list[ShotEvidence], settings: Settings | None = None) -> PooledMeasures:
    pool = Pool(limbs(len(evidence[0])))
    for each in evidence:
        pool.add(each)
    return pool.result(settings)


def names_of(result: PooledMeasures) -> list[list[str]]:
    return [[each.shot for each in told] for told in result.carriers]


def test_one_clean_shot_gives_what_the_measure_of_one_shot_gives() -> None:
    for shot in demo_shots().values():
        pool = Pool(shot.skeleton)
        pool.add(evidence_of(shot))
        result, measures = pool.result(), measure_shot(shot)
        assert result.kind == measures.kind
        np.testing.assert_allclose(result.range_deg, measures.range_deg, atol=1e-6)
        np.testing.assert_allclose(result.excursion_deg, measures.excursion_deg, atol=1e-6)
        np.testing.assert_allclose(result.hinge_axis, measures.hinge_axis, atol=1e-5)
        np.testing.assert_allclose(result.twist_offset_deg, measures.twist_offset_deg, atol=1e-3)
        np.testing.assert_array_equal(result.target_axis, measures.target_axis)
        np.testing.assert_allclose(result.aim_error_deg, measures.aim_error_deg)
        np.testing.assert_allclose(result.residual_deg, measures.residual_deg, atol=1e-3)
        np.testing.assert_allclose(result.full_offset_xyzw, measures.full_offset_xyzw, atol=1e-4)
        why = [reason is None for reason in measures.no_offset_because]
        assert [reason is None for reason in result.no_offset_because] == why


def test_what_no_single_shot_could_tell() -> None:
    evidence = knees(40)
    result = pooled(evidence)
    assert result.kind == ("hinge",)
    assert abs(result.twist_offset_deg[0] - TWIST_DEG) < 0.5
    low, high = result.twist_interval_deg[0]
    assert low < TWIST_DEG < high
    assert high - low < 1.0
    widths = [np.ptp(pooled([each]).twist_interval_deg[0]) for each in evidence]
    assert np.nanmin(widths) > 1.0
    assert result.moving_shots[0] == 40
    assert 10.0 < result.effective_shots[0] < 40.0


def test_the_rest_pose_in_front_does_not_matter() -> None:
    before = Rotation.from_rotvec([0.4, 0.2, -0.9])
    plain, turned = pooled(knees(10)), pooled(knees(10, before=before))
    np.testing.assert_allclose(turned.twist_offset_deg, plain.twist_offset_deg, atol=1e-6)
    np.testing.assert_allclose(turned.twist_interval_deg, plain.twist_interval_deg, atol=1e-6)


def test_the_order_of_the_shots_does_not_matter() -> None:
    evidence = knees(21, joints=2)
    one, other = pooled(evidence), pooled(evidence[::-1])
    for name in ("twist_offset_deg", "twist_interval_deg", "range_deg", "shares", "near_lock"):
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=1e-8)
    assert names_of(one) == names_of(other)


@pytest.mark.parametrize("cut", [1, 7, 16, 33])
def test_pools_merge(cut: int) -> None:
    evidence = knees(34, joints=2)
    whole = pooled(evidence)
    first, second = Pool(limbs(2)), Pool(limbs(2))
    for each in evidence[:cut]:
        first.add(each)
    for each in evidence[cut:]:
        second.add(each)
    travelled: Pool = pickle.loads(pickle.dumps(second))
    first.merge(travelled)
    merged = first.result()
    assert merged.shots == 34
    for name in (
        "twist_offset_deg",
        "twist_interval_deg",
        "excursion_deg",
        "seconds",
        "keys",
        "least_margin_deg",
        "near_lock",
        "effective_shots",
    ):
        np.testing.assert_allclose(getattr(merged, name), getattr(whole, name), atol=1e-8)
    assert names_of(merged) == names_of(whole)


def test_every_call_gives_the_same_numbers() -> None:
    one, other = pooled(knees(9)), pooled(knees(9))
    np.testing.assert_array_equal(one.twist_interval_deg, other.twist_interval_deg)
    assert one.carriers == other.carriers


def test_range_and_excursions_are_those_of_all_shots() -> None:
    shots = [(0.0, 12.0), (50.0, 71.0), (-8.0, 2.0)]
    evidence = [evidence_of(shot_of([hinge(KNEE_AXIS, wave(*each))])) for each in shots]
    result = pooled(evidence)
    np.testing.assert_allclose(result.excursion_deg[0], [-8.0, 71.0], atol=0.01)
    np.testing.assert_allclose(result.range_deg[0], 79.0, atol=0.01)
    np.testing.assert_allclose(result.hinge_axis[0], KNEE_AXIS, atol=1e-4)


def test_the_larger_excursion_is_positive_over_all_shots() -> None:
    shots = [(0.0, 12.0), (-70.0, -20.0)]
    result = pooled([evidence_of(shot_of([hinge(KNEE_AXIS, wave(*each))])) for each in shots])
    np.testing.assert_allclose(result.excursion_deg[0], [-12.0, 70.0], atol=0.01)
    np.testing.assert_allclose(result.hinge_axis[0], -KNEE_AXIS, atol=1e-4)


def test_carriers_are_the_shots_that_move_most() -> None:
    spans = (5.0, 60.0, 10.0, 30.0)
    evidence = [
        evidence_of(shot_of([hinge(KNEE_AXIS, wave(0.0, span))], name=f"span {span:g}"))
        for span in spans
    ]
    told = pooled(evidence).carriers[0]
    assert [each.shot for each in told] == ["span 60", "span 30", "span 10", "span 5"]
    squares = sum(span**2 for span in spans)
    np.testing.assert_allclose(
        [each.share for each in told], np.sort(spans)[::-1] ** 2 / squares, rtol=1e-3
    )


@pytest.mark.parametrize("noise", [0.5, 1.0, 2.0])
def test_noise_alone_is_no_second_freedom(noise: float) -> None:
    assert pooled(knees(20, noise=noise, low=15.0)).kind == ("hinge",)


def test_a_second_freedom_is_never_hidden() -> None:
    """A wag of a third of the bend, at its own speed: the joint is two-axis, and no offset is given."""
    evidence = []
    for number in range(12):
        wag = hinge([0, 1, 0], wave(-8, 8, 120, 1.0 + 0.2 * number))
        evidence.append(evidence_of(shot_of([hinge(KNEE_AXIS, wave(0, 45, 120)) * wag])))
    result = pooled(evidence)
    assert result.kind == ("two-axis",)
    assert result.second_freedom[0]
    assert not result.has_offset[0]
    assert "two axes" in str(result.no_offset_because[0])


@pytest.mark.parametrize(
    ("turns", "says"),
    [
        (hinge(KNEE_AXIS, np.full(60, 10.0)), "hardly moves"),
        (hinge(KNEE_AXIS, wave(0, 3)), "only 3.0°"),
        (hinge([0, 1, 0], wave(0, 50)), "its own limb"),
        (noisy(hinge(KNEE_AXIS, wave(0, 9, 60)), 1.5, 3), "not sure enough"),
    ],
)
def test_reasons_for_no_offset(turns: Rotation, says: str) -> None:
    evidence = evidence_of(shot_of([turns]))
    if says == "not sure enough":  # keys that go together say little
        evidence = replace(evidence, covariance=evidence.covariance * 400.0)
    result = pooled([evidence], Settings(hinge_share=0.5))
    assert np.isnan(result.twist_offset_deg[0])
    assert says in str(result.no_offset_because[0])


def test_no_limb_no_offset() -> None:
    pool = Pool(limbs(1, (0.0, 0.0, 0.0)))
    pool.add(evidence_of(shot_of([hinge(KNEE_AXIS, wave(0, 40))])))
    assert "no limb axis" in str(pool.result().no_offset_because[0])


def test_an_empty_pool_says_that_nothing_moves() -> None:
    result = Pool(limbs(2)).result()
    assert result.kind == ("still", "still")
    assert result.shots == 0
    assert result.odd_shots == ()
    assert result.carriers == ((), ())
    assert not result.has_offset.any()


def test_shots_of_one_key_add_nothing() -> None:
    pool = Pool(limbs(1))
    for bend in (0.0, 30.0):
        pool.add(evidence_of(shot_of([hinge(KNEE_AXIS, [bend])])))
    assert pool.result().kind == ("still",)


def test_wrong_joints_are_refused() -> None:
    pool = Pool(limbs(2))
    with pytest.raises(ShapeError, match="2 joints, got 1"):
        pool.add(knees(1)[0])
    with pytest.raises(ShapeError, match="the same"):
        pool.merge(Pool(limbs(1)))


class TestOddShots:
    """A shot whose own axis contradicts the others."""

    @staticmethod
    def rig(odd_deg: float, *, shots: int = 12, wander: float = 0.0) -> PooledMeasures:
        rng = np.random.default_rng(4)
        evidence = []
        for number in range(shots):
            axis = Rotation.from_rotvec(np.deg2rad(wander) * rng.normal(size=3)).apply(KNEE_AXIS)
            if number == 5:
                axis = Rotation.from_rotvec([0, np.deg2rad(odd_deg), 0]).apply(axis)
            turns = noisy(hinge(axis, wave(0, 40)), 0.5, number)
            evidence.append(evidence_of(shot_of([turns], name=f"shot {number}")))
        return pooled(evidence)

    def test_it_is_told(self) -> None:
        (odd,) = self.rig(5.0).odd_shots
        assert (odd.joint, odd.shot) == (0, "shot 5")
        assert abs(odd.angle_deg - 5.0) < 1.0
        assert odd.probability < 0.05

    def test_one_that_is_far_off_is_told_although_the_pool_is_no_hinge_then(self) -> None:
        result = self.rig(80.0, shots=8)
        assert [each.shot for each in result.odd_shots] == ["shot 5"]

    def test_none_is_told_where_there_is_none(self) -> None:
        assert self.rig(0.0).odd_shots == ()

    def test_axes_that_wander_from_shot_to_shot_are_not_odd(self) -> None:
        assert self.rig(0.0, shots=20, wander=3.0).odd_shots == ()

    def test_a_second_look_finds_the_same_shot(self) -> None:
        evidence = knees(30, low=20.0, high=40.0)
        turned = Rotation.from_rotvec([0, np.deg2rad(12.0), 0]).apply(KNEE_AXIS)
        odd = evidence_of(shot_of([noisy(hinge(turned, wave(0, 40)), 1.0, 99)], name="odd"))
        pool = Pool(limbs(1))
        for each in [*evidence, odd]:
            pool.add(each)
        angle, probability = pool.disagreement(odd)
        assert abs(angle[0] - 12.0) < 2.0
        assert probability[0] < 1e-4
        others = [float(pool.disagreement(each)[1][0]) for each in evidence]
        assert min(others) > 1e-4


def test_pops_do_not_move_the_axis() -> None:
    clean, wild = [], []
    for number in range(20):
        turns = noisy(hinge(KNEE_AXIS, wave(0, 15)), 0.5, number)
        places = np.random.default_rng(number).choice(90, 5, replace=False)
        clean.append(evidence_of(shot_of([turns])))
        wild.append(evidence_of(shot_of([with_pops(turns, places, number, 80.0)])))
    one, other = pooled(clean), pooled(wild)
    assert abs(one.twist_offset_deg[0] - other.twist_offset_deg[0]) < 0.1
    assert other.wild_keys[0] == 100
    assert one.wild_keys[0] == 0


def test_posed_keys_without_time_between_them_to_spare() -> None:
    """Hand-set keys at uneven times, with holds and keys that repeat the one before."""
    rng = np.random.default_rng(7)
    evidence = []
    for _ in range(6):
        times = np.cumsum(rng.uniform(0.04, 1.5, 14))
        bend = np.repeat(rng.uniform(0.0, 50.0, 7), 2)
        evidence.append(evidence_of(shot_of([hinge(KNEE_AXIS, bend)], times=times)))
    result = pooled(evidence)
    assert result.wild_keys[0] == 0
    np.testing.assert_allclose(result.twist_offset_deg, TWIST_DEG, atol=1e-4)


def test_memory_does_not_grow_with_the_number_of_shots() -> None:
    evidence = knees(1, joints=4)[0]

    def kept(shots: int) -> int:
        tracemalloc.start()
        pool = Pool(limbs(4))
        for number in range(shots):
            pool.add(replace(evidence, shot=f"shot {number:09}"))
        pool.result()
        gc.collect()
        current, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return current

    kept(40)  # whatever is loaded once
    few, many = kept(40), kept(400)
    assert many < few + 20_000


def check_finite(result: PooledMeasures, arrays: tuple[str, ...]) -> None:
    for name in arrays:
        values: Array = getattr(result, name)
        assert np.all(np.isfinite(values)), name


def test_no_figure_is_infinite() -> None:
    """Joints of all kinds, in pools of one to twenty shots."""
    rng = np.random.default_rng(12)
    for shots in (1, 2, 3, 20):
        evidence = []
        for number in range(shots):
            frames = int(rng.integers(1, 40))
            turns = [
                hinge(KNEE_AXIS, wave(0, 40, frames)),
                hinge([0, 1, 0], np.zeros(frames)),
                Rotation.random(frames, random_state=number),
                noisy(hinge(KNEE_AXIS, np.zeros(frames)), 0.3, number),
            ]
            evidence.append(evidence_of(shot_of(turns)))
        result = pooled(evidence)
        check_finite(
            result,
            ("range_deg", "shares", "off_axis_deg", "jitter_deg", "near_lock", "effective_shots"),
        )
        for name in ("twist_offset_deg", "twist_interval_deg", "hinge_axis_interval_deg"):
            assert not np.any(np.isinf(getattr(result, name))), name
