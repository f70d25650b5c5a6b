// The live page: its controls, and the order in which a change of the state reaches everything else.

class Live extends Told {
  constructor(facts, rotations, others) {
    super();
    this.facts = facts;
    this.copy = new Copy(facts, rotations, others);
    this.joints = facts.joints;
    this.frames = this.copy.clocks[0];
    this.still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    this.state = { joint: this.first(), frame: 0, twist: 0, order: null, aim: false };
    this.waiting = new Set();
    this.sweep = new Sweep(() => this.later("sweep"));
    this.pictures = {
      dial: new Picture("dial", (painter) => this.dial.draw(painter, this.scene())),
      sweep: new Picture("sweep", (painter) => this.sweep.draw(painter, this.scene())),
      curves: new Picture("curves", (painter) => drawCurves(painter, this.scene())),
      figure: new Picture("figure", (painter) => this.figure.draw(painter, this.scene())),
    };
    this.dial = new Dial(this.pictures.dial, (angle) => this.turn(this.snapped(angle)));
    this.list = new JointList(this.joints, (joint) => this.choose(joint));
    this.figure = new Figure(this.pictures.figure, new Poses(this.copy), () => this.later("figure"));
    this.glance = new Glance(this.copy, this.joints, (joint, frame) => {
      this.choose(joint, { frame });
      element("joint").scrollIntoView({ block: "center", behavior: this.still ? "auto" : "smooth" });
    });
    this.pictures.glance = this.glance.picture;
    this.controls();
    this.read();
    window.addEventListener("hashchange", () => this.read());
    new ResizeObserver(() => this.later("all")).observe(element("list").closest(".live"));
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.later("all"));
  }

  /** The joint that the page opens with: the one to which a turn about the limb saves most. */
  first() {
    const saves = (joint) => (joint.row.after_twist ? joint.row.edit_keys - joint.row.after_twist.edit_keys : 0);
    return this.joints.reduce((best, joint) => (saves(joint) > saves(best) ? joint : best));
  }

  controls() {
    element("order").append(...ORDERS.map((order) => made("option", {}, order)));
    const twist = (text) => {
      const value = Number.parseFloat(text);
      if (Number.isFinite(value)) this.turn(this.exact(clamp(value, -SWEEP_END, SWEEP_END)));
    };
    element("twist").addEventListener("input", () => twist(element("twist").value));
    element("degrees").addEventListener("change", () => twist(element("degrees").value));
    element("twist").addEventListener("keydown", (event) => {
      const step = { PageUp: 5, PageDown: -5 }[event.key];
      if (!step) return;
      event.preventDefault();
      twist(this.state.twist + step);
    });
    element("zero").addEventListener("click", () => this.set({ twist: 0, aim: false, order: null }));
    element("suggested").addEventListener("click", () => this.set(this.proposal));
    element("order").addEventListener("input", () => this.set({ order: element("order").value }));
    element("aim").addEventListener("input", () => this.set({ aim: element("aim").checked }));
    element("frame").max = this.frames.length - 1;
    element("frame").addEventListener("input", () => this.set({ frame: Number(element("frame").value) }));
    element("play").addEventListener("click", () => this.play(!this.playing));
    const { canvas } = this.pictures.curves;
    const scrub = (event) => {
      const box = canvas.getBoundingClientRect();
      const share = (event.clientX - box.left - CURVES.left) / (box.width - CURVES.left - CURVES.right);
      this.set({ frame: this.glance.frameAt(clamp(share, 0, 1)) });
    };
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      scrub(event);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (canvas.hasPointerCapture(event.pointerId)) scrub(event);
    });
    element("copy").addEventListener("click", () => copied(this.facts.sheet, "Offsets"));
    element("save").addEventListener("click", () => saved(new Blob([this.facts.sheet], { type: "text/csv" }), `${fileName(this.facts.shot)}-offsets.csv`));
    if (this.facts.sheetOf === "rig") {
      say(element("sheet"), "The offsets are those that the shots of this rig suggest together, as an offsets sheet; turns that you try here are not in it.");
    }
    element("link").addEventListener("click", () => {
      this.write();
      copied(location.href, "Link");
    });
    element("print").addEventListener("click", () => window.print());
    element("theme").addEventListener("input", () => this.theme(element("theme").value));
    window.addEventListener("beforeprint", () => {
      this.theme("light");
      this.paint(["all"]);
    });
    window.addEventListener("afterprint", () => {
      this.theme(element("theme").value);
      this.paint(["all"]);
    });
    pictureButtons(this.pictures, (name) => fileName(this.facts.shot, name === "glance" ? "" : this.state.joint.name, name));
    for (const card of document.querySelectorAll("article.card[id^='joint-']")) this.lead(card);
  }

  /** A button in a card of the page that brings its joint up here. */
  lead(card) {
    const joint = this.joints.find((each) => card.id === `joint-${each.place}`);
    const where = card.querySelector(".way");
    if (!joint || !where) return;
    const button = made("button", { type: "button", class: "live-lead" }, "Turn and see");
    button.append(made("span", { class: "live-unseen" }, `: ${joint.name}`));
    button.addEventListener("click", () => {
      this.choose(joint);
      element("joint").scrollIntoView({ block: "center", behavior: this.still ? "auto" : "smooth" });
      element("twist").focus({ preventScroll: true });
    });
    where.after(button);
  }

  theme(name) {
    if (name) document.documentElement.dataset.theme = name; else delete document.documentElement.dataset.theme;
    this.later("all");
  }

  /** A turn of the dial, drawn to the suggestion and to nought where it is near. */
  snapped(angle) {
    for (const place of [this.suggested, 0]) {
      if (place !== null && Math.abs(angle - place) < SNAP_DEG) return place;
    }
    return Math.round(angle * 10) / 10;
  }

  /** A turn that was given in tenths; the tenth nearest to the suggestion is the suggestion. */
  exact(angle) {
    const { suggested } = this;
    return suggested !== null && Math.abs(angle - suggested) < 0.05 ? suggested : angle;
  }

  turn(twist) {
    if (this.state.joint.row.limb_axis && twist !== null) this.set({ twist });
  }

  choose(joint, more = {}) {
    this.set({ joint, twist: 0, order: null, aim: false, ...more });
    this.list.reveal();
  }

  set(changes) {
    const before = this.state;
    this.state = { ...before, ...changes };
    const same = (...names) => names.every((name) => before[name] === this.state[name]);
    if (!same("joint")) this.limits = null;
    // At once, not with the next drawing: a key that is held moves the slider on from where it stands.
    element("twist").value = this.state.twist;
    element("frame").value = this.state.frame;
    if (!same("joint", "twist", "order", "aim")) this.later("turn");
    if (!same("frame")) this.later("frame");
  }

  /** Draw what changed at the next frame of the screen. */
  later(what) {
    if (!this.waiting.size) {
      requestAnimationFrame(() => {
        const parts = [...this.waiting];
        this.waiting.clear();
        this.paint(parts);
      });
    }
    this.waiting.add(what);
  }

  paint(parts) {
    const any = (...names) => names.some((name) => parts.includes(name));
    if (any("turn", "all") || !this.present) {
      this.work();
      this.words();
    }
    if (any("turn", "frame", "all")) {
      this.moment();
      this.pictures.curves.paint();
    }
    if (any("turn", "all")) this.pictures.dial.paint();
    if (any("turn", "sweep", "all")) this.pictures.sweep.paint();
    if (any("turn", "frame", "figure", "all")) this.pictures.figure.paint();
    const { joint, frame } = this.state;
    const moved = joint !== this.glance.chosen || (frame !== this.glance.frame && !this.playing);
    if (any("all") || moved) this.glance.mark(joint, frame);
    if (any("turn", "frame")) this.remember();
  }

  play(on) {
    this.playing = on;
    element("play").setAttribute("aria-pressed", String(on));
    say(element("play"), on ? "Pause" : "Play");
    if (!on) {
      this.later("frame");
      return;
    }
    const last = this.frames.length - 1;
    const from = this.state.frame >= last ? 0 : this.frames[this.state.frame];
    const begun = performance.now();
    const step = () => {
      if (!this.playing) return;
      const length = this.frames[last] || 1;
      const time = (from + (performance.now() - begun) / 1000) % length;
      this.set({ frame: this.glance.frameAt(time / length) });
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }
}

/** Everything that makes the page live; without it the page is whole, and stands still. */
async function begin() {
  const section = document.getElementById("live");
  if (!section || typeof DecompressionStream === "undefined") return;
  const facts = JSON.parse(element("facts").textContent);
  if (!facts.joints.length) return;
  const [rotations, others] = await Promise.all([bytesOf("live-rotations"), bytesOf("live-others")]);
  section.hidden = false;
  for (const link of document.querySelectorAll("[data-live]")) link.hidden = false;
  const live = new Live(facts, rotations, others);
  // For the console and for tests: the page's own state and the functions that its figures come from.
  window.hingeAudit = {
    live,
    maths: { plainAngles, continuous, channelCurves, startedAt, straightLineKeys, costOf, seenFrom, newAxes, effectiveChannels },
  };
}

// A shared script may arrive after the page; one inside it stands at its end. Both find the page whole.
if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", begin); else begin();
