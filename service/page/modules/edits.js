/** What a person has changed in the outline and not yet sent: a list that can be undone from its end. */

/** @typedef {import("./types.js").Point} Point */
/**
 * @typedef {{kind: "move", piece: string, corner: number, to: Point} | {kind: "add", piece: string, to: Point}
 *   | {kind: "remove", piece: string, corner: number} | {kind: "hint", cloth: boolean, points: Point[]}} Edit
 */

export class Edits {
  /** @type {Edit[]} */
  list = [];
  /** @type {() => void} */
  onChange = () => {};

  /** @param {Edit} edit */
  add(edit) {
    this.list.push(edit);
    this.onChange();
  }

  undo() {
    this.list.pop();
    this.onChange();
  }

  clear() {
    this.list = [];
    this.onChange();
  }

  /** Where a corner was moved to, if it was. @param {string} piece @param {number} corner @returns {Point | null} */
  movedTo(piece, corner) {
    let to = null;
    for (const edit of this.list) if (edit.kind === "move" && edit.piece === piece && edit.corner === corner) to = edit.to;
    return to;
  }

  /** @param {string} piece @param {number} corner */
  isRemoved(piece, corner) {
    return this.list.some((edit) => edit.kind === "remove" && edit.piece === piece && edit.corner === corner);
  }

  /** Hints find the outline anew, so they are not mixed with corners of the outline there is. @returns {"corners" | "hints" | null} */
  get sort() {
    return this.list.length ? (this.list[0].kind === "hint" ? "hints" : "corners") : null;
  }

  /**
   * What the service takes: the last place of each corner; a corner that is removed is not moved as well; all hints,
   * those of earlier versions too.
   * @param {{cloth_px?: Point[][], not_cloth_px?: Point[][]}} [earlier]
   */
  corrections(earlier = {}) {
    /** @type {Map<string, {piece: string, corner: number, to_px: Point}>} */
    const moved = new Map();
    for (const edit of this.list) {
      if (edit.kind === "move" && !this.isRemoved(edit.piece, edit.corner)) {
        moved.set(`${edit.piece}${edit.corner}`, { piece: edit.piece, corner: edit.corner, to_px: round(edit.to) });
      }
    }
    const hints = this.list.flatMap((edit) => (edit.kind === "hint" ? [edit] : []));
    /** @type {Record<string, any>} */
    const found = {
      moved_corners: [...moved.values()],
      added_corners: this.list.flatMap((edit) => (edit.kind === "add" ? [{ piece: edit.piece, at_px: round(edit.to) }] : [])),
      removed_corners: this.list.flatMap((edit) => (edit.kind === "remove" ? [{ piece: edit.piece, corner: edit.corner }] : [])),
    };
    for (const key of Object.keys(found)) if (!found[key].length) delete found[key];
    if (hints.length) {
      const strokes = (/** @type {boolean} */ cloth) => hints.filter((hint) => hint.cloth === cloth).map((hint) => hint.points.map(round));
      found.hints = { ...earlier, cloth_px: [...(earlier.cloth_px ?? []), ...strokes(true)], not_cloth_px: [...(earlier.not_cloth_px ?? []), ...strokes(false)] };
    }
    return found;
  }

  /** What is waiting, in words. */
  summary() {
    const count = (/** @type {string} */ kind) => new Set(this.list.filter((edit) => edit.kind === kind).map((edit) => ("corner" in edit ? `${edit.piece}${edit.corner}` : edit))).size;
    const say = (/** @type {number} */ n, /** @type {string} */ what) => (n ? [`${n} ${what}${n > 1 ? "s" : ""}`] : []);
    const parts = [...say(count("move"), "moved corner"), ...say(count("add"), "new corner"), ...say(count("remove"), "removed corner"), ...say(count("hint"), "hint")];
    return parts.join(", ");
  }
}

/** @param {Point} point @returns {Point} */
function round([x, y]) {
  return [Math.round(x * 100) / 100, Math.round(y * 100) / 100];
}
