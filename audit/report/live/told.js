// What the page says of its state in words, and the address that leads back to it.

class Told extends State {
  /** Everything that is said of the joint and the turn. */
  words() {
    const { joint, twist } = this.state;
    const { row } = joint;
    element("joint").replaceChildren(made("bdi", {}, joint.name), made("span", {}, ` ${row.kind}, order ${row.rotation_order}`));
    element("findings").replaceChildren(row.findings.length ? findingsOf(joint) : "nothing was found about it");
    const { channels, spread, keys, from } = this.figures;
    const about = from === "copy" && !this.facts.whole ? "≈ " : "";
    say(element("outcome"), this.sentence());
    for (const [name, figure] of Object.entries({ channels, spread, keys })) {
      const shownAs = name === "spread" ? spreadText : thousands;
      const field = { channels: "moving_channels", spread: "channel_spread", keys: "edit_keys" }[name];
      const then = joint.plan ? joint.plan.after : row.after_twist;
      say(element(`${name}-now`), shownAs(row[field]));
      say(element(name), `${about}${shownAs(figure)}`);
      say(element(`${name}-then`), then ? shownAs(then[field]) : "–");
    }
    say(element("source"), this.source());
    const turns = Boolean(row.limb_axis);
    const { proposal } = this;
    for (const name of ["twist", "degrees"]) element(name).disabled = !turns;
    element("suggested").disabled = !proposal;
    const asked = joint.plan ? joint.plan.words : proposal && signedText(proposal.twist);
    say(element("suggested"), proposal ? `Suggestion: ${asked}` : "No suggestion");
    element("twist").value = twist;
    element("twist").setAttribute("aria-valuetext", `${degreesText(twist)}, ${plural(channels, "moving curve")}, ${plural(keys, "edit key")}`);
    if (document.activeElement !== element("degrees")) element("degrees").value = twist.toFixed(1);
    element("order").value = this.order;
    element("aim-label").hidden = !joint.aim;
    element("aim").checked = Boolean(this.aim);
    if (joint.aim) say(element("aim-text"), `Aim ${joint.aim.axis} along the limb first (${degreesText(row.aim_error_deg)})`);
    say(element("dial-note"), row.no_offset_because
      ? `No turn is suggested: ${row.no_offset_because}.`
      : "Seen from the joint towards its child. Drag the knob, or use the slider.");
    this.describe();
    this.list.mark(joint);
  }

  /** What the turn does, in one sentence; the joint is named as text. */
  sentence() {
    const { joint, twist } = this.state;
    const { channels, keys, from } = this.figures;
    const { row } = joint;
    const about = from === "copy" && !this.facts.whole ? "about " : "";
    const steps = [];
    if (this.aim) steps.push(`${joint.aim.axis} aimed along the limb`);
    if (twist !== 0) steps.push(`axes turned by ${signedText(twist)}`);
    if (this.order !== row.rotation_order) steps.push(`order ${this.order}`);
    const now = `${plural(channels, "moving curve")}, ${about}${plural(keys, "edit key")}`;
    if (!steps.length) return `As it is: ${now}.`;
    const saved = row.edit_keys - keys;
    const change = saved > 0 ? `, ${thousands(saved)} fewer` : saved < 0 ? `, ${thousands(-saved)} more` : "";
    return `${upperFirst(steps.join(", "))}: ${now}${change}.`;
  }

  source() {
    const { whole, errorDeg, leftOut } = this.facts;
    if (this.figures.from === "results") return "Here the figures are those of the results.";
    if (whole) return "Worked out here, from every key of the shot.";
    const far = errorDeg < 0.001 ? "a thousandth of a degree" : degreesText(errorDeg, errorDeg < 0.01 ? 3 : 2);
    const thinned = leftOut ? ", with keys on the straight way between their neighbours left out" : "";
    const now = this.copied();
    return `≈ Worked out here from a copy of the rotations that is within ${far} of the shot${thinned}. `
      + `At the axes as they are it gives ${plural(now.editKeys, "edit key")}; the shot has ${thousands(this.state.joint.row.edit_keys)}.`;
  }

