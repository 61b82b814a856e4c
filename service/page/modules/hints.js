/** The tool that marks "this is cloth" and "this is not cloth": a stroke of the finger, or a cross moved by keys; each can be taken away. */

import { h, s } from "./dom.js";
import { distance, path } from "./geometry.js";
import { arrowWay } from "./view.js";

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./view.js").PhotoView} PhotoView */
/** @typedef {import("./edits.js").Edits} Edits */
/** @typedef {import("./edits.js").HintKind} HintKind */
/** @typedef {{cloth: boolean, points: Point[], away: import("./edits.js").Edit | null, edit?: import("./edits.js").Edit}} Mark */

const SPACING_PX = 5; // on the screen, between points of a stroke
const KEY_STEP_PX = 12;

export class HintTool {
  /** @param {PhotoView} view @param {Edits} edits @param {() => import("./edits.js").Hints} earlier those of the version that is shown */
  constructor(view, edits, earlier) {
    this.view = view;
    this.edits = edits;
    this.earlier = earlier;
    /** @type {HTMLElement[]} */
    this.pins = [];
    this.cloth = true;
    this.strokes = s("g");
    view.shapes.append(this.strokes);
    /** @type {Point[] | null} */
    this.stroke = null;
    /** @type {any} */
    this.cross = null;
  }

  draw() {
    const marks = this.#marks();
    const drawn = this.stroke ? [...marks, { cloth: this.cloth, points: this.stroke }] : marks;
    this.strokes.replaceChildren(...drawn.flatMap(({ cloth, points }) => {
      const d = points.length > 1 ? path(points) : `M${points[0][0]} ${points[0][1]}h.01`;
      const kind = cloth ? "is-cloth" : "not-cloth";
      return [s(`path.hint-casing.${kind}`, { d }), s(`path.hint-line.${kind}`, { d })];
    }));
    if (this.stroke) return;
    for (const pin of this.pins) pin.remove();
    this.pins = marks.map((mark, k) => this.view.pin(h("div.pin", {}, h("button.take-away", {
      type: "button", "aria-label": `Take away hint ${k + 1}, ${mark.cloth ? "this is cloth" : "this is not cloth"}`, onclick: () => this.#takeAway(mark),
    }, h("span", { "aria-hidden": "true" }, "×"))), mark.points[Math.floor(mark.points.length / 2)]));
  }

  /** Hints of the version shown that are not taken away, then new ones. @returns {Mark[]} */
  #marks() {
    const earlier = /** @type {[HintKind, any[]][]} */ (Object.entries(this.earlier())).flatMap(([from, given]) => given.flatMap((one, index) =>
      (this.edits.isDropped(from, index) ? [] : [{ cloth: !from.startsWith("not"), points: from.includes("boxes") ? aroundBox(one) : one, away: /** @type {const} */ ({ kind: "drop", from, index }) }])));
    return [...earlier, ...this.edits.list.flatMap((edit) => (edit.kind === "hint" ? [{ cloth: edit.cloth, points: edit.points, away: null, edit }] : []))];
  }

  /** @param {Mark} mark */
  #takeAway({ away, edit }) {
    if (away) this.edits.add(away);
    else if (edit) this.edits.forget(edit);
    this.view.stage.focus({ preventScroll: true });
  }

  clear() {
    this.strokes.replaceChildren();
    for (const pin of this.pins) pin.remove();
    this.pins = [];
    this.#dropCross();
  }

  /** @param {Point} at @param {PointerEvent} event */
  down(at, event) {
    if (event.target instanceof Element && event.target.closest("button")) return false;
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
    const way = arrowWay(event);
    if (way) {
      const step = (event.shiftKey ? 4 : 1) * KEY_STEP_PX * this.view.k;
      const from = this.cross?.at ?? this.view.centre;
      this.cross ??= h("div.pin", {}, h("span.key-cross", { "aria-hidden": "true" }));
      this.view.pin(this.cross, [from[0] + way[0] * step, from[1] + way[1] * step]);
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

/** @param {[number, number, number, number]} box @returns {Point[]} */
function aroundBox([x0, y0, x1, y1]) {
  return [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]];
}
