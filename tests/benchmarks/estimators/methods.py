"""Published estimators of a hinge axis or its twist, from their papers' formulas, for many trials at once.

Each takes a rig's shots and returns the axis (3, N) in the child's axes, either sign. Where a paper works with
markers or sensors, these are made from the rotations, without any error but that of the rotations. Formulas
that could not be read in the paper itself are from memory; the docs say which.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from audit.measures.hinge import fit_hinge
from audit.rotations import (
    angles_from_quaternion,
    conjugate,
    continuous_angles,
    matrix_from_quaternion,
    multiply,
    quaternion_from_rotation_vector,
    rotate,
    rotation_vector_from_quaternion,
)
from tests.benchmarks.estimators.synthetic import angular_velocity

Array = npt.NDArray[np.float64]
Shots = Sequence[Array]
Method = Callable[[Shots, Shots], Array]

LIMB = np.array([0.0, -1.0, 0.0])
LAG = 10
"""Keys between the two poses of a finite rotation, where a method takes pairs: a third of a second."""


def rotation_vectors(rotations: Shots, parents: Shots) -> Array:
    """Principal axis of the rotation vectors about each shot's mean: this project's measure of one shot."""
    del parents
    total = np.zeros((rotations[0].shape[1], 3, 3))
    for each in rotations:
        fit = fit_hinge(each, np.full(each.shape[2], 1.0 / each.shape[2]))
        spread = np.einsum("pcn,pn,pdn->ncd", fit.axes, fit.scatter, fit.axes)
        total += spread * each.shape[2]
    return _eigenvector(total, largest=True)


def least_squares_axis(rotations: Shots, parents: Shots) -> Array:
    """SARA (Ehrig et al. 2007), and the linear least squares of O'Brien et al. 2000: the same direction.

    With the parent's segment as the frame the stacked rows are ``[1 −R]``; the direction is the singular vector
    of the least singular value, its last three numbers seen by the child.
    """
    del parents
    mean = sum(np.sum(matrix_from_quaternion(each), axis=-1) for each in rotations)
    # Least |u − R v|² over unit u and v is the first singular pair of the sum of R.
    _, _, rows = np.linalg.svd(np.moveaxis(np.asarray(mean), 2, 0))
    return np.ascontiguousarray(rows[:, 0].T)


MARKERS = np.array([[0.1, 0.1, -0.1], [-0.1, -0.3, -0.5], [0.1, -0.1, 0.1]])
"""Three markers on the child (component, marker), in limb lengths."""


def marker_circles(rotations: Shots, parents: Shots) -> Array:
    """Gamage and Lasenby 2002: eigenvector of the least eigenvalue of the markers' scatter, in the parent."""
    del parents
    total = np.zeros((rotations[0].shape[1], 3, 3))
    for marker in MARKERS.T:
        places = [rotate(each, marker[:, None, None] + 0.0 * each[:3]) for each in rotations]
        mean = np.mean(np.concatenate(places, axis=-1), axis=-1, keepdims=True)
        for place in places:
            total += np.einsum("cnf,dnf->ncd", place - mean, place - mean)
    return _seen_by_child(rotations, _eigenvector(total, largest=False))


def marker_displacements(rotations: Shots, parents: Shots) -> Array:
    """Halvorsen et al. 1999: the same eigenvector for displacements of the markers between two poses."""
    del parents
    total = np.zeros((rotations[0].shape[1], 3, 3))
    for marker in MARKERS.T:
        for each in rotations:
            place = rotate(each, marker[:, None, None] + 0.0 * each[:3])
            moved = place[..., LAG:] - place[..., :-LAG]
            total += np.einsum("cnf,dnf->ncd", moved, moved)
    return _seen_by_child(rotations, _eigenvector(total, largest=False))


def mean_helical_axis(rotations: Shots, parents: Shots) -> Array:
    """Mean finite helical axis, each weighed by sin²(θ/2), which answers its error (Woltring et al. 1985)."""
    del parents
    total = np.zeros((rotations[0].shape[1], 3, 3))
    for each in rotations:
        vector = _steps(each, LAG)
        angle = np.maximum(np.linalg.norm(vector, axis=0), 1e-12)
        weight = (np.sin(0.5 * angle) / angle) ** 2
        total += np.einsum("cnf,dnf,nf->ncd", vector, vector, weight)
    return _eigenvector(total, largest=True)


def mode_of_helical_axes(rotations: Shots, parents: Shots) -> Array:
    """Schwartz and Rozumalski 2005: the mode of the helical axes between pairs of poses.

    Pairs that turn less than a third of the largest turn are left out; the mode is found by mean shift from
    the mean axis, with a kernel of 5°.
    """
    del parents
    axes, turns = [], []
    for each in rotations:
        for lag in (LAG, 2 * LAG, 3 * LAG):
            vector = _steps(each, lag)
            turns.append(np.linalg.norm(vector, axis=0))
            axes.append(vector / np.maximum(turns[-1], 1e-12))
    axis, turn = np.concatenate(axes, axis=-1), np.concatenate(turns, axis=-1)
    far = turn > np.max(turn, axis=1, keepdims=True) / 3.0
    mode = mean_helical_axis(rotations, rotations)
    for _ in range(30):
        cosine = np.einsum("cn,cnf->nf", mode, axis)
        away = np.arccos(np.minimum(np.abs(cosine), 1.0))
        weight = far * np.exp(-0.5 * (away / np.deg2rad(5.0)) ** 2) + 1e-12
        mode = np.einsum("cnf,nf->cn", axis, weight * np.sign(cosine))
        mode = mode / np.linalg.norm(mode, axis=0)
    return mode


