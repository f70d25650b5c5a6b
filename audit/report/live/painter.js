// One way to draw for the screen and for files: the same calls fill a canvas or write an SVG.

const COLOURS = ["paper", "card", "ink", "soft", "rule", "grid", "axis", "first", "second", "third", "wash", "warm"];

/** The colours of the page as it is shown now: light, dark or on paper. */
function palette() {
  const style = getComputedStyle(document.documentElement);
  const colours = Object.fromEntries(COLOURS.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  return { ...colours, X: colours.first, Y: colours.second, Z: colours.third };
}

/** How curves and axes are told apart before their colour: solid, dashed, dotted. */
const DASHES = { X: [], Y: [7, 3.4], Z: [2, 2.6] };

const FONT = '"Segoe UI", "Helvetica Neue", "Noto Sans", "Liberation Sans", Arial, system-ui, sans-serif';

class CanvasPainter {
  constructor(canvas) {
    const ratio = window.devicePixelRatio || 1;
    this.width = canvas.clientWidth;
    this.height = canvas.clientHeight;
    const [width, height] = [Math.round(this.width * ratio), Math.round(this.height * ratio)];
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    this.context = canvas.getContext("2d");
    this.context.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.context.clearRect(0, 0, this.width, this.height);
    this.colours = palette();
  }

  path(points, { stroke, width = 1, dash = [], fill, alpha = 1, closed = false, cap = "butt" }) {
    const { context } = this;
    context.globalAlpha = alpha;
    context.beginPath();
    for (let n = 0; n < points.length; n += 2) {
      if (n) context.lineTo(points[n], points[n + 1]); else context.moveTo(points[n], points[n + 1]);
    }
    if (closed) context.closePath();
    this.finish({ stroke, width, dash, fill, cap });
  }

  circle(x, y, radius, { stroke, width = 1, dash = [], fill, alpha = 1 }) {
    this.context.globalAlpha = alpha;
    this.context.beginPath();
    this.context.arc(x, y, radius, 0, TURN);
    this.finish({ stroke, width, dash, fill });
  }

  finish({ stroke, width, dash, fill, cap = "butt" }) {
    const { context } = this;
    if (fill) {
      context.fillStyle = fill;
      context.fill();
    }
    if (stroke) {
      context.strokeStyle = stroke;
      context.lineWidth = width;
      context.setLineDash(dash);
      context.lineCap = cap;
      context.lineJoin = "round";
      context.stroke();
    }
    context.globalAlpha = 1;
  }

  text(x, y, content, { fill = this.colours.ink, size = 12, bold = false, align = "left", halo = null } = {}) {
    const { context } = this;
    context.font = `${bold ? 700 : 400} ${size}px ${FONT}`;
    context.textAlign = align;
    if (halo) {
      context.setLineDash([]);
      context.lineJoin = "round";
      context.lineWidth = 4;
      context.strokeStyle = halo;
      context.strokeText(content, x, y);
    }
    context.fillStyle = fill;
    context.fillText(content, x, y);
  }

  inside(x, y, width, height, draw) {
    const { context } = this;
    context.save();
    context.beginPath();
    context.rect(x, y, width, height);
    context.clip();
    draw();
    context.restore();
  }
}

function escaped(text) {
  const names = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" };
  return text.replace(/[&<>"]/g, (letter) => names[letter]);
}

class SvgPainter {
  constructor(width, height) {
    this.width = width;
    this.height = height;
    this.colours = palette();
    this.parts = [];
    this.clips = 0;
  }

  style({ stroke, width = 1, dash = [], fill, alpha = 1, cap = "butt" }) {
    const parts = [`fill="${fill || "none"}"`];
    if (stroke) parts.push(`stroke="${stroke}" stroke-width="${width}" stroke-linejoin="round" stroke-linecap="${cap}"`);
    if (stroke && dash.length) parts.push(`stroke-dasharray="${dash.join(" ")}"`);
    if (alpha !== 1) parts.push(`opacity="${alpha}"`);
    return parts.join(" ");
  }

  path(points, style) {
    let move = "";
    for (let n = 0; n < points.length; n += 2) {
      move += `${n ? "L" : "M"}${points[n].toFixed(1)} ${points[n + 1].toFixed(1)}`;
    }
    this.parts.push(`<path d="${move}${style.closed ? "Z" : ""}" ${this.style(style)}/>`);
  }

  circle(x, y, radius, style) {
    this.parts.push(`<circle cx="${x.toFixed(1)}" cy="${y.toFixed(1)}" r="${radius}" ${this.style(style)}/>`);
  }

  text(x, y, content, { fill = this.colours.ink, size = 12, bold = false, align = "left", halo = null } = {}) {
    const anchor = { left: "start", center: "middle", right: "end" }[align];
    const around = halo ? ` stroke="${halo}" stroke-width="4" stroke-linejoin="round" paint-order="stroke"` : "";
    this.parts.push(`<text x="${x.toFixed(1)}" y="${y.toFixed(1)}" font-size="${size}" font-weight="${bold ? 700 : 400}" `
      + `text-anchor="${anchor}" fill="${fill}"${around}>${escaped(content)}<` + "/text>");
  }

  inside(x, y, width, height, draw) {
    this.clips += 1;
    const name = `part${this.clips}`;
    this.parts.push(`<clipPath id="${name}"><rect x="${x}" y="${y}" width="${width}" height="${height}"/><` + "/clipPath>"
      + `<g clip-path="url(#${name})">`);
    draw();
    this.parts.push("<" + "/g>");
  }

  whole(title) {
    return `<svg xmlns="http://www.w3.org/2000/svg" width="${this.width}" height="${this.height}" `
      + `viewBox="0 0 ${this.width} ${this.height}" font-family='${FONT}'><title>${escaped(title)}<` + "/title>"
      + `<rect width="100%" height="100%" fill="${this.colours.card}"/>${this.parts.join("")}<` + "/svg>";
  }
}

/** A picture: a canvas in the page and the function that draws it, on the screen or into a file. */
class Picture {
  constructor(name, draw) {
    this.name = name;
    this.canvas = element(name);
    this.draw = draw;
  }

  paint() {
    if (this.canvas.clientWidth) this.draw(new CanvasPainter(this.canvas));
  }

  get title() {
    return this.canvas.getAttribute("aria-label") || this.name;
  }

  svg() {
    const painter = new SvgPainter(this.canvas.clientWidth, this.canvas.clientHeight);
    this.draw(painter);
    return painter.whole(this.title);
  }
}

function arrow(painter, x1, y1, x2, y2, style, head = 7) {
  painter.path([x1, y1, x2, y2], style);
  const angle = Math.atan2(y2 - y1, x2 - x1);
  if (Math.hypot(x2 - x1, y2 - y1) < head) return;
  const tip = (side) => [x2 - head * Math.cos(angle + side), y2 - head * Math.sin(angle + side)];
  painter.path([...tip(0.45), x2, y2, ...tip(-0.45)], { ...style, dash: [] });
}

/** Places of labels, moved as little as it takes to keep them apart, between two limits. */
function keptApart(wanted, gap, low, high) {
  const order = wanted.map((_, n) => n).sort((a, b) => wanted[a] - wanted[b]);
  const placed = wanted.map((value) => clamp(value, low, high));
  for (let pass = 0; pass < 60; pass += 1) {
    for (let n = 1; n < order.length; n += 1) {
      const lack = gap - (placed[order[n]] - placed[order[n - 1]]);
      if (lack > 0) {
        placed[order[n - 1]] -= lack / 2;
        placed[order[n]] += lack / 2;
      }
    }
    for (const n of order) placed[n] = clamp(placed[n], low, high);
  }
  return placed;
}

function stepOf(span, most, steps) {
  const found = steps.find((step) => span / step < most);
  const last = steps[steps.length - 1];
  return found || Math.ceil(span / most / last) * last;
}

function ticks(low, high, most, steps) {
  const step = stepOf(high - low, most, steps);
  const result = [];
  for (let n = Math.ceil(low / step - 1e-9); n <= Math.floor(high / step + 1e-9); n += 1) result.push(n * step);
  return result;
}

const ANGLE_STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 45, 90, 180, 360];
const COUNT_STEPS = [0, 1, 2, 3, 4, 5, 6].flatMap((power) => [1, 2, 5].map((lead) => lead * 10 ** power));
