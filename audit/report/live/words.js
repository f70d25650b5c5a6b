// Words and elements: numbers as the static page writes them, and text that is never read as a tag.

function degreesText(value, digits = 1) {
  let text = value.toFixed(digits);
  if (Number(text) === 0) text = text.replace("-", "");
  return `${text.replace("-", "−")}°`;
}

function signedText(value, digits = 1) {
  const text = degreesText(value, digits);
  return text.startsWith("−") || parseFloat(text) === 0 ? text : `+${text}`;
}

function thousands(value) {
  return String(value).replace(/\B(?=(\d{3})+(?!\d))/g, ",");
}

function plural(count, word) {
  return `${thousands(count)} ${count === 1 ? word : `${word}s`}`;
}

function spreadText(value) {
  return value === null ? "–" : value.toFixed(2);
}

function upperFirst(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

function element(id) {
  return document.getElementById(`live-${id}`);
}

/** A new element. Strings become text, never tags. */
function made(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "class") node.className = value; else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

/** Text in an element of a page, written only where it changes, so that screen readers are left in peace. */
function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function clamp(value, low, high) {
  return Math.min(Math.max(value, low), high);
}

/** Do work in slices short enough that the page stays at hand; each step says whether there is more to do. */
function inSlices(step, done = () => {}) {
  let ended = false;
  const slice = () => {
    const until = performance.now() + 10;
    while (!ended && performance.now() < until) {
      if (!step()) {
        ended = true;
        done();
      }
    }
    if (!ended) setTimeout(slice, 0);
  };
  setTimeout(slice, 0);
  return () => {
    ended = true;
  };
}
