// One state (joint, frame, twist, order, aim), and what follows from it: curves, cost, scale.

function least(values) {
  let result = Infinity;
  for (let n = 0; n < values.length; n += 1) if (values[n] < result) result = values[n];
  return result;
}

function most(values) {
  let result = -Infinity;
  for (let n = 0; n < values.length; n += 1) if (values[n] > result) result = values[n];
  return result;
}

/** The value of a curve at a time, on the straight way between its keys; held beyond its ends. */
function valueAt(times, curve, time) {
  let low = 0, high = times.length - 1;
  if (time <= times[0]) return curve[0];
  if (time >= times[high]) return curve[high];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] <= time) low = middle; else high = middle;
  }
  return curve[low] + ((curve[high] - curve[low]) * (time - times[low])) / (times[high] - times[low]);
}

class State {
  get order() {
    return this.state.order || this.state.joint.row.rotation_order;
  }

  /** The aim as a turn of the axes, null where none is wanted. */
  get aim() {
    const { joint, aim } = this.state;
    return aim && joint.aim ? joint.aim.axes : null;
  }

  /** The turn that is suggested in the present state: about the limb alone, or after the aim. */
  get suggested() {
    const { joint } = this.state;
    return this.aim ? joint.aim.twistDeg : joint.row.twist_offset_deg;
  }

  /** The state that the results ask for, or the turn that they would suggest if it were worth one. */
  get proposal() {
    const { plan, row } = this.state.joint;
    if (plan) return { twist: plan.twist, aim: plan.aim, order: plan.order };
    return row.twist_offset_deg === null ? null : { twist: row.twist_offset_deg, aim: false, order: null };
  }

  /** The curves and their cost at a turn of the chosen joint. */
  turned(twist) {
    const { joint } = this.state;
    const { row } = joint;
    const { times, rotations } = this.copy.keys(joint.place, joint.clock);
    const plain = !row.limb_axis || (twist === 0 && !this.aim);
    const axes = plain ? null : newAxes(unit(row.limb_axis), twist, this.aim);
    let curves = channelCurves(axes ? seenFrom(axes, rotations) : rotations, this.order);
    if (plain && this.order === row.rotation_order) curves = startedAt(curves, this.order, joint.first);
    const cost = costOf(curves, times, this.facts.toleranceDeg, this.facts.movingDeg);
    return { curves, times, cost };
  }

  /** The figures of the results for the present state, where they have any. */
  quoted() {
    const { joint, twist } = this.state;
    const { row } = joint;
    const own = this.order === row.rotation_order;
    const { plan } = joint;
    if (twist === 0 && !this.aim && own) return row;
    if (plan && twist === plan.twist && Boolean(this.aim) === plan.aim && this.order === (plan.order || row.rotation_order)
      && this.isQuoted(plan)) return plan.after;
    if (this.suggested === null || twist !== this.suggested) return null;
    if (!this.aim && own) return row.after_twist;
    const whole = this.aim || !joint.aim;
    return whole && this.order === row.advised_order ? row.after_full : null;
  }

  /** Whether the figures of a plan are those of just the state that it asks for, with no step beyond it. */
  isQuoted(plan) {
    const { joint } = this.state;
    const { row } = joint;
    const exactTwist = plan.aim ? joint.aim.twistDeg : row.twist_offset_deg;
    if (Math.abs(plan.twist - exactTwist) > 1e-6) return false;
    if (!plan.aim && !plan.order) return true;
    return (plan.order || row.rotation_order) === row.advised_order && (plan.aim || !joint.aim);
  }

  work() {
    this.present = this.turned(this.state.twist);
    const quoted = this.quoted();
    const { cost } = this.present;
    this.figures = quoted
      ? { channels: quoted.moving_channels, spread: quoted.channel_spread, keys: quoted.edit_keys, from: "results" }
      : { channels: cost.movingChannels, spread: cost.channelSpread, keys: cost.editKeys, from: "copy" };
    this.widen(this.present.curves);
    const { joint } = this.state;
    const key = `${joint.place} ${this.order} ${Boolean(this.aim)}`;
    if (joint.row.limb_axis && key !== this.swept) {
      this.swept = key;
      const order = this.order;
      this.sweep.begin(key, (twist) => (this.order === order && this.state.joint === joint
        ? this.turned(twist).cost : { channelSpread: null }));
    }
    if (!joint.row.limb_axis) {
      this.sweep.clear();
      this.swept = null;
    }
  }

  /** Let the scale hold curves. While a joint is turned it only ever grows, so that curves are seen to collapse. */
  widen(curves) {
    if (!this.limits) {
      this.limits = [0, 0];
      if (this.state.twist !== 0) this.widen(this.turned(0).curves);
    }
    const low = Math.min(...curves.map(least)), high = Math.max(...curves.map(most));
    const room = 0.04 * Math.max(high - low, 1);
    this.limits = [Math.min(this.limits[0], low - room), Math.max(this.limits[1], high + room)];
  }

  scene() {
    const { joint, frame, twist } = this.state;
    const [low, high] = this.limits;
    return {
      ...this.present,
      row: joint.row,
      joint: joint.place,
      frames: this.frames,
      frame,
      twist,
      aim: this.aim,
      limb: joint.row.limb_axis ? unit(joint.row.limb_axis) : null,
      suggested: this.suggested,
      interval: this.aim ? null : joint.row.twist_interval_deg,
      spread: this.figures.spread,
      low,
      high,
      shadow: element("shadow").checked,
    };
  }
}
