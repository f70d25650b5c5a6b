// Rotations, channels and what they cost: the same steps as audit/rotations and audit/measures take in Python.
// Quaternions are x y z w. Rotations over time are four arrays, one a component. Angles are radians inside.

const RADIANS = Math.PI / 180;
const DEGREES = 180 / Math.PI;
const TURN = 2 * Math.PI;
const LOCK_SINE = 1e-7;
const AXES = "XYZ";
const ORDERS = ["XYZ", "XZY", "YXZ", "YZX", "ZXY", "ZYX"];

function multiply(a, b) {
  return [
    a[3] * b[0] + a[0] * b[3] + a[1] * b[2] - a[2] * b[1],
    a[3] * b[1] - a[0] * b[2] + a[1] * b[3] + a[2] * b[0],
    a[3] * b[2] + a[0] * b[1] - a[1] * b[0] + a[2] * b[3],
    a[3] * b[3] - a[0] * b[0] - a[1] * b[1] - a[2] * b[2],
  ];
}

function conjugate(q) {
  return [-q[0], -q[1], -q[2], q[3]];
}

function cross(a, b) {
  return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
}

function dot(a, b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

function unit(a) {
  const size = Math.hypot(...a) || 1;
  return a.map((each) => each / size);
}

/** A vector turned by a unit quaternion. */
function rotate(q, v) {
  const once = cross(q, v).map((each) => 2 * each);
  const twice = cross(q, once);
  return [0, 1, 2].map((place) => v[place] + q[3] * once[place] + twice[place]);
}

/** The turn about a unit vector by an angle in radians, right-handed. */
function turnAbout(axis, angle) {
  const sine = Math.sin(angle / 2);
  return [axis[0] * sine, axis[1] * sine, axis[2] * sine, Math.cos(angle / 2)];
}

/** New axes of a joint: an aim first, where there is one, then a turn about the limb in degrees. */
function newAxes(limb, twistDeg, aim) {
  const twist = turnAbout(limb, twistDeg * RADIANS);
  return aim ? multiply(twist, aim) : twist;
}

/** Rotations seen from new axes, inv(A) Q A: their vector parts turned by inv(A), their scalar parts as they were. */
function seenFrom(axes, rotations) {
  const [x, y, z, w] = conjugate(axes);
  const xx = 1 - 2 * (y * y + z * z), xy = 2 * (x * y - w * z), xz = 2 * (x * z + w * y);
  const yx = 2 * (x * y + w * z), yy = 1 - 2 * (x * x + z * z), yz = 2 * (y * z - w * x);
  const zx = 2 * (x * z - w * y), zy = 2 * (y * z + w * x), zz = 1 - 2 * (x * x + y * y);
  const count = rotations[3].length;
  const [a, b, c] = rotations;
  const result = [new Float64Array(count), new Float64Array(count), new Float64Array(count), rotations[3]];
  for (let k = 0; k < count; k += 1) {
    result[0][k] = xx * a[k] + xy * b[k] + xz * c[k];
    result[1][k] = yx * a[k] + yy * b[k] + yz * c[k];
    result[2][k] = zx * a[k] + zy * b[k] + zz * c[k];
  }
  return result;
}

function axisPlaces(order) {
  return [...order].map((letter) => AXES.indexOf(letter));
}

/** +1 for XYZ, YZX and ZXY, -1 for the three orders that run the other way round. */
function handedness(places) {
  return (places[1] - places[0] + 3) % 3 === 1 ? 1 : -1;
}

/** A number rounded to the nearest whole one, halves to the even one, as numpy does. */
function evenRound(value) {
  const rounded = Math.round(value);
  return rounded - value === 0.5 && rounded % 2 !== 0 ? rounded - 1 : rounded;
}

function turnedDistance(step) {
  return Math.abs(step - TURN * evenRound(step / TURN));
}

/**
 * Outer, middle and inner channel of rotations in an order, in radians, the middle one within a right angle.
 * Bernardes and Viollet 2022: half sum and half difference of the outer two, each from one arctangent. Where the
 * middle one stands at a right angle the inner one keeps its last defined value.
 */
function plainAngles(rotations, order) {
  const places = axisPlaces(order);
  const sign = handedness(places);
  const [i, j, k] = places.map((place) => rotations[place]);
  const w = rotations[3];
  const count = w.length;
  const outer = new Float64Array(count), middle = new Float64Array(count), inner = new Float64Array(count);
  let held = 0;
  for (let n = 0; n < count; n += 1) {
    const tilted = j[n] * sign;
    const plusX = w[n] + tilted, plusY = i[n] + k[n];
    const minusX = w[n] - tilted, minusY = i[n] - k[n];
    const halfSum = Math.atan2(plusY, plusX);
    const halfDifference = Math.atan2(minusY, minusX);
    const plus = Math.sqrt(plusX * plusX + plusY * plusY);
    const minus = Math.sqrt(minusX * minusX + minusY * minusY);
    middle[n] = sign * (2 * Math.atan2(plus, minus) - Math.PI / 2);
    if (minus < LOCK_SINE) {
      inner[n] = held;
      outer[n] = 2 * halfSum - held;
    } else if (plus < LOCK_SINE) {
      inner[n] = held;
      outer[n] = 2 * halfDifference + held;
    } else {
      outer[n] = halfSum + halfDifference;
      inner[n] = held = halfSum - halfDifference;
    }
  }
  return [outer, middle, inner];
}

/** The same rotations as curves that leap as little as possible; changes the arrays it is given. */
function continuous([outer, middle, inner]) {
  const count = outer.length;
  let swapped = false;
  let [o, m, i] = count ? [outer[0], middle[0], inner[0]] : [];
  let turnsO = 0, turnsM = 0, turnsI = 0;
  let lastO = o, lastM = m, lastI = i;
  for (let n = 1; n < count; n += 1) {
    const stepO = outer[n] - o, stepM = middle[n] - m, stepI = inner[n] - i;
    if (Math.abs(stepO) + Math.abs(stepM) + Math.abs(stepI) >= Math.PI) {
      const other = turnedDistance(stepO + Math.PI) + turnedDistance(Math.PI - middle[n] - m)
        + turnedDistance(stepI + Math.PI);
      if (other < turnedDistance(stepO) + turnedDistance(stepM) + turnedDistance(stepI)) swapped = !swapped;
    }
    [o, m, i] = [outer[n], middle[n], inner[n]];
    const curveO = swapped ? o + Math.PI : o;
    const curveM = swapped ? Math.PI - m : m;
    const curveI = swapped ? i + Math.PI : i;
    turnsO += evenRound((curveO - lastO) / TURN);
    turnsM += evenRound((curveM - lastM) / TURN);
    turnsI += evenRound((curveI - lastI) / TURN);
    [lastO, lastM, lastI] = [curveO, curveM, curveI];
    outer[n] = curveO - TURN * turnsO;
    middle[n] = curveM - TURN * turnsM;
    inner[n] = curveI - TURN * turnsI;
  }
  return [outer, middle, inner];
}

/** The X, Y and Z channel of rotations as continuous curves in degrees. */
function channelCurves(rotations, order) {
  const curves = continuous(plainAngles(rotations, order));
  const sorted = [];
  axisPlaces(order).forEach((place, rank) => {
    sorted[place] = curves[rank].map((value) => value * DEGREES);
  });
  return sorted;
}

/**
 * Curves moved, without a change of shape, to the equivalent whose first key is nearest to given values: a file may
 * hold a whole turn more, or the other of the two solutions.
 */
function startedAt(curves, order, first) {
  const places = axisPlaces(order);
  const turned = (values) => values.map((value, place) => 360 * evenRound((first[place] - value) / 360));
  const distance = (values) => {
    const turns = turned(values);
    return values.reduce((sum, value, place) => sum + Math.abs(value + turns[place] - first[place]), 0);
  };
  const plain = curves.map((curve) => curve[0]);
  const other = plain.map((value, place) => (place === places[1] ? 180 - value : value + 180));
  const swap = distance(other) < distance(plain) - 1e-9;
  const turns = turned(swap ? other : plain);
  if (!swap && turns.every((turn) => turn === 0)) return curves;
  return curves.map((curve, place) => curve.map((value) => {
    const same = swap ? (place === places[1] ? 180 - value : value + 180) : value;
    return same + turns[place];
  }));
}

/** Share of the tolerance that no distance is told apart by, as in audit/measures/keys.py. */
const ROUNDING = 1e-9;

/**
 * Mark the keys that straight lines need to stay within a tolerance of a curve (Ramer 1972; Douglas and Peucker
 * 1973), with the distance taken in value alone. Each stretch carries how far its points are from its line; a split
 * moves the line by a ramp. Of points that are equally far the first becomes the key.
 */
function straightLineKeys(curve, times, tolerance) {
  const count = curve.length;
  const kept = new Uint8Array(count);
  const margin = ROUNDING * tolerance, limit = tolerance + margin;
  kept[0] = 1;
  let turns = false;
  for (let n = 1; n < count && !turns; n += 1) turns = Math.abs(curve[n] - curve[0]) > limit;
  if (!turns) return kept;
  kept[count - 1] = 1;
  const distance = new Float64Array(count);
  const span = times[count - 1] - times[0];
  for (let n = 1; n < count - 1; n += 1) {
    distance[n] = curve[n] - (curve[0] + (curve[count - 1] - curve[0]) * ((times[n] - times[0]) / span));
  }
  const open = [[1, count - 1, times[0], times[count - 1]]];
  while (open.length) {
    const [start, end, begin, finish] = open.pop();
    let peak = 0;
    for (let n = start; n < end; n += 1) {
      const size = Math.abs(distance[n]);
      if (size > peak) peak = size;
    }
    if (peak <= limit) continue;
    let split = start;
    while (Math.abs(distance[split]) < peak - margin) split += 1;
    kept[split] = 1;
    const height = distance[split], middle = times[split];
    const rise = height / (middle - begin), fall = -height / (finish - middle);
    for (let n = start; n < split; n += 1) distance[n] -= rise * (times[n] - begin);
    distance[split] = 0;
    for (let n = split + 1; n < end; n += 1) distance[n] -= fall * (times[n] - finish);
    if (split > start) open.push([start, split, begin, middle]);
    if (end > split + 1) open.push([split + 1, end, middle, finish]);
  }
  return kept;
}

/** Effective number of channels of three travels, null where nothing travels. */
function effectiveChannels(travels) {
  const total = travels.reduce((sum, each) => sum + each, 0);
  const squares = travels.reduce((sum, each) => sum + each * each, 0);
  return squares > 0 ? (total * total) / squares : null;
}

/** What three curves in degrees cost: the figures of the results. */
function costOf(curves, times, toleranceDeg, movingDeg) {
  const ranges = [], travels = [], keys = [];
  for (const curve of curves) {
    let low = Infinity, high = -Infinity;
    for (let n = 0; n < curve.length; n += 1) {
      if (curve[n] < low) low = curve[n];
      if (curve[n] > high) high = curve[n];
    }
    const kept = straightLineKeys(curve, times, toleranceDeg);
    let travel = 0, count = 0, last = 0;
    for (let n = 0; n < curve.length; n += 1) {
      if (!kept[n]) continue;
      if (count) travel += Math.abs(curve[n] - last);
      last = curve[n];
      count += 1;
    }
    ranges.push(high - low);
    travels.push(travel);
    keys.push(count);
  }
  const moving = ranges.map((range) => range > movingDeg);
  const total = travels.reduce((sum, each) => sum + each, 0);
  return {
    ranges,
    travels,
    keys,
    movingChannels: moving.filter(Boolean).length,
    channelSpread: effectiveChannels(travels),
    leak: total > 0 ? 1 - Math.max(...travels) / total : null,
    editKeys: keys.reduce((sum, count, place) => sum + (moving[place] ? count : 0), 0),
  };
}
