/** The first tab: the measures of the chosen piece and edge, and what limits them. */

import { h, notice } from "./dom.js";
import { edgeName, pieceName } from "./drawing.js";
import { format, givenLength, sentence, sixteenths, spoken } from "./units.js";

/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {import("./types.js").Quantity} Quantity */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./types.js").Measurement} Measurement */
/** @typedef {import("./drawing.js").Selection} Selection */

/**
 * @param {Measurement} measurement
 * @param {Selection} selection
 * @param {Unit} unit
 * @param {(selection: Selection) => void} select
 */
export function measuresTab(measurement, selection, unit, select) {
  const piece = measurement.pieces.find((one) => one.id === selection.piece);
  if (!piece) return [notice("note", "No piece of cloth was found.", h("p", {}, "Mark the cloth with a hint under Correct."))];
  const edge = piece.edges.find((one) => one.id === selection.edge);
  return [
    pieceChoice(measurement.pieces, selection, select),
    summary(piece, unit),
    edge ? edgeCard(piece, edge.id, unit) : h("p.hint.tap-hint", {}, "Tap an edge in the photo to see it by itself."),
    measurement.warnings.map((warning) => notice("note", sentence(warning.message, unit), h("p", {}, sentence(warning.advice, unit)))),
    edgeTable(piece, selection, unit, select),
    h("p.hint", {}, "± holds the true value in about 95 of 100 cases. The angle is that of the corner where an edge begins."),
    squaresLine(measurement, unit),
  ];
}

/** @param {Piece[]} pieces @param {Selection} selection @param {(selection: Selection) => void} select */
export function pieceChoice(pieces, selection, select) {
  if (pieces.length < 2) return null;
  return h("div.choices", { role: "group", "aria-label": "Piece" }, pieces.map((one) =>
    h("button.choice", { type: "button", "data-key": `piece-${one.id}`, "aria-pressed": String(one.id === selection.piece), onclick: () => select({ piece: one.id, edge: null }) }, pieceName(one))));
}

/** @param {Piece} piece @param {Unit} unit */
function summary(piece, unit) {
  const row = (/** @type {string} */ name, /** @type {Quantity} */ quantity, /** @type {string} */ extra = "") =>
    h("div", {}, h("dt", {}, name), h("dd", {}, amount(quantity, unit), inchFraction(quantity, unit), extra && h("span.aside", {}, extra)));
  const along = piece.along_edge ? edgeName(piece, piece.along_edge) : "its length";
  return h("section.summary", { "aria-label": "Summary" },
    h("h2", {}, pieceName(piece)),
    piece.complete ? null : notice("note", "The photo's frame cuts this piece off.", h("p", {}, "The figures are of the part that is seen.")),
    h("dl", {}, row("Area", piece.area, piece.holes_px.length ? "holes taken off" : piece.layers === 2 ? "one layer of two" : ""),
      row("All round", piece.perimeter), row(`Along ${along}`, piece.along), row(`Across ${along}`, piece.across)));
}

/** @param {Piece} piece @param {string} edgeId @param {Unit} unit */
function edgeCard(piece, edgeId, unit) {
  const edge = /** @type {import("./types.js").Edge} */ (piece.edges.find((one) => one.id === edgeId));
  const allowance = piece.allowances_mm?.[edgeId];
  const facts = [
    edge.kind === "straight" ? "Straight." : `Curved; ${format(edge.chord, unit)} from end to end in a straight line.`,
    allowance ? `Seam allowance ${givenLength(allowance, unit)}.` : "",
    edge.weak >= 0.15 ? "Part of it is hard to tell from what lies under it: drawn dashed." : "",
  ];
  return h("section.edge-card", { "aria-label": `Edge ${edgeName(piece, edgeId)}` },
    h("h3", {}, edgeName(piece, edgeId)), h("p.figure", {}, amount(edge.length, unit), inchFraction(edge.length, unit)), h("p", {}, facts.filter(Boolean).join(" ")));
}

/** @param {Piece} piece @param {Selection} selection @param {Unit} unit @param {(selection: Selection) => void} select */
function edgeTable(piece, selection, unit, select) {
  if (!piece.edges.length) return null;
  const rows = piece.edges.map((edge) => {
    const chosen = edge.id === selection.edge;
    const corner = piece.corners[edge.from];
    return h(`tr${chosen ? ".chosen" : ""}`, {},
      h("th", { scope: "row" }, h("button.link", { type: "button", "data-key": `edge-${edge.id}`, "aria-pressed": String(chosen), onclick: () => select({ piece: piece.id, edge: edge.id }) }, edgeName(piece, edge.id))),
      h("td.kind", {}, edge.kind),
      h("td.number", {}, amount(edge.length, unit), inchFraction(edge.length, unit)),
      h("td.number", {}, corner ? amount(corner.angle, unit) : ""));
  });
  return h("table.edges", {}, h("caption", {}, "Edges"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Edge"), h("th.kind", { scope: "col" }, "Kind"), ["Length", "Angle"].map((title) => h("th.number", { scope: "col" }, title)))),
    h("tbody", {}, rows));
}

/** @param {Quantity} quantity @param {Unit} unit */
function amount(quantity, unit) {
  return h("span.amount", {}, h("span", { "aria-hidden": "true" }, format(quantity, unit)), h("span.unseen", {}, spoken(quantity, unit)));
}

/** @param {Quantity} quantity @param {Unit} unit */
function inchFraction(quantity, unit) {
  return unit === "in" && quantity.unit === "mm" ? h("span.aside", {}, `about ${sixteenths(quantity.value)} in`) : null;
}

/** @param {Measurement} measurement @param {Unit} unit */
function squaresLine(measurement, unit) {
  const grid = measurement.rectification.references.find(({ kind }) => kind === "grid");
  const figures = measurement.rectification.references.filter((one) => one !== grid);
  const sizes = new Set(figures.map(({ size_mm: [w, d] }) => (w === d ? givenLength(w, unit) : `${givenLength(w, unit)} by ${givenLength(d, unit)}`)));
  const what = figures.every(({ size_mm: [w, d] }) => w === d) ? "square" : "sheet";
  const parts = [
    figures.length ? `${figures.length} ${what}${figures.length > 1 ? "s" : ""} of ${[...sizes].join(" and ")}` : "",
    grid ? `the mat's grid of ${givenLength(grid.size_mm[0], unit)}` : "",
  ];
  return h("p.hint", {}, `Measured from ${parts.filter(Boolean).join(" and ")}.`);
}