def speed_weighted_axis(rotations: Shots, parents: Shots) -> Array:
    """Ancillao et al. 2022: instantaneous axes, each weighed by the angular speed."""
    del parents
    total = np.zeros((rotations[0].shape[1], 3, 3))
    for each in rotations:
        velocity = angular_velocity(each)
        speed = np.maximum(np.linalg.norm(velocity, axis=0), 1e-12)
        total += np.einsum("cnf,dnf,nf->ncd", velocity, velocity, 1.0 / speed)
    return _eigenvector(total, largest=True)


def gyroscopes(rotations: Shots, parents: Shots) -> Array:
    """Seel et al. 2012: least squares of ``|g₁ × j₁| − |g₂ × j₂|`` over both unit axes, by Gauss-Newton."""
    return _sensor_axis(rotations, parents, gravity=0.0)


def gyroscopes_and_gravity(rotations: Shots, parents: Shots) -> Array:
    """Olsson et al. 2020: the same with ``a₁·j₁ − a₂·j₂`` for the direction of gravity beside it.

    The quarter of the samples with the fastest relative rotation is kept. The accelerometers are taken to feel
    gravity alone.
    """
    return _sensor_axis(rotations, parents, gravity=1.0, keep=0.25)


def angle_components(rotations: Shots, parents: Shots) -> Array:
    """Principal components of the three joint angles (Baudet et al. 2014, Jensen et al. 2016).

    Angles in the order flexion, adduction, rotation (Z-X-Y in the usual joint axes, here X-Z-Y); the first
    component, read as a direction, is the axis.
    """
    del parents
    total = np.zeros((rotations[0].shape[1], 3, 3))
    for each in rotations:
        angles = continuous_angles(angles_from_quaternion(each, "XZY"))[[0, 2, 1]]
        angles = angles - np.mean(angles, axis=-1, keepdims=True)
        total += np.einsum("cnf,dnf->ncd", angles, angles)
    return _eigenvector(total, largest=True)


def least_adduction(rotations: Shots, parents: Shots) -> Array:
    """Baker et al. 1999: the turn about the limb with the least variance of the adduction angle.

    Searched on a grid of 1° over ±45° and refined by a parabola through the best three. Each shot's own mean
    is taken off.
    """
    del parents
    grid = np.deg2rad(np.arange(-46.0, 47.0))
    cost = np.zeros((len(grid), rotations[0].shape[1]))
    for each in rotations:
        for place, turn in enumerate(grid):
            axes = quaternion_from_rotation_vector(LIMB * turn)[:, None, None]
            seen = multiply(multiply(conjugate(axes), each), axes)
            cost[place] += each.shape[2] * np.var(angles_from_quaternion(seen, "XZY")[1], axis=-1)
    best = np.clip(np.argmin(cost, axis=0), 1, len(grid) - 2)
    trials = np.arange(cost.shape[1])
    low, mid, high = (cost[best + step, trials] for step in (-1, 0, 1))
    bow = low - 2.0 * mid + high
    shift = np.where(bow > 0.0, 0.5 * (low - high) / np.where(bow > 0.0, bow, 1.0), 0.0)
    turn = grid[best] + np.clip(shift, -1.0, 1.0) * np.deg2rad(1.0)
    return np.stack((np.cos(turn), np.zeros_like(turn), np.sin(turn)))


METHODS: dict[str, Method] = {
    "axis of least squares (2a, 2g)": least_squares_axis,
    "speed-weighted axes (2d)": speed_weighted_axis,
    "circles of markers (2e)": marker_circles,
    "displacements of markers (2f)": marker_displacements,
    "mode of helical axes (2h)": mode_of_helical_axes,
    "mean helical axis (2m)": mean_helical_axis,
    "two gyroscopes (2i)": gyroscopes,
    "gyroscopes and gravity (2l)": gyroscopes_and_gravity,
    "components of joint angles (2n, 2p)": angle_components,
    "least adduction (2o)": least_adduction,
    "rotation vectors, plain": rotation_vectors,
}
"""By name and by row of the list of published values."""


def _eigenvector(matrix: Array, *, largest: bool) -> Array:
    """Return an eigenvector (3, N) of symmetric matrices (N, 3, 3)."""
    columns = np.linalg.eigh(matrix)[1]
    return np.ascontiguousarray(columns[:, :, 2 if largest else 0].T)


def _steps(rotation: Array, lag: int) -> Array:
    """Return the rotation vectors (3, N, F − lag) between poses some keys apart; both poses see the same."""
    step = multiply(conjugate(rotation[..., :-lag]), rotation[..., lag:])
    return rotation_vector_from_quaternion(step)


