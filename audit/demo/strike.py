"""The strike: Wrackle coils, stabs at something shiny, grabs it, and rears up with a kick; five seconds."""

from __future__ import annotations

import numpy as np

from audit.demo.motion import Motion, eased, ground_direction, leg_turns, turned, turns, wave
from audit.demo.rig import DEEPEST_FOLD, NECK_CANT
from audit.model.skeleton import Array
from audit.rotations import multiply

FRAMES = 150
HEADING = 24.0

BACK_BEND = 4.0
"""Degrees by which the right knee passes straight at the height of the kick."""

WAG = 22.0
"""Degrees by which the last joint of the right hand's third finger wags to either side: a joint that is
named like a hinge and is none in this shot."""

KICK = 99
"""The frame at which the knee does."""


def strike() -> Motion:
    """Return the strike on the clean rig."""
    frame = np.arange(FRAMES, dtype=float)
    forward = eased(frame, [(6, 0), (50, -24), (54, -24), (66, 34), (80, 30), (97, -16), (140, 0)])
    height = eased(
        frame, [(6, 204), (50, 146), (54, 146), (66, 170), (80, 160), (97, 208), (140, 204)]
    )
    heading = np.deg2rad(HEADING)
    root = np.stack([forward * np.sin(heading), height, forward * np.cos(heading)])
    pelvis = turns(
        FRAMES,
        x=eased(frame, [(6, 5), (50, 16), (54, 16), (66, 26), (80, 22), (97, -12), (140, 5)]),
        y=HEADING + 7.0 * wave(FRAMES, 3, 20.0),
        z=eased(frame, [(40, 0), (60, -8), (80, 5), (97, 11), (140, 0)]),
    )
    posed = multiply(
        multiply(turned(pelvis[1], "Y"), turned(pelvis[0], "X")), turned(pelvis[2], "Z")
    )
    curves = {"Pelvis": pelvis}
    for side in ("L", "R"):
        curves |= _leg(side, frame, posed, root)
        curves |= _arm(side, frame)
    return Motion(_with_kick(curves, frame) | _spine_and_head(frame) | _tail(frame), root)


def _leg(side: str, frame: Array, pelvis: Array, root: Array) -> dict[str, Array]:
    """Return one leg on its footprint; the right foot stands a little ahead and is lifted for the kick."""
    heading = np.deg2rad(HEADING)
    sideways, ahead, lift = (19.0, 12.0, 0.0) if side == "L" else (-19.0, 30.0, 38.0)
    toe_hinge = np.stack(
        [
            np.full(FRAMES, sideways * np.cos(heading) + ahead * np.sin(heading)),
            3.0 + lift * eased(frame, [(70, 0.0), (86, 1.0), (116, 1.0), (130, 0.0)]),
            np.full(FRAMES, -sideways * np.sin(heading) + ahead * np.cos(heading)),
        ]
    )
    pitch = eased(frame, [(6, 32), (50, 6), (54, 6), (66, 22), (80, 14), (97, 40), (140, 32)])
    lean = 8.0 * wave(FRAMES, 3, 40.0 if side == "L" else 100.0)
    direction = ground_direction(np.full(FRAMES, HEADING), pitch, lean)
    twist = 7.0 * wave(FRAMES, 2, 40.0 if side == "L" else 200.0)
    curves = leg_turns(side, pelvis, root, toe_hinge, direction, twist)
    return curves | {f"{side}_Toe": turns(FRAMES, x=pitch - 90.0)}


def _with_kick(curves: dict[str, Array], frame: Array) -> dict[str, Array]:
    """Return the curves with the right leg taken off the ground and kicked out straight."""
    # The hip lifts the folded leg first and lowers it last, so that the foot clears the ground.
    lifted = eased(frame, [(70, 0.0), (83, 1.0), (108, 1.0), (130, 0.0)])
    kicked = eased(frame, [(78, 0.0), (89, 1.0), (105, 1.0), (126, 0.0)])
    straight = [(86, 134), (KICK - 1, -BACK_BEND), (KICK + 1, -BACK_BEND), (113, 116)]
    poses = {
        "R_Hip": (lifted, turns(FRAMES, x=-76.0, y=4.0, z=-6.0)),
        "R_Knee": (kicked, turns(FRAMES, x=eased(frame, straight))),
        "R_Ankle": (kicked, turns(FRAMES, x=-24.0, z=5.0)),
        "R_Toe": (kicked, turns(FRAMES, x=-34.0)),
    }
    return curves | {
        name: (1.0 - share) * curves[name] + share * pose for name, (share, pose) in poses.items()
    }


