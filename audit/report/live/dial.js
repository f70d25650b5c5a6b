// The dial: the joint seen along its limb. The hinge axis stands still, the joint's axes turn with the knob.

const SNAP_DEG = 0.7;

/** Directions that are drawn to the right and downwards, so that positive turns are seen clockwise. */
function dialScreen(limb, hinge, suggested, frame) {
  let best = Infinity, right = null;
  for (const axis of frame) {
    const along = dot(axis, limb);
    const flat = axis.map((each, place) => each - limb[place] * along);
    if (Math.hypot(...flat) < 0.5) continue;
    const direction = unit(flat);
    let miss = right ? Infinity : 1e9;
    if (hinge) {
      const angle = Math.atan2(dot(hinge, cross(limb, direction)), dot(hinge, direction)) * DEGREES;
      miss = Math.abs((((angle - suggested + 90) % 180) + 180) % 180 - 90);
    }
    if (miss < best - 1e-6) [best, right] = [miss, direction];
  }
  return { right, down: cross(limb, right) };
}

class Dial {
  constructor(picture, turned) {
    this.picture = picture;
    const { canvas } = picture;
    let held = false;
    const follow = (event) => {
      const box = canvas.getBoundingClientRect();
      const x = event.clientX - box.left - box.width / 2, y = event.clientY - box.top - box.height / 2;
      if (Math.hypot(x, y) < 6) return;
      let angle = Math.atan2(y, x) * DEGREES;
      // The knob has two ends, since a turn by a half puts each axis onto itself.
      if (angle > 90) angle -= 180;
      if (angle < -90) angle += 180;
      turned(angle);
    };
    canvas.addEventListener("pointerdown", (event) => {
      held = true;
      canvas.setPointerCapture(event.pointerId);
      follow(event);
      event.preventDefault();
    });
    canvas.addEventListener("pointermove", (event) => {
      if (held) follow(event);
    });
    for (const name of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(name, () => {
        held = false;
      });
    }
  }

  draw(painter, { row, twist, aim, suggested, interval }) {
    const { colours, width, height } = painter;
    const [x, y, radius] = [width / 2, height / 2, Math.min(height / 2 - 36, width / 2 - 64)];
    if (!row.limb_axis) {
      painter.text(x, y, "This joint has no limb to turn about.", { align: "center", fill: colours.soft });
      return;
    }
    const limb = unit(row.limb_axis);
    const frame = [[1, 0, 0], [0, 1, 0], [0, 0, 1]].map((axis) => (aim ? rotate(aim, axis) : axis));
    const { right, down } = dialScreen(limb, row.hinge_axis, suggested ?? 0, frame);
    const seen = (vector) => [dot(vector, right), dot(vector, down)];
    const at = (angle, far) => [x + far * Math.cos(angle * RADIANS), y + far * Math.sin(angle * RADIANS)];
    painter.circle(x, y, radius, { stroke: colours.axis, width: 1 });
    for (let angle = -90; angle <= 90; angle += 15) {
      const far = angle % 45 === 0 ? 9 : 5;
      painter.path([...at(angle, radius), ...at(angle, radius + far)], { stroke: colours.axis });
    }
    if (interval && suggested !== null) {
      const widen = Math.max(0, 0.5 * (1.2 - (interval[1] - interval[0])));
      const slice = [x, y];
      for (let n = 0; n <= 12; n += 1) {
        slice.push(...at(interval[0] - widen + (n / 12) * (interval[1] - interval[0] + 2 * widen), radius));
      }
      painter.path(slice, { fill: colours.first, alpha: 0.28, closed: true });
    }
    this.drawHinge(painter, row, seen, x, y, radius);
    frame.forEach((axis, place) => {
      const turned = rotate(turnAbout(limb, twist * RADIANS), axis);
      const [across, under] = seen(turned);
      const size = Math.hypot(across, under);
      const letter = AXES[place];
      if (size < 0.15) {
        painter.text(x - 15, y - 12, letter, { bold: true, size: 14, halo: colours.card });
        return;
      }
      const style = { stroke: colours[letter], width: 2.2, dash: DASHES[letter] };
      painter.path([x - across * radius, y - under * radius, x, y], { ...style, width: 1.1 });
      arrow(painter, x, y, x + across * radius, y + under * radius, style);
      const far = 0.72;
      painter.text(x + across * radius * far - (under / size) * 12, y + under * radius * far + (across / size) * 12 + 4, letter,
        { bold: true, size: 14, align: "center", halo: colours.card });
    });
    painter.circle(x, y, 8, { stroke: colours.soft, width: 1.4, fill: colours.card });
    painter.path([x - 5.5, y - 5.5, x + 5.5, y + 5.5], { stroke: colours.soft, width: 1.4 });
    painter.path([x - 5.5, y + 5.5, x + 5.5, y - 5.5], { stroke: colours.soft, width: 1.4 });
    if (suggested !== null) {
      const tip = at(suggested, radius + 3), one = at(suggested - 4, radius + 14), other = at(suggested + 4, radius + 14);
      painter.path([...tip, ...one, ...other], { fill: colours.first, closed: true });
    }
    const knob = at(twist, radius);
    painter.path([...at(0, radius * 0.55), ...Array.from({ length: 13 }, (_, n) => at((twist * n) / 12, radius * 0.55)).flat()],
      { stroke: colours.second, width: 2 });
    painter.circle(...knob, 10, { fill: colours.second, stroke: colours.card, width: 2 });
    const label = at(twist, radius + 40);
    painter.text(label[0], label[1] + 5 - 12 * Math.sin(Math.abs(twist) * RADIANS) * Math.sign(twist), signedText(twist), { bold: true, size: 14, align: "center", halo: colours.card });
  }

  drawHinge(painter, row, seen, x, y, radius) {
    if (!row.hinge_axis) return;
    let [across, under] = seen(unit(row.hinge_axis));
    const size = Math.hypot(across, under);
    if (size < 0.1) {
      painter.text(x, y + 36, "hinge axis along the limb", { align: "center" });
      return;
    }
    [across, under] = [across / size, under / size];
    const reach = radius + 4;
    painter.path([x - across * reach, y - under * reach, x + across * reach, y + under * reach],
      { stroke: painter.colours.first, width: 5, alpha: 0.75, cap: "round" });
    // Named at its left end, where the knob does not go.
    const end = across > 0 ? -1 : 1;
    const [tx, ty] = [x + end * across * (radius - 4), y + end * under * (radius - 4)];
    painter.text(tx + 2, ty + (under * end < 0 ? -12 : 22), "hinge axis", { align: "center", halo: painter.colours.card });
  }
}
