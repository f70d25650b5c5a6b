// The three curves of a joint over time, thinned to what can be seen: the least and the greatest of each column.

const CURVES = { left: 48, right: 96, top: 26, bottom: 40 };

/** The points to draw of a curve: all of them, or the least and the greatest of every point across the picture. */
function curvePoints(times, curve, across, up) {
  const count = curve.length;
  const points = [];
  const left = across(times[0]), right = across(times[count - 1]);
  const columns = Math.max(2, Math.round(right - left));
  if (count <= 2 * columns) {
    for (let n = 0; n < count; n += 1) points.push(across(times[n]), up(curve[n]));
    return points;
  }
  let column = -1, low = 0, high = 0;
  const add = (n) => points.push(across(times[n]), up(curve[n]));
  const close = () => {
    if (column < 0) return;
    add(Math.min(low, high));
    if (low !== high) add(Math.max(low, high));
  };
  add(0);
  for (let n = 0; n < count; n += 1) {
    const own = Math.floor(across(times[n]) - left);
    if (own !== column) {
      close();
      column = own;
      low = high = n;
    }
    if (curve[n] < curve[low]) low = n;
    if (curve[n] > curve[high]) high = n;
  }
  close();
  add(count - 1);
  return points;
}

/** Draw curves: {curves, times, frames, low, high, frame}. */
function drawCurves(painter, { curves, times, frames, low, high, frame }) {
  const { colours, width, height } = painter;
  const end = frames[frames.length - 1] || 1;
  const [left, right, top, bottom] = [CURVES.left, width - CURVES.right, CURVES.top, height - CURVES.bottom];
  const across = (time) => left + (time / end) * (right - left);
  const up = (value) => bottom - ((value - low) / (high - low)) * (bottom - top);
  for (const value of ticks(low, high, 6, ANGLE_STEPS)) {
    painter.path([left, up(value), right, up(value)], { stroke: value === 0 ? colours.axis : colours.grid });
    painter.text(left - 7, up(value) + 4, degreesText(value, Number.isInteger(value) ? 0 : 1), { fill: colours.soft, align: "right" });
  }
  drawFrames(painter, frames, across, bottom);
  const ranges = curves.map((curve) => curve.reduce((most, value) => Math.max(most, value), -Infinity)
    - curve.reduce((least, value) => Math.min(least, value), Infinity));
  const order = [0, 1, 2].sort((a, b) => ranges[b] - ranges[a]);
  painter.inside(left - 2, top - 4, right - left + 4, bottom - top + 8, () => {
    for (const channel of order) {
      const letter = AXES[channel];
      const points = curvePoints(times, curves[channel], across, up);
      // A joint's own keys may begin later or end earlier than the shot: its curves hold their value there.
      points.unshift(left, points[1]);
      points.push(right, points[points.length - 1]);
      painter.path(points, { stroke: colours[letter], width: times.length > 1200 ? 1.4 : 2, dash: DASHES[letter] });
    }
    const x = across(frames[frame]);
    painter.path([x, top - 4, x, bottom + 4], { stroke: colours.ink, width: 1 });
  });
  const ends = curves.map((curve) => up(curve[curve.length - 1]));
  const places = keptApart(ends, 17, top + 3, bottom - 4);
  painter.text(right + 52, top - 12, "range", { fill: colours.soft });
  ends.forEach((y, channel) => {
    const letter = AXES[channel];
    painter.path([right + 1.5, clamp(y, top, bottom), right + 10, places[channel]], { stroke: colours.axis, width: 0.8 });
    painter.path([right + 11, places[channel], right + 31, places[channel]], { stroke: colours[letter], width: 2, dash: DASHES[letter] });
    painter.text(right + 36, places[channel] + 4, letter, { bold: true, size: 13 });
    painter.text(right + 52, places[channel] + 4, degreesText(ranges[channel]), {});
  });
}

function drawFrames(painter, frames, across, bottom) {
  const { colours } = painter;
  const last = frames.length - 1;
  painter.path([across(0), bottom, across(frames[last] || 1), bottom], { stroke: colours.axis });
  let used = -Infinity;
  const most = Math.max(3, Math.floor((across(frames[last] || 1) - across(0)) / 90));
  for (const frame of last ? ticks(0, last, most, COUNT_STEPS) : [0]) {
    const x = across(frames[frame]);
    painter.path([x, bottom, x, bottom + 5], { stroke: colours.axis });
    if (x - used < 40) continue;
    used = x;
    painter.text(x, bottom + 18, thousands(frame), { fill: colours.soft, align: "center" });
    painter.text(x, bottom + 33, frames[frame].toFixed(1), { fill: colours.soft, align: "center" });
  }
  const end = across(frames[last] || 1);
  painter.text(end + 14, bottom + 18, "frame", { fill: colours.soft });
  painter.text(end + 14, bottom + 33, "seconds", { fill: colours.soft });
}
