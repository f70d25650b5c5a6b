// The whole shot at a glance: a row for each joint, filled where its motion leaves the one channel.

const ROW = 26;
const MOST_ROWS = 400;
const NEAR_LOCK_DEG = 30;

class Glance {
  constructor(copy, joints, go) {
    this.copy = copy;
    this.joints = joints;
    this.go = go;
    this.places = new Map(joints.map((joint, place) => [joint, place]));
    this.picture = new Picture("glance", (painter) => this.draw(painter));
    element("what").addEventListener("input", () => this.fill());
    element("hinges").checked = joints.some((joint) => joint.row.kind === "hinge");
    element("hinges").addEventListener("input", () => this.fill());
    this.picture.canvas.addEventListener("click", (event) => {
      const box = this.picture.canvas.getBoundingClientRect();
      const joint = this.rows[Math.floor((event.clientY - box.top) / ROW)];
      const share = clamp((event.clientX - box.left) / box.width, 0, 1);
      if (joint) this.go(joint, this.frameAt(share));
    });
    this.fill();
  }

  get shows() {
    return element("what").value;
  }

  frameAt(share) {
    const times = this.copy.clocks[0];
    const wanted = share * times[times.length - 1];
    let low = 0, high = times.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (times[middle] <= wanted) low = middle; else high = middle;
    }
    return wanted - times[low] > times[high] - wanted ? high : low;
  }

  /** A joint's row as shares of the full height. */
  values(joint) {
    const { columns, off, margin } = this.copy.facts.glance;
    const start = (this.shows === "off" ? off : margin) + columns * this.places.get(joint);
    const bytes = this.copy.otherBytes.subarray(start, start + columns);
    if (this.shows === "off") return Array.from(bytes, (each) => each / 255);
    return Array.from(bytes, (each) => clamp(1 - each / 2 / NEAR_LOCK_DEG, 0, 1));
  }

  fill() {
    const { fastest } = this.copy.facts.glance;
    const hinges = element("hinges").checked;
    const moving = this.joints.filter((joint) => joint.row.kind !== "still" && (!hinges || joint.row.kind === "hinge"));
    const worst = new Map(moving.map((joint) => [joint, Math.max(...this.values(joint))]));
    const total = new Map(moving.map((joint) => [joint, this.values(joint).reduce((sum, each) => sum + each, 0)]));
    this.rows = moving.sort((a, b) => total.get(b) - total.get(a) || a.place - b.place).slice(0, MOST_ROWS);
    const off = this.shows === "off";
    say(element("glance-note"), (off
      ? `A row for each joint, from the first frame to the last. Its height is how fast its other two curves move beside the one that moves most; a full row is ${Math.round(fastest)}° a second or more.`
      : `A row for each joint, from the first frame to the last. Its height is how near the middle channel comes to ±90°: an empty row stays more than ${NEAR_LOCK_DEG}° away, a full row stands at it.`)
      + " A joint’s name leads to its worst moment, a click in the picture to that one."
      + (moving.length > MOST_ROWS ? ` The first ${MOST_ROWS} of ${moving.length} joints are shown.` : ""));
    element("glance-names").replaceChildren(...this.rows.map((joint) => {
      const values = this.values(joint);
      const frame = this.frameAt((values.indexOf(worst.get(joint)) + 0.5) / values.length);
      const button = made("button", { type: "button" }, made("bdi", {}, joint.name));
      const said = off
        ? `${worst.get(joint) === 1 ? "over" : "at most"} ${Math.round(worst.get(joint) * fastest)}° a second off its channel, first near frame ${frame}`
        : worst.get(joint) > 0 ? `least margin ${Math.round(NEAR_LOCK_DEG * (1 - worst.get(joint)))}°, near frame ${frame}` : `margin over ${NEAR_LOCK_DEG}° throughout`;
      button.append(made("span", { class: "live-unseen" }, `: ${said}`));
      button.title = upperFirst(said);
      button.addEventListener("click", () => this.go(joint, frame));
      return made("li", {}, button);
    }));
    this.picture.canvas.style.height = `${Math.max(1, this.rows.length) * ROW}px`;
    this.picture.canvas.setAttribute("aria-label", `The whole shot at a glance: ${off ? "motion off the one channel" : "gimbal margin"} of ${plural(this.rows.length, "joint")}`);
    this.name();
    this.picture.paint();
  }

  mark(joint, frame) {
    [this.chosen, this.frame] = [joint, frame];
    this.name();
    this.picture.paint();
  }

  /** Mark the chosen joint's name as well, for those who do not see the picture. */
  name() {
    const buttons = element("glance-names").querySelectorAll("button");
    this.rows.forEach((joint, place) => {
      if (joint === this.chosen) buttons[place].setAttribute("aria-current", "true");
      else buttons[place].removeAttribute("aria-current");
    });
  }

  draw(painter) {
    const { colours, width } = painter;
    const times = this.copy.clocks[0];
    this.rows.forEach((joint, place) => {
      const bottom = (place + 1) * ROW - 3, tall = ROW - 7;
      const values = this.values(joint);
      const chosen = joint === this.chosen;
      if (chosen) painter.path([0, place * ROW, width, place * ROW, width, (place + 1) * ROW, 0, (place + 1) * ROW], { fill: colours.wash, closed: true });
      painter.path([0, bottom, width, bottom], { stroke: colours.rule });
      const points = [0, bottom];
      values.forEach((value, n) => {
        const high = bottom - (value > 0.004 ? Math.max(value * tall, 1) : 0);
        points.push((n / values.length) * width, high, ((n + 1) / values.length) * width, high);
      });
      points.push(width, bottom);
      painter.path(points, { fill: this.shows === "off" ? colours.second : colours.ink, closed: true, alpha: 0.9 });
    });
    if (this.frame !== undefined) {
      const x = (times[this.frame] / (times[times.length - 1] || 1)) * width;
      painter.path([x, 0, x, this.rows.length * ROW], { stroke: colours.ink, width: 1 });
    }
  }
}
