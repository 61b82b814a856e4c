/** The pattern pieces of a question: rows typed in, a file, or measured pieces of the stash. */

import { field, h, newId, put } from "./dom.js";
import { prefs } from "./prefs.js";
import { stashName } from "./stash.js";
import { lazyPicture } from "./thumbnails.js";
import { format, fromMm, parseMm } from "./units.js";

/** @typedef {import("./types.js").StashPiece} StashPiece */
/** @typedef {{pattern: Record<string, any> | null, file: File | null}} Wanted */

const SCHEMA = "flatmeasure.pattern/1";

/** @param {() => StashPiece[]} stash what is known of it */
export function patternForm(stash) {
  let way = "rows";
  const unit = prefs().unit;
  const body = h("div.pattern-body");
  const rows = h("div.rows");
  addRow(rows, unit);
  const file = h("input", { type: "file", accept: ".json,.svg,.dxf" });
  /** @type {Set<string>} */
  const measured = new Set();
  const ways = [["rows", "Sizes"], ["file", "A file"], ["stash", "The stash"]];
  const radios = ways.map(([value, title]) => h("label.choice", {}, h("input", { type: "radio", name: "way", value, checked: value === way, onchange: () => { way = value; draw(); } }), h("span", {}, title)));
  draw();

  function draw() {
    if (way === "rows") put(body, rows, h("button.plain.small", { type: "button", onclick: () => addRow(rows, unit).querySelector("input")?.focus() }, "Add a piece"));
    else if (way === "file") put(body, field("Pattern file", file, "JSON of this service, or SVG or DXF in true units."));
    else put(body, pieceList(stash(), measured, "pattern"));
  }

  /** @returns {Wanted} @throws {Error} with what to mend */
  function wanted() {
    if (way === "file") {
      if (!file.files[0]) throw new Error("Choose the pattern's file first.");
      return { pattern: null, file: file.files[0] };
    }
    const pieces = way === "rows" ? readRows(rows, unit) : readMeasured(stash(), measured);
    return { pattern: { schema: SCHEMA, unit: way === "rows" ? unit : "mm", pieces }, file: null };
  }

  return { element: h("fieldset", {}, h("legend", {}, "The pieces you want to cut"), h("div.choices", {}, radios), body), wanted, redraw: () => way === "stash" && draw() };
}

/** A list of the stash to choose from. @param {StashPiece[]} pieces @param {Set<string>} chosen @param {string} name @param {() => void} [changed] */
export function pieceList(pieces, chosen, name, changed = () => {}) {
  if (!pieces.length) return h("p.hint", {}, "The stash is empty: measure a piece of cloth first.");
  return h("ul.pick", {}, pieces.map((piece) => {
    const box = h("input", { type: "checkbox", name, checked: chosen.has(piece.id), onchange: () => {
      if (box.checked) chosen.add(piece.id);
      else chosen.delete(piece.id);
      changed();
    } });
    const size = [piece.along, piece.across].map((length) => format(length, prefs().unit)).join(" by ");
    return h("li", {}, h("label.pick-row", {}, box, lazyPicture(piece.thumbnail, ""), h("span", {}, h("b", {}, stashName(piece)), h("span.aside", {}, size))));
  }));
}

/** @param {HTMLElement} rows @param {string} unit */
function addRow(rows, unit) {
  const number = rows.children.length + 1;
  const input = (/** @type {string} */ label, /** @type {string} */ part, /** @type {Record<string, any>} */ more) => {
    const id = newId("row");
    return h(`div.cell.${part}`, {}, h("label", { for: id }, label), h("input", { id, "data-part": part, autocomplete: "off", type: "text", ...more }));
  };
  const row = h("div.pattern-row", { role: "group", "aria-label": `Piece ${number}` },
    input("Name", "name", { value: `piece ${number}`, maxlength: 60 }), input(`Width, ${unit}`, "width", { inputmode: "decimal" }),
    input(`Height, ${unit}`, "height", { inputmode: "decimal" }), input("Count", "count", { inputmode: "numeric", value: "1" }),
    h("button.quiet", { type: "button", "aria-label": `Remove piece ${number}`, onclick: () => row.remove() }, "✕"));
  rows.append(row);
  return row;
}

/** @param {HTMLElement} rows @param {import("./types.js").Unit} unit */
function readRows(rows, unit) {
  const found = [...rows.children].map((row) => {
    const get = (/** @type {string} */ part) => /** @type {HTMLInputElement} */ (row.querySelector(`[data-part=${part}]`));
    const sides = ["width", "height"].map((part) => fromMm(parseMm(get(part).value, unit), unit));
    const count = Number(get("count").value);
    const name = get("name").value.trim() || "piece";
    const wrong = sides[0] > 0 ? (sides[1] > 0 ? (Number.isInteger(count) && count > 0 ? null : "count") : "height") : "width";
    for (const part of ["width", "height", "count"]) get(part).setAttribute("aria-invalid", String(part === wrong));
    if (wrong) {
      get(wrong).focus();
      throw new Error(`The ${wrong} of ${name} must be a number above zero.`);
    }
    return { name, rectangle: sides, count, turns: "both" };
  });
  if (!found.length) throw new Error("Add a piece that you want to cut.");
  return found;
}

/** @param {StashPiece[]} stash @param {Set<string>} chosen */
function readMeasured(stash, chosen) {
  const found = stash.filter((piece) => chosen.has(piece.id));
  if (!found.length) throw new Error("Choose at least one measured piece that you want to cut.");
  return found.map((piece, k) => ({ name: `${stashName(piece)}${found.some((other, j) => j < k && stashName(other) === stashName(piece)) ? ` (${k + 1})` : ""}`, outline: piece.outline_mm, count: 1 }));
}
