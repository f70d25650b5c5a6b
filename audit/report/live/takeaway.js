// What leaves the page: offsets, pictures, a link. Nothing is sent anywhere.

function said(text) {
  say(element("said"), text);
}

async function copied(text, what) {
  try {
    await navigator.clipboard.writeText(text);
    said(`${what} copied.`);
    return;
  } catch {
    // Some browsers keep the clipboard from pages that were opened from disk; the older way asks nobody.
  }
  const area = made("textarea", { readonly: "", "aria-hidden": "true", class: "live-unseen" });
  area.value = text;
  document.body.append(area);
  area.select();
  const done = document.execCommand("copy");
  area.remove();
  said(done ? `${what} copied.` : "This browser does not let the page copy. Save the file instead.");
}

function saved(blob, name) {
  const address = URL.createObjectURL(blob);
  const link = made("a", { href: address, download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
  said(`${name} saved.`);
}

/** A name for a file: letters and digits of the joint's or the shot's name. */
function fileName(...parts) {
  return parts.map((part) => part.normalize("NFKD").replace(/[^A-Za-z0-9_-]+/g, "-").replace(/^-+|-+$/g, "")).filter(Boolean).join("-") || "picture";
}

function pictureButtons(pictures, nameOf) {
  for (const place of document.querySelectorAll("[data-picture]")) {
    const picture = pictures[place.dataset.picture];
    const what = place.textContent;
    for (const kind of ["PNG", "SVG"]) {
      const button = made("button", { type: "button", "aria-label": `Save ${what.toLowerCase()} as ${kind}` }, kind);
      button.addEventListener("click", () => {
        const name = `${nameOf(picture.name)}.${kind.toLowerCase()}`;
        if (kind === "SVG") {
          saved(new Blob([picture.svg()], { type: "image/svg+xml" }), name);
        } else {
          paintedOnCard(picture.canvas).toBlob((blob) => saved(blob, name), "image/png");
        }
      });
      place.append(" ", button);
    }
  }
}

/** A copy of a canvas with the page's colour behind it, for files that are shown elsewhere. */
function paintedOnCard(canvas) {
  const copy = made("canvas");
  [copy.width, copy.height] = [canvas.width, canvas.height];
  const context = copy.getContext("2d");
  context.fillStyle = palette().card;
  context.fillRect(0, 0, copy.width, copy.height);
  context.drawImage(canvas, 0, 0);
  return copy;
}
