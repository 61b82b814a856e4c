/** The tool that moves, adds and removes corners: by finger with a loupe, by mouse, by arrow keys. */

import { h, s } from "./dom.js";
import { cased } from "./drawing.js";
import { distance, edgesPx, halfWay, nearest, path } from "./geometry.js";
import { GRAB_PX, arrowWay } from "./view.js";

/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./view.js").PhotoView} PhotoView */
/** @typedef {import("./edits.js").Edits} Edits */

export class CornerTool {
  /**
   * @param {PhotoView} view
   * @param {Edits} edits
   * @param {(corner: number | null) => void} onChosen
   */
  constructor(view, edits, onChosen) {
    this.view = view;
    this.edits = edits;
    this.onChosen = onChosen;
    this.pending = s("g");
    view.shapes.append(this.pending);
    this.adding = false;
    /** @type {number | null} */
    this.chosen = null;
    /** @type {{corner: number, from: Point, offset: Point, to: Point} | null} */
    this.drag = null;
    /** @type {any[]} */
    this.handles = [];
  }

  /** @param {Piece} piece */
  draw(piece) {
    this.piece = piece;
    const focused = document.activeElement?.getAttribute("data-corner");
    this.clear();
    piece.corners.forEach((_, k) => this.handles.push(this.#handle(k)));
    this.#added.forEach((_, k) => this.handles.push(this.#handle(piece.corners.length + k)));
    this.#preview();
    if (focused) this.handles[Number(focused)]?.firstChild.focus({ preventScroll: true });
    if (this.chosen !== null && this.chosen >= this.handles.length) this.choose(null);
  }

  clear() {
    for (const handle of this.handles) handle.remove();
    this.handles = [];
    this.pending.replaceChildren();
  }

  /** @param {number | null} corner */
  choose(corner) {
    this.chosen = corner;
    this.handles.forEach((handle, k) => handle.firstChild.classList.toggle("chosen", k === corner));
    this.onChosen(corner);
  }

  /** Moves the chosen corner by screen pixels. @param {number} dx @param {number} dy */
  nudge(dx, dy) {
    if (!this.piece || this.chosen === null) return;
    const at = this.#place(this.chosen);
    const step = Math.max(this.view.k, 0.25);
    this.#moveTo(this.chosen, [at[0] + dx * step, at[1] + dy * step]);
    this.view.reveal(this.#place(this.chosen));
  }

  removeChosen() {
    if (!this.piece || this.chosen === null || this.edits.isRemoved(this.piece.id, this.chosen)) return;
    const added = this.#addedAt(this.chosen);
    if (added) return this.edits.forget(added);
    this.edits.add({ kind: "remove", piece: this.piece.id, corner: this.chosen });
  }

  /** Adds a corner half-way along an edge. @param {number} edge its place in the piece */
  addMiddle(edge) {
    if (!this.piece) return;
    const { at } = halfWay(edgesPx(this.piece)[edge]);
    this.view.reveal(at);
    this.edits.add({ kind: "add", piece: this.piece.id, to: at });
  }

  /** Adds a corner at the place of an edge nearest to a point. @param {Point} at */
  addNear(at) {
    if (this.piece) this.edits.add({ kind: "add", piece: this.piece.id, to: this.#onOutline(at) });
  }

  /** @param {Point} at @returns {boolean} */
  down(at) {
    if (!this.piece) return false;
    let corner = -1;
    let away = GRAB_PX * this.view.k;
    for (let k = this.adding ? this.piece.corners.length : 0; k < this.count; k += 1) {
      const d = distance(at, this.#place(k));
      if (d < away) [corner, away] = [k, d];
    }
    if (corner < 0) return false;
    const from = this.#place(corner);
    this.drag = { corner, from, offset: [from[0] - at[0], from[1] - at[1]], to: from };
    this.choose(corner);
    return true;
  }

  /** @param {Point} at */
  move(at) {
    if (!this.drag) return;
    /** @type {Point} */
    const to = [at[0] + this.drag.offset[0], at[1] + this.drag.offset[1]];
    this.drag.to = this.#addedAt(this.drag.corner) ? this.#onOutline(to) : to;
    const handle = this.handles[this.drag.corner];
    this.view.pin(handle, this.drag.to);
    this.#preview();
    this.view.enlarge(this.drag.to);
  }

  up() {
    const drag = this.drag;
    this.cancel();
    if (drag && drag.to !== drag.from) this.#moveTo(drag.corner, drag.to);
  }

  cancel() {
    const drag = this.drag;
    this.drag = null;
    this.view.loupe.hide();
    if (drag) this.view.pin(this.handles[drag.corner], drag.from);
    this.#preview();
  }

  /** @param {Point} at */
  tap(at) {
    if (this.adding) this.addNear(at);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const focused = event.target instanceof Element ? event.target.getAttribute("data-corner") : null;
    if (focused === null) return false;
    if (this.chosen !== Number(focused)) this.choose(Number(focused));
    const way = arrowWay(event);
    if (way) {
      const times = event.shiftKey ? 10 : 1;
      this.nudge(way[0] * times, way[1] * times);
    } else if (event.key === "Delete" || event.key === "Backspace") this.removeChosen();
    else return false;
    return true;
  }

  /** How many corners there are, new ones last. */
  get count() {
    return this.piece ? this.piece.corners.length + this.#added.length : 0;
  }

  get #added() {
    return this.piece ? this.edits.addedTo(this.piece.id) : [];
  }

  /** The edit that made a corner, if it is new. @param {number} corner */
  #addedAt(corner) {
    return this.#added[corner - /** @type {Piece} */ (this.piece).corners.length];
  }

  /** A new corner only moves along the outline: it is a place of it. @param {number} corner @param {Point} to */
  #moveTo(corner, to) {
    const of = this.#addedAt(corner);
    this.edits.add(of ? { kind: "slide", of, to: this.#onOutline(to) } : { kind: "move", piece: /** @type {Piece} */ (this.piece).id, corner, to });
  }

  /** @param {Point} at @returns {Point} the place of the outline nearest to it */
  #onOutline(at) {
    let best = { away: Infinity, at };
    for (const points of edgesPx(/** @type {Piece} */ (this.piece))) {
      const found = nearest(at, points);
      if (found.away < best.away) best = found;
    }
    return best.at;
  }

  /** @param {number} corner @returns {Point} */
  #place(corner) {
    const piece = /** @type {Piece} */ (this.piece);
    if (this.drag?.corner === corner) return this.drag.to;
    const added = this.#addedAt(corner);
    if (added) return this.edits.placeOf(added);
    return this.edits.movedTo(piece.id, corner) ?? piece.corners[corner].at_px;
  }

  /** @param {number} k */
  #handle(k) {
    const piece = /** @type {Piece} */ (this.piece);
    const removed = this.edits.isRemoved(piece.id, k);
    const added = this.#addedAt(k);
    const state = [k === this.chosen && "chosen", removed && "removed", added && "new", this.edits.movedTo(piece.id, k) && "moved"].filter(Boolean).join(" ");
    const name = added ? "New corner. Arrow keys move it along the outline" : `Corner ${k + 1} of ${piece.corners.length}${removed ? ", to be removed" : ""}. Arrow keys move it`;
    const button = h("button", {
      type: "button", class: `handle ${state}`, "data-corner": k,
      "aria-label": `${name}, Delete removes it.`,
      onclick: () => this.choose(k), onfocus: () => this.chosen !== k && this.choose(k),
    });
    return this.view.pin(h("div.pin", {}, button), this.#place(k));
  }

  /** The edges beside moved corners, bent along; nothing is known of their length yet. */
  #preview() {
    const piece = this.piece;
    if (!piece) return;
    const shift = piece.corners.map(({ at_px }, k) => {
      const to = this.#place(k);
      return [to[0] - at_px[0], to[1] - at_px[1]];
    });
    const lines = edgesPx(piece).flatMap((points, e) => {
      const [a, b] = [shift[piece.edges[e].from], shift[piece.edges[e].to]];
      if (!a || !b || !(a[0] || a[1] || b[0] || b[1])) return [];
      const last = points.length - 1;
      return [path(points.map(([x, y], i) => [x + a[0] * (1 - i / last) + b[0] * (i / last), y + a[1] * (1 - i / last) + b[1] * (i / last)]))];
    });
    this.pending.replaceChildren(...lines.flatMap((d) => cased(d, "pending")));
  }
}
