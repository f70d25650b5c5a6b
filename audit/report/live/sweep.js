// Channel spread against the turn about the limb: worked out in slices, coarse first, finer about the least.

const SWEEP_END = 90;
const FLAT = 0.003;

class Sweep {
  constructor(changed) {
    this.changed = changed;
    this.known = new Map();
    this.points = [];
    this.least = null;
    this.stop = () => {};
  }

  clear() {
    this.stop();
    this.points = [];
    this.least = null;
  }

  /** Begin with a joint, an order and an aim; `cost` gives what a turn in degrees costs. */
  begin(key, cost) {
    this.stop();
    if (this.known.has(key)) {
      ({ points: this.points, least: this.least } = this.known.get(key));
      return;
    }
    const points = this.points = [];
    this.least = null;
    const wanted = [];
    for (const step of [15, 5, 2.5]) {
      for (let turn = -SWEEP_END; turn <= SWEEP_END; turn += step) if (!wanted.includes(turn)) wanted.push(turn);
    }
    let reach = 2.5;
    this.stop = inSlices(() => {
      if (!wanted.length) {
        if (reach < 0.02 || !points.length) return false;
        // Finer about the least, until its place is known to a hundredth of a degree.
        const { turn } = this.lowest(points);
        reach /= 5;
        for (let n = -5; n <= 5; n += 1) if (n) wanted.push(turn + n * reach);
        return true;
      }
      const turn = wanted.shift();
      const spread = Math.abs(turn) <= SWEEP_END ? cost(turn).channelSpread : null;
      if (spread !== null) {
        const place = points.findIndex((each) => each.turn > turn);
        points.splice(place < 0 ? points.length : place, 0, { turn, spread });
      }
      return true;
    }, () => {
      this.least = points.length ? this.bottom(points) : null;
      this.known.set(key, { points, least: this.least });
      this.changed();
    });
  }

  /** Where the spread is least: the middle of the bottom, which is flat where the tolerance of keys swallows what is left. */
  bottom(points) {
    const { spread } = this.lowest(points);
    let low = points.findIndex((each) => each.spread === spread), high = low;
    while (low > 0 && points[low - 1].spread < spread + FLAT) low -= 1;
    while (high < points.length - 1 && points[high + 1].spread < spread + FLAT) high += 1;
    const width = points[high].turn - points[low].turn;
    return { spread, turn: (points[low].turn + points[high].turn) / 2, digits: width > 0.2 ? 0 : 1 };
  }

  lowest(points) {
    return points.reduce((best, each) => (each.spread < best.spread ? each : best));
  }

  /** Draw the curve with where it is least, the suggestion with its interval, and where the dial stands. */
  draw(painter, { twist, spread, suggested, interval }) {
    const { colours, width, height } = painter;
    const [left, right, top, bottom] = [34, width - 14, 40, height - 36];
    const across = (turn) => left + ((turn + SWEEP_END) / (2 * SWEEP_END)) * (right - left);
    const up = (value) => bottom - ((value - 1) / 2) * (bottom - top);
    for (const value of [1, 2, 3]) {
      painter.path([left, up(value), right, up(value)], { stroke: value === 1 ? colours.axis : colours.grid });
      painter.text(left - 8, up(value) + 4, String(value), { fill: colours.soft, align: "right" });
    }
    for (const turn of [-90, -45, 0, 45, 90]) {
      painter.path([across(turn), bottom, across(turn), bottom + 5], { stroke: colours.axis });
      painter.text(across(turn), bottom + 18, degreesText(turn, 0), { fill: colours.soft, align: turn === 90 ? "right" : "center" });
    }
    painter.text((left + right) / 2, bottom + 33, "turn about the limb", { fill: colours.soft, align: "center" });
    if (suggested !== null) {
      if (interval) {
        const [low, high] = interval.map((turn) => across(clamp(turn, -SWEEP_END, SWEEP_END)));
        const middle = (low + high) / 2, half = Math.max(high - low, 3) / 2;
        painter.path([middle - half, top, middle + half, top, middle + half, bottom, middle - half, bottom],
          { fill: colours.first, alpha: 0.25, closed: true });
      }
      const x = across(clamp(suggested, -SWEEP_END, SWEEP_END));
      painter.path([x, top, x, bottom], { stroke: colours.first, width: 1.5, dash: [5, 3] });
      painter.path([x - 5, top - 9, x + 5, top - 9, x, top - 1], { fill: colours.first, closed: true });
      painter.text(clamp(x, 62, width - 70), 12, `suggestion ${signedText(suggested)}`, { align: "center" });
    }
    const line = this.points.flatMap((each) => [across(each.turn), up(each.spread)]);
    if (line.length > 2) painter.path(line, { stroke: colours.ink, width: 1.8 });
    if (this.least) {
      painter.circle(across(this.least.turn), up(this.least.spread), 5, { stroke: colours.ink, width: 1.6, fill: colours.card });
      const text = `least ${this.least.spread.toFixed(2)} ${this.least.digits ? "at" : "around"} ${signedText(this.least.turn, this.least.digits)}`;
      painter.text(clamp(across(this.least.turn), left + 72, right - 66), up(this.least.spread) + (this.least.spread > 2.3 ? 22 : -12), text, { align: "center", halo: colours.card });
    } else if (this.points.length) {
      painter.text(right, top - 4, "working …", { fill: colours.soft, align: "right" });
    }
    if (spread !== null) {
      const x = across(clamp(twist, -SWEEP_END, SWEEP_END));
      painter.path([x, top, x, bottom], { stroke: colours.second, width: 1.2 });
      painter.circle(x, up(spread), 4.5, { fill: colours.second });
    }
  }
}
