/** The tool that marks "this is cloth" and "this is not cloth": a stroke of the finger, or a cross moved by keys. */

import { h, s } from "./dom.js";
import { distance, path } from "./geometry.js";

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./view.js").PhotoView} PhotoView */
/** @typedef {import("./edits.js").Edits} Edits */

const SPACING_PX = 5; // on the screen, between points of a stroke
const KEY_STEP_PX = 12;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

export class HintTool {
  /** @param {PhotoView} view @param {Edits} edits */
  constructor(view, edits) {
    this.view = view;
    this.edits = edits;
    this.cloth = true;
    this.strokes = s("g");
    view.shapes.append(this.strokes);
    /** @type {Point[] | null} */
    this.stroke = null;
    /** @type {any} */
    this.cross = null;
  }

  draw() {
    const strokes = this.edits.list.flatMap((edit) => (edit.kind === "hint" ? [edit] : []));
    if (this.stroke) strokes.push({ kind: "hint", cloth: this.cloth, points: this.stroke });
    this.strokes.replaceChildren(...strokes.flatMap(({ cloth, points }) => {
      const d = points.length > 1 ? path(points) : `M${points[0][0]} ${points[0][1]}h.01`;
      const kind = cloth ? "is-cloth" : "not-cloth";
      return [s(`path.hint-casing.${kind}`, { d }), s(`path.hint-line.${kind}`, { d })];
    }));
  }

  clear() {
    this.strokes.replaceChildren();
    this.#dropCross();
  }

  /** @param {Point} at */
  down(at) {
    this.#dropCross();
    this.stroke = [at];
    this.draw();
    return true;
  }

  /** @param {Point} at */
  move(at) {
    if (!this.stroke || distance(at, this.stroke[this.stroke.length - 1]) < SPACING_PX * this.view.k) return;
    this.stroke.push(at);
    this.draw();
    this.view.enlarge(at);
  }

  up() {
    const stroke = this.stroke;
    this.cancel();
    if (stroke) this.edits.add({ kind: "hint", cloth: this.cloth, points: stroke });
  }

  cancel() {
    this.stroke = null;
    this.view.loupe.hide();
    this.draw();
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (event.target !== this.view.stage) return false;
    if (event.key in ARROWS) {
      const [dx, dy] = ARROWS[/** @type {keyof typeof ARROWS} */ (event.key)];
      const step = (event.shiftKey ? 4 : 1) * KEY_STEP_PX * this.view.k;
      const from = this.cross?.at ?? this.view.centre;
      this.cross ??= h("div.pin", {}, h("span.key-cross", { "aria-hidden": "true" }));
      this.view.pin(this.cross, [from[0] + dx * step, from[1] + dy * step]);
      this.view.reveal(this.cross.at);
      return true;
    }
    if (event.key !== "Enter" && event.key !== " ") return false;
    this.edits.add({ kind: "hint", cloth: this.cloth, points: [this.cross?.at ?? [...this.view.centre]] });
    return true;
  }

  #dropCross() {
    this.cross?.remove();
    this.cross = null;
  }
}
