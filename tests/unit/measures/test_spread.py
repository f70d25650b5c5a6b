"""What channels cost: effective channels, leak, moving channels and edit keys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.conventions import ORDERS
from audit.measures import Cost, effective_channels
from audit.measures.spread import channel_curves, cost_of
from audit.rotations import quaternion_from_angles
from tests.strategies import Array, orders, read_only, smooth_angles


class TestEffectiveChannels:
    # Shares and what 1 / Σ p² makes of them, worked by hand.
    @pytest.mark.parametrize(
        ("travels", "expected"),
        [
            ((1, 0, 0), 1.0),
            ((0, 7, 0), 1.0),
            ((1, 1, 0), 2.0),
            ((1, 1, 1), 3.0),
            ((0.8, 0.2, 0), 1.470588),
            ((0.9, 0.05, 0.05), 1.226994),
            ((0.6, 0.3, 0.1), 2.173913),
            ((60, 30, 10), 2.173913),
        ],
    )
    def test_known_values(self, travels: tuple[float, ...], expected: float) -> None:
        found = effective_channels(np.array(travels, dtype=float))
        np.testing.assert_allclose(found, expected, atol=5e-7)

    def test_where_nothing_travels_there_is_none(self) -> None:
        found = effective_channels(np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]))
        np.testing.assert_array_equal(found, [np.nan, 1.0])

    @given(st.lists(st.floats(0.0, 1e6), min_size=3, max_size=3), st.floats(1e-3, 1e3))
    def test_it_lies_between_one_and_three_in_any_unit(
        self, values: list[float], unit: float
    ) -> None:
        travels = np.array(values)
        found = effective_channels(travels)
        if travels.max() > 1e-100:
            assert 1.0 - 1e-12 <= found <= 3.0 + 1e-12
            np.testing.assert_allclose(effective_channels(unit * travels), found, rtol=1e-9)


def cost(curves_deg: Array, order: str = "ZXY", **limits: float) -> Cost:
    """Return the cost of one joint's curves (3, F) in the rotation order, a frame a second."""
    curves = np.deg2rad(np.asarray(curves_deg, dtype=np.float64))[:, None]
    times = np.arange(curves.shape[-1], dtype=np.float64)
    wanted = {"tolerance_deg": 0.25, "moving_deg": 1.0} | limits
    return cost_of(curves, order, times, **wanted)


class TestCost:
    def test_a_worked_example(self) -> None:
        # Order ZXY: outer Z 0-10-0, middle X 0 to 4 evenly, inner Y within the tolerance of 0.
        found = cost(np.array([[0.0, 10.0, 0.0], [0.0, 2.0, 4.0], [0.0, 0.2, 0.1]]))
        np.testing.assert_allclose(found.range_deg, [[4.0, 0.2, 10.0]], atol=1e-12)
        np.testing.assert_allclose(found.travel_deg, [[4.0, 0.0, 20.0]], atol=1e-12)
        np.testing.assert_array_equal(found.keys, [[2, 1, 3]])
        np.testing.assert_array_equal(found.moving_channels, [2])
        np.testing.assert_array_equal(found.edit_keys, [5])
        np.testing.assert_allclose(found.channel_spread, [24.0**2 / (16.0 + 400.0)])
        np.testing.assert_allclose(found.leak, [1.0 - 20.0 / 24.0])

    @pytest.mark.parametrize("order", ORDERS)
    def test_channels_are_sorted_x_y_z_whatever_the_order(self, order: str) -> None:
        by_letter = {"X": [0.0, 3.0], "Y": [0.0, 5.0], "Z": [0.0, 7.0]}
        found = cost(np.array([by_letter[letter] for letter in order]), order)
        np.testing.assert_allclose(found.range_deg, [[3.0, 5.0, 7.0]])

    def test_a_channel_at_the_moving_limit_does_not_move(self) -> None:
        still = cost(np.array([[0.0, 0.999], [0.0, 0.0], [0.0, 0.0]]))
        moving = cost(np.array([[0.0, 1.001], [0.0, 0.0], [0.0, 0.0]]))
        assert (still.moving_channels[0], still.edit_keys[0]) == (0, 0)
        assert (moving.moving_channels[0], moving.edit_keys[0]) == (1, 2)

    def test_the_limits_are_those_given(self) -> None:
        curves = np.array([[0.0, 3.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
        assert cost(curves, moving_deg=4.0).moving_channels[0] == 0
        assert cost(curves, tolerance_deg=4.0).keys[0].tolist() == [1, 1, 1]
        assert cost(curves).keys[0].tolist() == [1, 1, 3]

    def test_a_single_frame_costs_a_key_a_channel_and_no_edits(self) -> None:
        found = cost(np.array([[30.0], [20.0], [10.0]]))
        assert found.keys[0].tolist() == [1, 1, 1]
        assert found.edit_keys[0] == 0
        assert np.isnan(found.channel_spread[0])
        assert np.isnan(found.leak[0])

    @given(smooth_angles(), orders)
    def test_figures_agree_with_each_other(self, angles: Array, order: str) -> None:
        found = cost(np.rad2deg(angles), order)
        travels, total = found.travel_deg[0], found.travel_deg[0].sum()
        assert found.moving_channels[0] == (found.range_deg[0] > 1.0).sum()
        assert found.edit_keys[0] == found.keys[0][found.range_deg[0] > 1.0].sum()
        if total > 0:
            shares = travels / total
            np.testing.assert_allclose(found.channel_spread[0], 1.0 / (shares**2).sum())
            np.testing.assert_allclose(found.leak[0], 1.0 - shares.max(), atol=1e-12)

    def test_several_joints_are_each_alone(self) -> None:
        generator = np.random.default_rng(0)
        curves = np.cumsum(generator.normal(size=(3, 4, 30)), axis=-1)
        times = np.arange(30.0)
        together = cost_of(curves, "XZY", times, tolerance_deg=0.25, moving_deg=1.0)
        for joint in range(4):
            alone = cost_of(
                curves[:, joint : joint + 1], "XZY", times, tolerance_deg=0.25, moving_deg=1.0
            )
            for name in ("range_deg", "travel_deg", "keys", "channel_spread", "leak", "edit_keys"):
                np.testing.assert_array_equal(
                    getattr(together[np.array([joint])], name), getattr(alone, name)
                )

    def test_parts_are_put_in_their_places(self) -> None:
        whole, part = Cost.none(3), cost(np.array([[0.0, 3.0], [0.0, 0.0], [0.0, 0.0]]))
        assert np.isnan(whole.channel_spread).all()
        whole.put(np.array([1]), part)
        np.testing.assert_array_equal(whole.moving_channels, [0, 1, 0])
        np.testing.assert_array_equal(whole.channel_spread, [np.nan, 1.0, np.nan])

    def test_inputs_stay_as_they_are(self) -> None:
        curves = read_only(np.random.default_rng(0).normal(size=(3, 2, 9)))
        cost_of(curves, "YXZ", read_only(np.arange(9.0)), tolerance_deg=0.25, moving_deg=1.0)


@given(smooth_angles(), orders, st.booleans())
def test_the_curves_of_rotations_are_continuous(angles: Array, order: str, flip: bool) -> None:
    quaternion = quaternion_from_angles(angles, order)[:, None]
    if flip:
        quaternion = quaternion * np.where(np.arange(angles.shape[1]) % 3 == 1, -1.0, 1.0)
    curves = channel_curves(quaternion, order)[:, 0]
    np.testing.assert_allclose(np.diff(curves), np.diff(angles), atol=1e-10)
