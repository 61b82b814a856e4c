/** When no square is found: its four corners are shown by hand, then the photo is measured with them. */

import { h, put, s } from "./dom.js";
import { cased } from "./drawing.js";
import { distance, path } from "./geometry.js";
import { givenLength } from "./units.js";
import { GRAB_PX, PhotoView, arrowWay } from "./view.js";

/** @typedef {import("./types.js").Point} Point */

/**
 * @param {HTMLElement} root
 * @param {Blob} photo
 * @param {number} sideMm
 * @param {import("./types.js").Unit} unit
 * @param {(references: Record<string, any>[] | null) => void} done null: given up
 */
export async function markSquare(root, photo, sideMm, unit, done) {
  const url = URL.createObjectURL(photo);
  const image = new Image();
  image.src = url;
  await image.decode();
  const view = new PhotoView(image.naturalWidth, image.naturalHeight, "Photo. Show the four corners of the square.");
  const lines = s("g");
  view.shapes.append(lines);
  const side = Math.min(image.naturalWidth, image.naturalHeight) / 6;
  const [cx, cy] = [image.naturalWidth / 2, image.naturalHeight / 2];
  /** @type {Point[]} */
  const corners = [[cx - side, cy - side], [cx + side, cy - side], [cx + side, cy + side], [cx - side, cy + side]];
  const handles = corners.map((at, k) => view.pin(h("div.pin", {}, h("button.handle", { type: "button", "data-corner": k, "aria-label": `Corner ${k + 1} of the square. Arrow keys move it.` })), at));
  let held = -1;
  const draw = () => lines.replaceChildren(...cased(path(corners, true), "pending"));
  const set = (/** @type {number} */ k, /** @type {Point} */ at) => {
    corners[k] = at;
    view.pin(handles[k], at);
    draw();
  };
  view.tool = {
    down(at) {
      held = corners.findIndex((corner) => distance(corner, at) < GRAB_PX * view.k);
      return held >= 0;
    },
    move(at) {
      set(held, at);
      view.enlarge(at);
    },
    up: () => view.loupe.hide(),
    cancel: () => view.loupe.hide(),
    key(event) {
      const k = event.target instanceof Element ? event.target.getAttribute("data-corner") : null;
      const way = arrowWay(event);
      if (k === null || !way) return false;
      const times = (event.shiftKey ? 10 : 1) * Math.max(view.k, 0.25);
      const [x, y] = corners[Number(k)];
      set(Number(k), [x + way[0] * times, y + way[1] * times]);
      handles[Number(k)].firstChild.focus({ preventScroll: true });
      return true;
    },
  };
  const end = (/** @type {Record<string, any>[] | null} */ references) => {
    view.close();
    URL.revokeObjectURL(url);
    done(references);
  };
  put(root, h("section.by-hand", {}, h("h2", {}, "Show where the square is"),
    h("p.hint", {}, `Drag each mark to a corner of your square of ${givenLength(sideMm, unit)}. Zoom in: a hair's breadth counts.`), view.element,
    h("div.row.wrap", {}, h("button.main", { type: "button", onclick: () => end([{ corners_px: corners, side_mm: sideMm }]) }, "Measure with this square"),
      h("button.plain", { type: "button", onclick: () => end(null) }, "Back"))));
  view.show(url);
  view.fit();
  draw();
}