  /** What the page's copy gives for the axes as they are. */
  copied() {
    const { joint } = this.state;
    this.copies ??= new Map();
    if (!this.copies.has(joint)) {
      const { times, rotations } = this.copy.keys(joint.place, joint.clock);
      const curves = channelCurves(rotations, joint.row.rotation_order);
      this.copies.set(joint, costOf(curves, times, this.facts.toleranceDeg, this.facts.movingDeg));
    }
    return this.copies.get(joint);
  }

  describe() {
    const { joint, twist } = this.state;
    const { cost } = this.present;
    const ranges = [...AXES].map((letter, n) => `${letter} over ${degreesText(cost.ranges[n])}`).join(", ");
    const turn = twist === 0 ? "as they are" : `axes turned by ${degreesText(twist)}`;
    this.pictures.curves.canvas.setAttribute("aria-label", `Rotation curves of ${joint.name}, ${turn}: ${ranges}`);
    const { suggested } = this;
    const where = suggested === null ? "no turn is suggested" : `the suggestion is ${degreesText(suggested)}`;
    this.pictures.dial.canvas.setAttribute("aria-label", `${joint.name} seen along the limb, ${turn}; ${where}`);
    this.pictures.sweep.canvas.setAttribute("aria-label", `Channel spread of ${joint.name} against the turn about the limb: ${spreadText(this.figures.spread)} here; ${where}`);
    this.pictures.figure.canvas.setAttribute("aria-label", `The skeleton with ${joint.name} marked; beside it the joint from near, its axes as they are and ${turn}`);
    say(element("curves-title"), twist === 0 && !this.aim ? "as they are" : this.aim ? "after aim and turn" : `turned by ${signedText(twist)}`);
  }

  /** What holds at the chosen frame. */
  moment() {
    const { frame } = this.state;
    const { curves, times } = this.present;
    const time = this.frames[frame];
    element("frame").value = frame;
    element("frame").setAttribute("aria-valuetext", `frame ${frame}, ${time.toFixed(2)} seconds`);
    const values = [...AXES].map((letter, n) => `${letter} ${degreesText(valueAt(times, curves[n], time))}`).join("   ");
    say(element("readout"), `Frame ${thousands(frame)}, ${time.toFixed(2)} s:   ${values}`);
  }

  /** Keep the state in the address, so that a link can be sent; the other addresses of the page stay as they are. */
  write() {
    const { joint, frame, twist } = this.state;
    const unique = this.joints.filter((each) => each.name === joint.name).length === 1;
    const parts = { joint: unique && !joint.name.startsWith("~") ? joint.name : `~${joint.place}`, frame, twist: Number(twist.toFixed(6)) };
    if (this.state.order) parts.order = this.state.order;
    if (this.aim) parts.aim = 1;
    const text = Object.entries(parts).map(([name, value]) => `${name}=${encodeURIComponent(value)}`).join("&");
    this.written = `#${text}`;
    if (location.hash !== this.written) history.replaceState(null, "", this.written);
  }

  remember() {
    if (!this.opened) {
      // Until something is touched the address stays as it was given.
      this.opened = true;
      return;
    }
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.write(), 300);
  }

  read() {
    if (!location.hash.startsWith("#joint=") || location.hash === this.written) {
      this.later("all");
      return;
    }
    const parts = new URLSearchParams(location.hash.slice(1));
    const name = parts.get("joint") || "";
    const joint = this.joints.find((each) => each.name === name)
      || this.joints.find((each) => name === `~${each.place}`) || this.first();
    const whole = (text, low, high) => clamp(Number.parseInt(text, 10) || 0, low, high);
    const order = ORDERS.includes(parts.get("order")) ? parts.get("order") : null;
    const twist = clamp(Number.parseFloat(parts.get("twist")) || 0, -SWEEP_END, SWEEP_END);
    this.limits = null;
    this.state = { joint, frame: whole(parts.get("frame"), 0, this.frames.length - 1), twist: 0, order, aim: parts.get("aim") === "1" };
    const { suggested } = this;
    this.state.twist = joint.row.limb_axis ? (suggested !== null && Math.abs(twist - suggested) < 2e-6 ? suggested : twist) : 0;
    this.later("all");
    this.list.reveal();
    element("title").scrollIntoView({ block: "start" });
  }
}
