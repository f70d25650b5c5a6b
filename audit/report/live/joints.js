// The joint list: sorted by any column, searched, filtered, and walked through with the arrow keys.

const COLUMNS = [
  { name: "Joint", key: (joint) => joint.name.toLowerCase(), cell: (joint) => made("bdi", {}, joint.name) },
  { name: "Kind", key: (joint) => joint.row.kind, cell: (joint) => joint.row.kind },
  { name: "Edit keys", number: true, down: true, key: (joint) => joint.row.edit_keys, cell: (joint) => thousands(joint.row.edit_keys) },
  { name: "after", number: true, key: (joint) => joint.keysAfter, cell: (joint) => thousands(joint.keysAfter) },
  { name: "saved", number: true, down: true, key: (joint) => joint.row.edit_keys - joint.keysAfter,
    cell: (joint) => (joint.keysAfter < joint.row.edit_keys ? thousands(joint.row.edit_keys - joint.keysAfter) : "–") },
  { name: "Curves", number: true, down: true, key: (joint) => joint.row.moving_channels, cell: (joint) => String(joint.row.moving_channels) },
  { name: "Spread", number: true, down: true, key: (joint) => joint.row.channel_spread ?? -1, cell: (joint) => spreadText(joint.row.channel_spread) },
  { name: "Offset", number: true, down: true, key: (joint) => (joint.row.twist_offset_deg === null ? -1 : Math.abs(joint.row.twist_offset_deg)),
    cell: (joint) => (joint.row.twist_offset_deg === null ? "–" : signedText(joint.row.twist_offset_deg)) },
  { name: "Certainty", number: true, key: (joint) => halfInterval(joint) ?? 1e9,
    cell: (joint) => (halfInterval(joint) === null ? "–" : `±${degreesText(Math.max(halfInterval(joint), 0.1))}`) },
  { name: "Findings", down: true, key: (joint) => gravity(joint), cell: (joint) => findingsOf(joint) },
];

const SEVERITIES = ["fix", "look", "note"];

function halfInterval(joint) {
  const interval = joint.row.twist_interval_deg;
  return interval ? (interval[1] - interval[0]) / 2 : null;
}

/** How grave the findings of a joint are, as a number that sorts. */
function gravity(joint) {
  return joint.row.findings.reduce((sum, each) => sum + 100 ** (2 - SEVERITIES.indexOf(each.severity)), 0);
}

function findingsOf(joint) {
  const parts = document.createDocumentFragment();
  for (const finding of joint.row.findings) {
    parts.append(made("span", { class: "pair" }, made("span", { class: `severity ${finding.severity}` }, finding.severity), ` ${finding.check}`), " ");
  }
  return joint.row.findings.length ? parts : "–";
}

class JointList {
  constructor(joints, choose) {
    this.joints = joints;
    this.choose = choose;
    this.sorted = { column: 4, down: true };
    this.heads = COLUMNS.map((column, place) => this.head(column, place));
    element("heads").append(...this.heads);
    this.rows = new Map(joints.map((joint) => [joint, this.row(joint)]));
    const checks = [...new Set(joints.flatMap((joint) => joint.row.findings.map((each) => each.check)))].sort();
    element("check").append(...checks.map((check) => made("option", {}, check)));
    for (const name of ["search", "kind", "check", "severity"]) element(name).addEventListener("input", () => this.show());
    element("filter").addEventListener("submit", (event) => event.preventDefault());
    element("rows").addEventListener("keydown", (event) => this.walk(event));
    element("search").addEventListener("keydown", (event) => {
      if (event.key === "ArrowDown" && this.shown.length) {
        event.preventDefault();
        this.focus(this.shown[0]);
      }
    });
    this.show();
  }

  head(column, place) {
    const button = made("button", { type: "button" }, column.name);
    button.addEventListener("click", () => {
      const same = this.sorted.column === place;
      this.sorted = { column: place, down: same ? !this.sorted.down : Boolean(column.down) };
      this.show();
    });
    return made("th", { scope: "col", class: column.number ? "n" : "" }, button);
  }

  row(joint) {
    const cells = COLUMNS.map((column, place) => {
      const cell = made(place ? "td" : "th", { class: column.number ? "n" : "" });
      if (place) {
        cell.append(column.cell(joint));
      } else {
        cell.setAttribute("scope", "row");
        const button = made("button", { type: "button", tabindex: "-1" }, column.cell(joint));
        cell.append(button);
      }
      return cell;
    });
    const row = made("tr", {}, ...cells);
    row.addEventListener("click", () => this.choose(joint));
    return row;
  }

  /** Whether a joint passes the filters; the severity asked for is that of the finding asked for. */
  passes(joint) {
    const [check, severity] = [element("check").value, element("severity").value];
    const kind = element("kind").value;
    const search = element("search").value.trim().toLowerCase();
    if (search && !joint.name.toLowerCase().includes(search)) return false;
    if (kind && joint.row.kind !== kind) return false;
    if (!check && !severity) return true;
    return joint.row.findings.some((each) => (!check || each.check === check) && (!severity || each.severity === severity));
  }

  show() {
    const { column, down } = this.sorted;
    const { key } = COLUMNS[column];
    this.shown = this.joints.filter((joint) => this.passes(joint)).sort((a, b) => {
      const [one, other] = [key(a), key(b)];
      const order = one < other ? -1 : one > other ? 1 : 0;
      return (down ? -order : order) || a.place - b.place;
    });
    this.heads.forEach((head, place) => {
      head.setAttribute("aria-sort", place === column ? (down ? "descending" : "ascending") : "none");
    });
    element("rows").replaceChildren(...this.shown.map((joint) => this.rows.get(joint)));
    element("nobody").hidden = this.shown.length > 0;
    const all = this.joints.length;
    say(element("count"), this.shown.length === all ? plural(all, "joint") : `${this.shown.length} of ${plural(all, "joint")}`);
    this.mark(this.chosen);
  }

  /** Show which joint is chosen; it, or else the first one, is the one that Tab leads to. */
  mark(chosen) {
    this.chosen = chosen;
    const entry = this.shown.includes(chosen) ? chosen : this.shown[0];
    for (const [joint, row] of this.rows) {
      row.classList.toggle("chosen", joint === chosen);
      const button = row.querySelector("button");
      button.tabIndex = joint === entry ? 0 : -1;
      if (joint === chosen) button.setAttribute("aria-current", "true"); else button.removeAttribute("aria-current");
    }
  }

  /** Bring the chosen joint into the part of the list that is seen, without moving the page. */
  reveal() {
    const row = this.rows.get(this.chosen), list = element("list");
    if (!row || !row.isConnected) return;
    const head = list.querySelector("thead").offsetHeight;
    const top = row.offsetTop - head, bottom = row.offsetTop + row.offsetHeight - list.clientHeight;
    if (list.scrollTop > top) list.scrollTop = top;
    if (list.scrollTop < bottom) list.scrollTop = bottom;
  }

  focus(joint) {
    this.choose(joint);
    this.rows.get(joint).querySelector("button").focus({ preventScroll: true });
    this.reveal();
  }

  walk(event) {
    const place = this.shown.findIndex((joint) => this.rows.get(joint).contains(event.target));
    const last = this.shown.length - 1;
    const page = 8;
    const next = {
      ArrowDown: place + 1, ArrowUp: place - 1, Home: 0, End: last, PageDown: place + page, PageUp: place - page,
    }[event.key];
    if (next === undefined || place < 0 || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    this.focus(this.shown[clamp(next, 0, last)]);
  }
}