def _arm(side: str, frame: Array) -> dict[str, Array]:
    """Return one arm: folded while coiling, thrown forward at the strike, closing on the find."""
    sign = 1.0 if side == "L" else -1.0
    late = frame - (0.0 if side == "L" else 3.0)
    curves = {
        f"{side}_Shoulder": turns(
            FRAMES,
            x=14.0 * wave(FRAMES, 2, 30.0),
            y=-sign
            * eased(
                late, [(6, 20), (50, -10), (56, -10), (68, 58), (82, 50), (100, 20), (140, 20)]
            ),
            z=-sign
            * eased(late, [(6, 58), (48, 34), (56, 34), (68, 66), (82, 60), (100, 30), (140, 58)]),
        ),
        f"{side}_Elbow": turns(
            FRAMES,
            y=-sign
            * eased(late, [(6, 42), (50, 112), (56, 112), (68, 16), (80, 30), (98, 96), (140, 42)]),
        ),
        f"{side}_Wrist": turns(
            FRAMES,
            y=sign * 11.0 * wave(FRAMES, 3, 70.0),
            z=sign
            * eased(late, [(6, 10), (50, 38), (58, 38), (68, -14), (82, 26), (104, -6), (140, 10)]),
        ),
    }
    for finger, joints in ((1, 2), (2, 3), (3, 2)):
        for joint in range(1, joints + 1):
            own = late - 2.0 * finger - joint
            closed = 62.0 + 6.0 * joint
            curl = eased(own, [(10, 30), (54, 8), (66, 8), (76, closed), (118, closed), (140, 30)])
            curves[f"{side}_Finger{finger}_{joint}"] = turns(FRAMES, z=-sign * curl)
    if side == "R":
        curves["R_Finger3_2"][1] = WAG * wave(FRAMES, 4, 50.0)
    return curves


def _spine_and_head(frame: Array) -> dict[str, Array]:
    """Return spine, neck, head and jaw: the neck folds, shoots out, and the jaw snaps shut."""
    fold = eased(
        frame,
        [(6, 72), (52, DEEPEST_FOLD), (57, DEEPEST_FOLD), (70, 20), (84, 34), (112, 84), (142, 72)],
    )
    lean = eased(
        frame, [(6, -26), (52, -34), (57, -34), (68, 44), (82, 36), (104, -30), (142, -26)]
    )
    gaze = eased(frame, [(6, 12), (52, 34), (84, 30), (104, -18), (142, 12)])
    return {
        "Spine1": turns(
            FRAMES,
            x=eased(frame, [(6, 4), (52, -4), (66, 12), (100, -6), (142, 4)]),
            y=4.0 * wave(FRAMES, 3, 60.0),
            z=3.5 * wave(FRAMES, 2, 10.0),
        ),
        "Chest": turns(
            FRAMES,
            x=eased(frame, [(6, -3), (52, -8), (68, 9), (100, -10), (142, -3)]),
            y=5.0 * wave(FRAMES, 3, 85.0),
            z=4.0 * wave(FRAMES, 2, 35.0),
        ),
        "Neck1": turns(
            FRAMES, x=lean, y=10.0 * wave(FRAMES, 3, 15.0), z=9.0 * wave(FRAMES, 2, 80.0)
        ),
        "Neck2": turns(FRAMES, x=fold, y=NECK_CANT),
        "Head": turns(
            FRAMES,
            x=gaze - fold - lean,
            y=18.0 * wave(FRAMES, 3, 130.0),
            z=14.0 * wave(FRAMES, 2, 45.0),
        ),
        "Jaw": turns(
            FRAMES,
            x=eased(frame, [(54, 2), (66, 38), (70, 38), (75, 3), (108, 3), (120, 16), (132, 2)]),
        ),
    }


def _tail(frame: Array) -> dict[str, Array]:
    """Return the tail: up for balance while the body dives, and a flick at the kick."""
    curves = {
        "Tail1": turns(
            FRAMES,
            x=eased(frame, [(8, 6), (54, -14), (70, 26), (100, -18), (142, 6)]),
            y=15.0 * wave(FRAMES, 3, 35.0),
            z=9.0 * wave(FRAMES, 2, 70.0),
        )
    }
    for number in (2, 3, 4):
        own = frame - 2.0 * number
        lift = eased(own, [(6, 14), (52, 6), (68, 34), (96, 5), (116, 24), (138, 14)])
        curves[f"Tail{number}"] = turns(FRAMES, x=lift)
    return curves
