/** The third tab: names, seam allowances and the grain of a piece, kept as a revision of their own. */

import { field, h, put, switchable, switchTo } from "./dom.js";
import { edgeName, grainAngle, pieceName } from "./drawing.js";
import { pieceChoice } from "./measures.js";
import { parseMm, plainLength } from "./units.js";

/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {import("./types.js").Notes} Notes */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./drawing.js").Selection} Selection */

/** A piece with what is noted but not saved. @param {Piece} piece @param {Record<string, Notes>} drafts @returns {Piece} */
export function withNotes(piece, drafts) {
  return { ...piece, ...drafts[piece.id] };
}

/**
 * @param {{pieces: () => Piece[], selection: () => Selection, select: (selection: Selection) => void, drafts: Record<string, Notes>,
 *   unit: () => Unit, redraw: () => void, save: () => void, busy: () => boolean}} parts
 */
export function notesTab(parts) {
  const { drafts } = parts;
  const chosen = parts.pieces().find((one) => one.id === parts.selection().piece) ?? parts.pieces()[0];
  const said = h("p", { role: "status" });
  const save = switchable("main", "Save", parts.save);
  if (!chosen) return { content: [h("p", {}, "There is no piece to name.")], drawEdge() {}, drawSave() {} };
  const now = () => withNotes(chosen, drafts);

  /** @param {Notes} change */
  function note(change) {
    drafts[chosen.id] = { ...drafts[chosen.id], ...change };
    parts.redraw();
    drawSave();
  }

  const pick = h("select", { onchange: () => parts.select({ piece: chosen.id, edge: pick.value || null }) });
  const edgeFields = h("div.edge-notes");

  function drawEdge() {
    const piece = now();
    const edge = piece.edges.find((one) => one.id === parts.selection().edge);
    put(pick, h("option", { value: "" }, "Choose, or tap it in the photo"),
      piece.edges.map((one) => h("option", { value: one.id, selected: one.id === edge?.id }, piece.labels?.[one.id] ? `${one.id}: ${piece.labels[one.id]}` : one.id)));
    if (!edge) return put(edgeFields);
    const name = h("input", { type: "text", maxlength: 80, value: piece.labels?.[edge.id] ?? "", placeholder: "such as hem", oninput: () => {
      note({ labels: setKey(now().labels, edge.id, name.value.trim() || null) });
      sayAlong();
    } });
    const along = h("button.plain.small", { type: "button", onclick: () => { note({ grain: { edge: edge.id } }); drawGrain(); } });
    const sayAlong = () => { along.textContent = `The grain runs along ${edgeName(now(), edge.id)}`; };
    const allowance = lengthInput(piece.allowances_mm?.[edge.id], parts.unit(), (mm) => note({ allowances_mm: setKey(now().allowances_mm, edge.id, mm) }));
    put(edgeFields, h("div.pair", {}, field("Its name", name), field("Its seam allowance", allowance, null, h("span.unit", {}, parts.unit()))), along);
    sayAlong();
  }

  const grainText = h("p", { role: "status" });
  const turn = h("input", { type: "range", min: 0, max: 179, step: 1, "aria-valuetext": "", oninput: () => { note({ grain: { angle_deg: Number(turn.value) } }); drawGrain(); } });
  const unknown = h("button.plain.small", { type: "button", onclick: () => { note({ grain: null }); drawGrain(); } }, "Unknown");

  function drawGrain() {
    const piece = now();
    const angle = grainAngle(piece);
    turn.value = String(Math.round(angle ?? 90) % 180);
    turn.setAttribute("aria-valuetext", angle === null ? "not known" : `${Math.round(angle)} degrees`);
    grainText.textContent = angle === null ? "Not known. Choose an edge it runs along, or turn the arrow."
      : piece.grain?.edge ? `Along ${edgeName(piece, piece.grain.edge)}.` : `At ${Math.round(angle)}° to the mat's width.`;
  }

  function drawSave() {
    const some = Object.keys(drafts).length > 0;
    said.textContent = some ? "Not saved yet." : "Nothing to save.";
    switchTo(save, some && !parts.busy());
    save.textContent = parts.busy() ? "Saving…" : "Save";
  }

  const name = h("input", { type: "text", "data-key": "name", maxlength: 80, value: now().name ?? "", placeholder: pieceName({ ...chosen, name: "" }), oninput: () => note({ name: name.value.trim() }) });
  const layers = h("select", { "data-key": "layers", onchange: () => note({ layers: Number(layers.value) }) }, [1, 2].map((count) => h("option", { value: count, selected: (now().layers ?? 1) === count }, count === 1 ? "one" : "two (folded)")));
  const all = lengthInput(undefined, parts.unit(), (mm) => { note({ allowances_mm: mm === null ? {} : Object.fromEntries(chosen.edges.map((edge) => [edge.id, mm])) }); drawEdge(); });
  drawEdge();
  drawGrain();
  drawSave();
  return {
    content: [pieceChoice(parts.pieces(), parts.selection(), parts.select), h("div.pair", {}, field("Name of this piece", name), field("Layers", layers)),
      field("Seam allowance all round", all, "Already on this cloth, outside the seam line. Single edges can differ below.", h("span.unit", {}, parts.unit())), field("Edge", pick), edgeFields,
      h("section.grain-box", { "aria-label": "Grain" }, h("h3", {}, "Grain"), grainText, field("Turn the arrow", turn, null, unknown)), h("div.waiting", {}, said, save)],
    drawEdge,
    drawSave,
  };
}

/** @param {number | undefined} mm @param {Unit} unit @param {(mm: number | null) => void} changed */
function lengthInput(mm, unit, changed) {
  const input = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: mm === undefined ? "" : plainLength(mm, unit), oninput: () => {
    const found = parseMm(input.value, unit);
    const fine = input.value.trim() === "" || Number.isFinite(found);
    input.setAttribute("aria-invalid", String(!fine));
    if (fine) changed(input.value.trim() === "" ? null : found);
  } });
  return input;
}

/** @template T @param {Record<string, T> | undefined} from @param {string} key @param {T | null} value @returns {Record<string, T>} */
function setKey(from, key, value) {
  const copy = { ...from };
  if (value === null) delete copy[key];
  else copy[key] = value;
  return copy;
}