def _seen_by_child(rotations: Shots, axis: Array) -> Array:
    """Return axes (3, N) of the parent as the child sees them, on the average over all keys."""
    seen = sum(np.sum(rotate(conjugate(each), axis[..., None]), axis=-1) for each in rotations)
    total = np.asarray(seen)
    return np.asarray(total / np.linalg.norm(total, axis=0))


def _sensor_axis(rotations: Shots, parents: Shots, *, gravity: float, keep: float = 1.0) -> Array:
    """Return the child's axis (3, N) that fits what sensors on both segments feel."""
    pieces: list[list[Array]] = [[], [], [], [], []]
    for rotation, parent in zip(rotations, parents, strict=True):
        child = multiply(parent, rotation)
        inner = slice(1, -1)
        down = np.zeros_like(parent[:3, :, inner])
        down[1] = -1.0
        pieces[0].append(angular_velocity(parent))
        pieces[1].append(angular_velocity(child))
        pieces[2].append(rotate(conjugate(parent[..., inner]), down))
        pieces[3].append(rotate(conjugate(child[..., inner]), down))
        pieces[4].append(np.linalg.norm(angular_velocity(rotation), axis=0))
    first, second, pull_first, pull_second, speed = (np.concatenate(each, -1) for each in pieces)
    weight = np.ones_like(speed)
    if keep < 1.0:
        weight = (speed >= np.quantile(speed, 1.0 - keep, axis=1, keepdims=True)).astype(float)
    best, least = None, None
    for start in ([1.0, 0.0, 0.0], [0.7, 0.0, 0.7], [0.7, 0.0, -0.7]):
        for sign in (1.0, -1.0) if gravity else (1.0,):
            pair = np.tile(np.array(start)[:, None], (2, 1, speed.shape[0]))
            pair[1] *= sign
            axes, cost = _gauss_newton(
                pair, (first, second), (pull_first, pull_second), weight, gravity
            )
            if best is None or least is None:
                best, least = axes, cost
            else:
                best, least = np.where(cost < least, axes, best), np.minimum(cost, least)
    assert best is not None
    return np.ascontiguousarray(best[1])


def _gauss_newton(
    pair: Array,
    velocities: tuple[Array, Array],
    pulls: tuple[Array, Array],
    weight: Array,
    gravity: float,
) -> tuple[Array, Array]:
    """Return both axes (2, 3, N) and the cost (N,) after fifteen damped steps, tangent to the unit sphere."""

    def residuals(pair: Array) -> tuple[Array, Array]:
        sides = [
            np.linalg.norm(np.cross(v, j[..., None], axis=0), axis=0)
            for v, j in zip(velocities, pair, strict=True)
        ]
        across = sides[0] - sides[1]
        along = [np.einsum("cnf,cn->nf", pull, j) for pull, j in zip(pulls, pair, strict=True)]
        return across, gravity * (along[0] - along[1])

    pair = pair / np.linalg.norm(pair, axis=1, keepdims=True)
    cost = np.sum(weight * sum(each**2 for each in residuals(pair)), axis=1)
    damping = np.full(weight.shape[0], 1e-3)
    for _ in range(15):
        columns = []
        basis = []
        for side in range(2):
            j = pair[side]
            least = np.eye(3)[np.argmin(np.abs(j), axis=0)].T
            one = np.cross(j, least, axis=0)
            one = one / np.linalg.norm(one, axis=0)
            basis.append((one, np.cross(j, one, axis=0)))
            spin = velocities[side]
            along = np.einsum("cnf,cn->nf", spin, j)
            size = np.maximum(np.linalg.norm(np.cross(spin, j[..., None], axis=0), axis=0), 1e-9)
            sign = 1.0 if side == 0 else -1.0
            for tangent in basis[side]:
                turn = -sign * along * np.einsum("cnf,cn->nf", spin, tangent) / size
                tip = sign * gravity * np.einsum("cnf,cn->nf", pulls[side], tangent)
                columns.append(np.concatenate((turn, tip), axis=-1))
        jacobian = np.stack(columns)  # (4, N, 2F)
        both = np.concatenate((weight, weight), axis=-1)
        value = np.concatenate(residuals(pair), axis=-1)
        normal = np.einsum("anf,bnf,nf->nab", jacobian, jacobian, both)
        slope = np.einsum("anf,nf,nf->na", jacobian, value, both)
        scale = np.trace(normal, axis1=1, axis2=2) + 1e-12
        normal += (damping * scale)[:, None, None] * np.eye(4)
        step = -np.linalg.solve(normal, slope[..., None])[..., 0].T
        tried = np.stack(
            [
                pair[side] + basis[side][0] * step[2 * side] + basis[side][1] * step[2 * side + 1]
                for side in range(2)
            ]
        )
        tried = tried / np.linalg.norm(tried, axis=1, keepdims=True)
        after = np.sum(weight * sum(each**2 for each in residuals(tried)), axis=1)
        better = after < cost
        pair = np.where(better, tried, pair)
        cost = np.where(better, after, cost)
        damping = np.where(better, 0.3 * damping, 10.0 * damping)
    return pair, cost
