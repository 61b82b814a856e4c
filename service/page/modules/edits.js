/** What a person has changed in the outline and not yet sent: a list that can be undone from its end. */

/** @typedef {import("./types.js").Point} Point */
/** @typedef {"cloth_px" | "not_cloth_px" | "cloth_boxes_px" | "not_cloth_boxes_px"} HintKind */
/** @typedef {Partial<Record<HintKind, any[]>>} Hints as the service takes them */
/** @typedef {{kind: "add", piece: string, to: Point}} Added */
/**
 * @typedef {{kind: "move", piece: string, corner: number, to: Point} | Added | {kind: "slide", of: Added, to: Point}
 *   | {kind: "remove", piece: string, corner: number} | {kind: "hint", cloth: boolean, points: Point[]}
 *   | {kind: "drop", from: HintKind, index: number}} Edit a drop takes an earlier hint away
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

  /** Takes one out as if it had never been. @param {Edit} edit */
  forget(edit) {
    this.list = this.list.filter((one) => one !== edit && !(one.kind === "slide" && one.of === edit));
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

  /** New corners of a piece. @param {string} piece */
  addedTo(piece) {
    return this.list.flatMap((edit) => (edit.kind === "add" && edit.piece === piece ? [edit] : []));
  }

  /** Where a new corner is by now. @param {Added} added @returns {Point} */
  placeOf(added) {
    let to = added.to;
    for (const edit of this.list) if (edit.kind === "slide" && edit.of === added) to = edit.to;
    return to;
  }

  /** @param {HintKind} from @param {number} index */
  isDropped(from, index) {
    return this.list.some((edit) => edit.kind === "drop" && edit.from === from && edit.index === index);
  }

  /** @param {string} piece @param {number} corner */
  isRemoved(piece, corner) {
    return this.list.some((edit) => edit.kind === "remove" && edit.piece === piece && edit.corner === corner);
  }

  /** Hints find the outline anew, so they are not mixed with corners of the outline there is. @returns {"corners" | "hints" | null} */
  get sort() {
    return this.list.length ? (["hint", "drop"].includes(this.list[0].kind) ? "hints" : "corners") : null;
  }

  /**
   * What the service takes: the last place of each corner; a corner that is removed is not moved as well; all hints,
   * those of earlier versions too unless they are taken away.
   * @param {Hints} [earlier]
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
      added_corners: this.list.flatMap((edit) => (edit.kind === "add" ? [{ piece: edit.piece, at_px: round(this.placeOf(edit)) }] : [])),
      removed_corners: this.list.flatMap((edit) => (edit.kind === "remove" ? [{ piece: edit.piece, corner: edit.corner }] : [])),
    };
    for (const key of Object.keys(found)) if (!found[key].length) delete found[key];
    if (this.sort === "hints") {
      const kept = Object.fromEntries(Object.entries(earlier).map(([from, given]) => [from, given.filter((_, k) => !this.isDropped(/** @type {HintKind} */ (from), k))]));
      const strokes = (/** @type {boolean} */ cloth) => hints.filter((hint) => hint.cloth === cloth).map((hint) => hint.points.map(round));
      found.hints = { ...kept, cloth_px: [...(kept.cloth_px ?? []), ...strokes(true)], not_cloth_px: [...(kept.not_cloth_px ?? []), ...strokes(false)] };
    }
    return found;
  }

  /** What is waiting, in words. */
  summary() {
    const count = (/** @type {string} */ kind) => new Set(this.list.filter((edit) => edit.kind === kind).map((edit) => ("corner" in edit ? `${edit.piece}${edit.corner}` : edit))).size;
    const say = (/** @type {number} */ n, /** @type {string} */ what) => (n ? [`${n} ${what}${n > 1 ? "s" : ""}`] : []);
    const parts = [...say(count("move"), "moved corner"), ...say(count("add"), "new corner"), ...say(count("remove"), "removed corner"), ...say(count("hint"), "hint"), ...say(count("drop"), "earlier hint").map((words) => `${words} taken away`)];
    return parts.join(", ");
  }
}

/** @param {Point} point @returns {Point} */
function round([x, y]) {
  return [Math.round(x * 100) / 100, Math.round(y * 100) / 100];
}
