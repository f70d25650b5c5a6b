// The page's copy of the shot, taken out of the bytes that audit/report/live/packing.py made.

/** The bytes of an element that holds base64 text, inflated. */
async function bytesOf(id) {
  const text = atob(document.getElementById(id).textContent.trim());
  const packed = new Uint8Array(text.length);
  for (let n = 0; n < text.length; n += 1) packed[n] = text.charCodeAt(n);
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/** Rows of whole numbers: planes of bytes, the sign in the lowest bit, differences summed up again. */
function unpackedRows(bytes, { at, n, order, planes }) {
  let start = at;
  return planes.map((count) => {
    const row = new Float64Array(n);
    let value = 0, step = 0;
    for (let k = 0; k < n; k += 1) {
      let folded = 0;
      for (let plane = count - 1; plane >= 0; plane -= 1) folded = folded * 256 + bytes[start + plane * n + k];
      const change = folded % 2 ? -(folded + 1) / 2 : folded / 2;
      if (order === 2) {
        step += change;
        value += step;
      } else {
        value += change;
      }
      row[k] = value;
    }
    start += count * n;
    return row;
  });
}

/** The rotations of a joint at its keys: four arrays, unit length. */
function unpackedRotations(bytes, block) {
  const scale = 2 ** -block.bits;
  const rows = unpackedRows(bytes, block);
  const [mx, my, mz, mw] = block.mean;
  const result = [0, 1, 2, 3].map(() => new Float64Array(block.n));
  for (let k = 0; k < block.n; k += 1) {
    let x = rows[0][k] * scale, y = rows[1][k] * scale, z = rows[2][k] * scale;
    let w = rows.length > 3 ? rows[3][k] * scale : Math.sqrt(Math.max(1 - (x * x + y * y + z * z), 0));
    const size = Math.sqrt(x * x + y * y + z * z + w * w);
    x /= size; y /= size; z /= size; w /= size;
    result[0][k] = mw * x + mx * w + my * z - mz * y;
    result[1][k] = mw * y - mx * z + my * w + mz * x;
    result[2][k] = mw * z + mx * y - my * x + mz * w;
    result[3][k] = mw * w - mx * x - my * y - mz * z;
  }
  return result;
}

function unpackedNumbers(bytes, block) {
  return unpackedRows(bytes, block).map((row) => row.map((value) => value * block.step));
}

/** Key times in seconds from the first frame. */
function unpackedTimes(bytes, clock) {
  if (clock.at === undefined) return Float64Array.from({ length: clock.n }, (_, k) => k * clock.step);
  return new Float64Array(bytes.slice(clock.at, clock.at + 8 * clock.n).buffer);
}

/** The copy of the shot: what is asked for is unpacked when it is asked for first. */
class Copy {
  constructor(facts, rotations, others) {
    this.facts = facts;
    this.rotationBytes = rotations;
    this.otherBytes = others;
    this.clocks = facts.clocks.map((clock) => unpackedTimes(others, clock));
    this.kept = new Map();
    this.drawn = new Map();
  }

  /** Times and rotations of a joint's keys, as the measures are taken on them. */
  keys(place, clock) {
    if (!this.kept.has(place)) {
      const block = this.facts.skeleton.rotations[place];
      const rotations = unpackedRotations(this.rotationBytes, block);
      let times = this.clocks[clock];
      if (block.kept) {
        const [places] = unpackedRows(this.rotationBytes, block.kept);
        times = places.map((each) => times[each]);
      }
      this.kept.set(place, { times, rotations });
    }
    return this.kept.get(place);
  }

  /** The rotation of any joint at a frame, for the figure. */
  at(place, frame) {
    const { skeleton } = this.facts;
    if (!this.drawn.has(place)) {
      const own = skeleton.drawn[place];
      const block = own || skeleton.rotations[place];
      const bytes = own ? this.otherBytes : this.rotationBytes;
      const kept = block.kept ? unpackedRows(bytes, block.kept)[0] : null;
      const steady = this.kept.get(place);
      const rotations = steady && !own ? steady.rotations : unpackedRotations(bytes, block).map((row) => Float32Array.from(row));
      this.drawn.set(place, { kept, rotations });
    }
    const { kept, rotations } = this.drawn.get(place);
    const last = rotations[0].length - 1;
    if (!kept) return rotations.map((row) => row[Math.min(frame, last)]);
    let low = 0, high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (kept[middle] <= frame) low = middle; else high = middle;
    }
    const share = high > low ? Math.min(Math.max((frame - kept[low]) / (kept[high] - kept[low]), 0), 1) : 0;
    const start = rotations.map((row) => row[low]), end = rotations.map((row) => row[high]);
    const sign = start.reduce((sum, each, n) => sum + each * end[n], 0) < 0 ? -1 : 1;
    return unit(start.map((each, n) => each + share * (sign * end[n] - each)));
  }

  /** Where a joint is in its parent's axes at every frame, null where it stays at its offset. */
  moved(place) {
    this.positions ??= new Map();
    if (!this.positions.has(place)) {
      const block = this.facts.skeleton.moved[place];
      const offset = this.facts.skeleton.offsets[place];
      const away = block && unpackedNumbers(this.otherBytes, block);
      this.positions.set(place, away ? away.map((row, axis) => row.map((value) => value + offset[axis])) : null);
    }
    return this.positions.get(place);
  }

  /** The scale of a joint at every frame, null where it keeps that of the rest pose. */
  scaled(place) {
    const block = this.facts.skeleton.scaled && this.facts.skeleton.scaled[place];
    if (!block) return null;
    this.scales ??= new Map();
    if (!this.scales.has(place)) this.scales.set(place, unpackedNumbers(this.otherBytes, block));
    return this.scales.get(place);
  }
}
