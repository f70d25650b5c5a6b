// Where the joints are in the world at a frame, as audit/model/kinematics.py works it out.

function matrixOf([x, y, z, w]) {
  return [
    1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y),
    2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x),
    2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y),
  ];
}

function matrixTimes(a, b) {
  const result = new Array(9);
  for (let row = 0; row < 3; row += 1) {
    for (let column = 0; column < 3; column += 1) {
      result[3 * row + column] = a[3 * row] * b[column] + a[3 * row + 1] * b[3 + column] + a[3 * row + 2] * b[6 + column];
    }
  }
  return result;
}

function carried(matrix, v) {
  return [0, 3, 6].map((row) => matrix[row] * v[0] + matrix[row + 1] * v[1] + matrix[row + 2] * v[2]);
}

class Poses {
  constructor(copy) {
    this.copy = copy;
    this.skeleton = copy.facts.skeleton;
    this.count = this.skeleton.parents.length;
    this.turnedFromRest = copy.facts.reference === "rest";
  }

  /** World rotation, linear part and position of every joint; `local` gives a joint's rotation and position. */
  world(local) {
    const { parents, scales } = this.skeleton;
    const rotations = [], linear = [], positions = [];
    parents.forEach((parent, joint) => {
      const { rotation, position, scale } = local(joint);
      const own = matrixOf(rotation);
      const ownScale = scale || (scales && scales[joint]);
      const stretched = ownScale ? own.map((each, n) => each * ownScale[n % 3]) : own;
      if (parent < 0) {
        rotations[joint] = rotation;
        linear[joint] = stretched;
        positions[joint] = position;
        return;
      }
      rotations[joint] = multiply(rotations[parent], rotation);
      linear[joint] = matrixTimes(linear[parent], stretched);
      const moved = carried(linear[parent], position);
      positions[joint] = moved.map((each, n) => each + positions[parent][n]);
    });
    return { rotations, linear, positions, tips: this.tips(linear, positions) };
  }

  tips(linear, positions) {
    const { tipJoints, tipOffsets } = this.skeleton;
    return tipJoints.map((joint, n) => carried(linear[joint], tipOffsets[n]).map((each, k) => each + positions[joint][k]));
  }

  /** A joint's local rotation where it has turned from its rest pose by `turn`. */
  fromTurn(joint, turn) {
    return this.turnedFromRest ? multiply(this.skeleton.rest[joint], turn) : turn;
  }

  at(frame) {
    return this.world((joint) => {
      const moved = this.copy.moved(joint), scaled = this.copy.scaled(joint);
      return {
        rotation: this.fromTurn(joint, this.copy.at(joint, frame)),
        position: moved ? moved.map((row) => row[frame]) : this.skeleton.offsets[joint],
        scale: scaled ? scaled.map((row) => row[frame]) : null,
      };
    });
  }

  /** The rest pose with its root where the root is at a frame. */
  restAt(frame) {
    const { parents, offsets, rest } = this.skeleton;
    return this.world((joint) => {
      const moved = parents[joint] < 0 ? this.copy.moved(joint) : null;
      return { rotation: rest[joint], position: moved ? moved.map((row) => row[frame]) : offsets[joint] };
    });
  }

  /** Unpack all joints in slices, so that the first picture does not hold up the page. */
  prepare(done) {
    let joint = 0;
    inSlices(() => {
      if (joint < this.count) this.copy.at(joint, 0);
      joint += 1;
      return joint < this.count;
    }, done);
  }

  /** The world positions of the ends of a joint's limb: its children, or its tips. */
  limbEnds(world, joint) {
    const { parents, tipJoints } = this.skeleton;
    const children = parents.flatMap((parent, place) => (parent === joint ? [world.positions[place]] : []));
    const tips = tipJoints.flatMap((owner, place) => (owner === joint ? [world.tips[place]] : []));
    return [...children, ...tips];
  }
}
