// The figure in motion on a plain canvas: the whole skeleton, and the chosen joint twice, before and after the turn.

const VIEWS = { front: [0, 0.05], side: [Math.PI / 2, 0.05], above: [0, Math.PI / 2 - 0.001] };
const LEAST_SIZE = 1e-6;

class Figure {
  constructor(picture, poses, changed) {
    this.picture = picture;
    this.poses = poses;
    this.ready = false;
    this.yaw = -0.6;
    this.pitch = 0.18;
    this.zoom = 1;
    this.up = poses.skeleton.up;
    const change = (work) => {
      work();
      this.pitch = clamp(this.pitch, -Math.PI / 2 + 0.001, Math.PI / 2 - 0.001);
      this.zoom = clamp(this.zoom, 0.2, 8);
      changed();
    };
    this.handle(change);
    poses.prepare(() => {
      this.ready = true;
      this.measure();
      changed();
    });
  }

  handle(change) {
    const stage = element("stage"), { canvas } = this.picture;
    let held = null;
    canvas.addEventListener("pointerdown", (event) => {
      held = [event.clientX, event.clientY];
      canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!held) return;
      const [x, y] = held;
      held = [event.clientX, event.clientY];
      change(() => {
        this.yaw -= (event.clientX - x) * 0.008;
        this.pitch += (event.clientY - y) * 0.008;
      });
    });
    for (const name of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(name, () => {
        held = null;
      });
    }
    // The wheel scrolls the page; with Ctrl, as for any picture, or once the figure has the focus it zooms.
    canvas.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== stage) return;
      event.preventDefault();
      change(() => {
        this.zoom *= Math.exp(-event.deltaY * 0.0015);
      });
    }, { passive: false });
    const keys = {
      ArrowLeft: () => { this.yaw += 0.12; },
      ArrowRight: () => { this.yaw -= 0.12; },
      ArrowUp: () => { this.pitch += 0.1; },
      ArrowDown: () => { this.pitch -= 0.1; },
      "+": () => { this.zoom *= 1.2; },
      "-": () => { this.zoom /= 1.2; },
    };
    stage.addEventListener("keydown", (event) => {
      const work = keys[event.key];
      if (!work || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      change(work);
    });
    const buttons = { left: keys.ArrowLeft, right: keys.ArrowRight, nearer: keys["+"], farther: keys["-"] };
    for (const [name, [yaw, pitch]] of Object.entries(VIEWS)) {
      buttons[name] = () => {
        [this.yaw, this.pitch] = [yaw, pitch];
      };
    }
    for (const button of document.querySelectorAll("[data-view]")) {
      button.addEventListener("click", () => change(buttons[button.dataset.view]));
    }
    element("up").value = this.up;
    element("up").addEventListener("input", () => change(() => {
      this.up = element("up").value;
      if (this.ready) this.measure();
    }));
    element("shadow").addEventListener("input", () => change(() => {}));
  }

  /** A vector with the axis that points up as its second component, as right-handed as before. */
  upright([x, y, z]) {
    if (this.up === "Z") return [y, z, x];
    if (this.up === "X") return [z, x, y];
    return [x, y, z];
  }

  /** Rightwards, upwards and towards the eye. */
  seen(vector) {
    const [x, y, z] = this.upright(vector);
    const across = x * Math.cos(this.yaw) - z * Math.sin(this.yaw);
    const deep = x * Math.sin(this.yaw) + z * Math.cos(this.yaw);
    return [across, y * Math.cos(this.pitch) - deep * Math.sin(this.pitch), y * Math.sin(this.pitch) + deep * Math.cos(this.pitch)];
  }

  /** How far the figure reaches about its root and how low it comes, at some of its frames and at rest. */
  measure() {
    const { facts } = this.poses.copy;
    const root = this.poses.skeleton.parents.indexOf(-1);
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    this.ground = Infinity;
    const take = (world) => {
      for (const place of [...world.positions, ...world.tips]) {
        place.forEach((each, n) => {
          low[n] = Math.min(low[n], each - world.positions[root][n]);
          high[n] = Math.max(high[n], each - world.positions[root][n]);
        });
        this.ground = Math.min(this.ground, this.upright(place)[1]);
      }
    };
    for (let n = 0; n < 24; n += 1) take(this.poses.at(Math.round((n / 23) * (facts.frames - 1))));
    take(this.poses.restAt(0));
    this.middle = low.map((each, n) => (each + high[n]) / 2);
    this.reach = Math.max(LEAST_SIZE, Math.hypot(...low.map((each, n) => high[n] - each)) / 2);
  }

  draw(painter, scene) {
    const { width, height, colours } = painter;
    if (!this.ready) {
      painter.text(width / 2, height / 2, "The figure is being put together …", { align: "center", fill: colours.soft });
      return;
    }
    const world = this.poses.at(scene.frame);
    const wide = width >= 560;
    const whole = wide ? [0, 0, width * 0.46, height] : [0, 0, width, height * 0.55];
    const near = wide
      ? [[width * 0.46, 0, width * 0.27, height], [width * 0.73, 0, width * 0.27, height]]
      : [[0, height * 0.55, width / 2, height * 0.45], [width / 2, height * 0.55, width / 2, height * 0.45]];
    painter.inside(...whole, () => this.drawWhole(painter, whole, world, scene));
    painter.inside(...near[0], () => this.drawNear(painter, near[0], world, scene, null, "As they are"));
    const axes = newAxes(scene.limb || [0, 1, 0], scene.limb ? scene.twist : 0, scene.aim);
    const turn = `${scene.aim ? "Aimed, t" : "T"}urned by ${signedText(scene.twist)}`;
    const still = scene.twist === 0 && !scene.aim;
    const title = !scene.limb ? "No limb to turn about" : still ? "Not turned" : turn;
    painter.inside(...near[1], () => this.drawNear(painter, near[1], world, scene, axes, title));
    const edge = near[0];
    painter.path(wide ? [edge[0], 8, edge[0], height - 8] : [8, edge[1], width - 8, edge[1]], { stroke: colours.rule });
    painter.path([near[1][0], near[1][1] + 8, near[1][0], near[1][1] + near[1][3] - 8], { stroke: colours.rule });
  }

  drawWhole(painter, [left, top, width, height], world, { frame, joint, shadow }) {
    const { colours } = painter;
    const { parents, tipJoints } = this.poses.skeleton;
    const root = world.positions[parents.indexOf(-1)];
    const rest = this.poses.restAt(frame);
    const scale = (0.62 * Math.min(width, height) * this.zoom) / this.reach;
    const centre = this.seen(root.map((each, n) => each + this.middle[n]));
    const place = (point) => {
      const [x, y] = this.seen(point);
      return [left + width / 2 + (x - centre[0]) * scale, top + height / 2 - (y - centre[1]) * scale];
    };
    this.drawGround(painter, root, this.reach, place);
    const bones = (pose, style) => {
      parents.forEach((parent, child) => {
        if (parent >= 0) painter.path([...place(pose.positions[parent]), ...place(pose.positions[child])], style);
      });
      tipJoints.forEach((owner, n) => painter.path([...place(pose.positions[owner]), ...place(pose.tips[n])], style));
    };
    if (shadow) bones(rest, { stroke: colours.axis, width: 1.2, dash: [2, 3], alpha: 0.8 });
    bones(world, { stroke: colours.ink, width: 3, cap: "round", alpha: 0.85 });
    const chosen = place(world.positions[joint]);
    for (const end of this.poses.limbEnds(world, joint)) {
      painter.path([...chosen, ...place(end)], { stroke: colours.second, width: 5, cap: "round" });
    }
    world.positions.forEach((point) => painter.circle(...place(point), 2.6, { fill: colours.card, stroke: colours.ink, width: 1.2 }));
    painter.circle(...chosen, 8, { stroke: colours.second, width: 2.6 });
    if (shadow) {
      painter.path([left + 12, top + height - 16, left + 40, top + height - 16], { stroke: colours.axis, width: 1.2, dash: [2, 3] });
      painter.text(left + 46, top + height - 12, "rest pose", { fill: colours.soft });
    }
    painter.text(left + 12, top + 20, `Frame ${thousands(frame)}`, { bold: true, size: 13 });
  }

  drawGround(painter, root, size, place) {
    const { colours } = painter;
    const step = size / 2.5;
    const [ux, , uz] = this.upright(root);
    const back = { Y: ([x, y, z]) => [x, y, z], Z: ([x, y, z]) => [z, x, y], X: ([x, y, z]) => [y, z, x] }[this.up];
    const at = (x, z) => place(back([x, this.ground, z]));
    const [cx, cz] = [Math.round(ux / step) * step, Math.round(uz / step) * step];
    for (let n = -3; n <= 3; n += 1) {
      painter.path([...at(cx + n * step, cz - 3 * step), ...at(cx + n * step, cz + 3 * step)], { stroke: colours.grid });
      painter.path([...at(cx - 3 * step, cz + n * step), ...at(cx + 3 * step, cz + n * step)], { stroke: colours.grid });
    }
  }

  /** The joint from near: its limb now and at rest, its axes, the limb axis and the hinge axis. */
  drawNear(painter, [left, top, width, height], world, { joint, row, frame, limb, shadow }, axes, title) {
    const { colours } = painter;
    const { parents } = this.poses.skeleton;
    const [cx, cy] = [left + width / 2, top + height / 2 + 8];
    const reach = 0.4 * Math.min(width, height);
    const origin = world.positions[joint];
    const parent = parents[joint];
    const ends = this.poses.limbEnds(world, joint);
    const far = Math.max(LEAST_SIZE, ...ends.map((end) => Math.hypot(...end.map((each, n) => each - origin[n]))));
    const toward = (vector, length) => {
      const [x, y] = this.seen(vector);
      return [cx + x * length, cy - y * length];
    };
    const bone = (point, style) => {
      const offset = point.map((each, n) => each - origin[n]);
      const [x, y] = toward(offset, (0.85 * reach) / far);
      painter.path([cx, cy, x, y], style);
      return [x, y];
    };
    if (parent >= 0) {
      const offset = unit(world.positions[parent].map((each, n) => each - origin[n]));
      const [x, y] = toward(offset, reach * 0.9);
      painter.path([cx, cy, x, y], { stroke: colours.axis, width: 3, cap: "round" });
    }
    if (shadow) this.drawRestLimb(painter, world, joint, ends, origin, bone);
    for (const end of ends) bone(end, { stroke: colours.soft, width: 7, cap: "round", alpha: 0.45 });
    const now = world.rotations[joint];
    const turned = axes ? multiply(now, axes) : now;
    if (limb) {
      const direction = rotate(now, limb);
      painter.path([cx, cy, ...toward(direction, reach * 1.02)], { stroke: colours.soft, width: 1.2, dash: [8, 3, 2, 3] });
      const [x, y] = toward(direction, reach * 1.12);
      painter.text(x, y + 4, "limb", { align: "center", fill: colours.soft, size: 11.5, halo: colours.card });
    }
    if (row.hinge_axis) {
      const direction = rotate(now, unit(row.hinge_axis));
      const one = toward(direction, reach), other = toward(direction, -reach);
      painter.path([...other, ...one], { stroke: colours.first, width: 5, alpha: 0.6, cap: "round" });
      // Named at the end that the axes leave free.
      const tips = [[1, 0, 0], [0, 1, 0], [0, 0, 1]].map((axis) => toward(rotate(turned, axis), reach * 0.9));
      const room = ([x, y]) => Math.min(...tips.map(([tx, ty]) => Math.hypot(x - tx, y - ty)));
      const [x, y] = room(one) > room(other) ? one : other;
      painter.text(clamp(x, left + 20, left + width - 20), y + (y > cy ? 17 : -9), "hinge", { align: "center", size: 11.5, halo: colours.card });
    }
    [[1, 0, 0], [0, 1, 0], [0, 0, 1]].forEach((axis, place) => {
      const letter = AXES[place];
      const direction = rotate(turned, axis);
      const [x, y] = toward(direction, reach * 0.8);
      arrow(painter, cx, cy, x, y, { stroke: colours[letter], width: 2.2, dash: DASHES[letter] });
      const [tx, ty] = [x + (x - cx) * 0.12, y + (y - cy) * 0.12];
      painter.text(tx, ty + 5, letter, { bold: true, size: 14, align: "center", halo: colours.card });
    });
    painter.circle(cx, cy, 3.4, { fill: colours.card, stroke: colours.ink, width: 1.4 });
    painter.text(left + 10, top + 20, title, { bold: true, size: 13 });
  }

  /** The limb as it would lie now if the joint stood in its rest pose. */
  drawRestLimb(painter, world, joint, ends, origin, bone) {
    const { parents, rest } = this.poses.skeleton;
    const parent = parents[joint];
    const resting = parent < 0 ? rest[joint] : multiply(world.rotations[parent], rest[joint]);
    const back = multiply(resting, conjugate(world.rotations[joint]));
    for (const end of ends) {
      const offset = rotate(back, end.map((each, n) => each - origin[n]));
      bone(offset.map((each, n) => each + origin[n]), { stroke: painter.colours.axis, width: 2.2, dash: [2, 3] });
    }
  }
}
