/** The measured pieces drawn on the photo: outlines, corners, and each edge's name with its length. */

import { h, s } from "./dom.js";
import { bounds, directionPx, edgeAngle, edgesPx, halfWay, isInside, length, nearest, path } from "./geometry.js";
import { Labels } from "./labels.js";
import { format, spoken } from "./units.js";

/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./types.js").Measurement} Measurement */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./view.js").PhotoView} PhotoView */
/** @typedef {{piece: string, edge: string | null}} Selection */

const WEAK_SHARE = 0.15; // of an edge without a clear step: drawn dashed
const REACH_PX = 26; // a tap this near an edge means it

/** What people call an edge. @param {Piece} piece @param {string} edgeId */
export function edgeName(piece, edgeId) {
  return piece.labels?.[edgeId] || edgeId;
}

/** What people call a piece. @param {Piece} piece */
export function pieceName(piece) {
  return piece.name || `Piece ${piece.id}`;
}

/** @param {Piece} piece @returns {number | null} */
export function grainAngle(piece) {
  if (!piece.grain) return null;
  return piece.grain.angle_deg ?? (piece.grain.edge ? edgeAngle(piece, piece.grain.edge) : null);
}

/** Lines with a dark casing, to be seen on any cloth. @param {string} d @param {string} kind */
export function cased(d, kind) {
  return [s(`path.casing.${kind}`, { d }), s(`path.line.${kind}`, { d })];
}

export class Drawing {
  /** @param {PhotoView} view @param {(selection: Selection) => void} onSelect */
  constructor(view, onSelect) {
    this.view = view;
    this.onSelect = onSelect;
    this.base = s("g");
    this.over = s("g");
    view.shapes.append(this.base, this.over);
    this.labels = new Labels(view);
    this.labelled = true;
  }

  /** @param {Measurement} measurement @param {Selection} selection @param {Unit} unit */
  draw(measurement, selection, unit) {
    this.measurement = measurement;
    this.base.replaceChildren(...measurement.rectification.references.filter((one) => one.kind !== "grid").flatMap((one) => cased(path(one.corners_px, true), "reference")));
    for (const piece of measurement.pieces) this.base.append(...this.#piece(piece, piece.id === selection.piece));
    const piece = measurement.pieces.find((one) => one.id === selection.piece);
    this.#chosenEdge(piece, selection.edge);
    this.labels.show(this.labelled && piece ? this.#labels(piece, selection.edge, unit) : []);
  }

  /** Which piece and edge are meant by a tap. @param {Point} at @returns {Selection | null} */
  hit(at) {
    /** @type {{away: number, piece: string, edge: string} | null} */
    let best = null;
    for (const piece of this.measurement?.pieces ?? []) {
      edgesPx(piece).forEach((points, k) => {
        const { away } = nearest(at, points);
        if (away < (best?.away ?? REACH_PX * this.view.k)) best = { away, piece: piece.id, edge: piece.edges[k].id };
      });
    }
    if (best) return best;
    const inside = this.measurement?.pieces.find((piece) => isInside(at, piece.outline_px));
    return inside ? { piece: inside.id, edge: null } : null;
  }

  /** @param {Piece} piece @param {boolean} chosen */
  #piece(piece, chosen) {
    const rings = [piece.outline_px, ...piece.holes_px].map((ring) => path(ring, true)).join("");
    const parts = [s(`path.cloth${chosen ? ".chosen" : ""}`, { d: rings }), ...cased(piece.holes_px.map((ring) => path(ring, true)).join("") || "M0 0", "hole")];
    const lines = piece.edges.length ? edgesPx(piece) : [[...piece.outline_px, piece.outline_px[0]]];
    for (const points of lines) parts.push(s("path.casing", { d: path(points) }));
    lines.forEach((points, k) => parts.push(s(`path.line${(piece.edges[k]?.weak ?? 0) >= WEAK_SHARE ? ".weak" : ""}`, { d: path(points) })));
    const dots = piece.corners.map(({ at_px: [x, y] }) => `M${x} ${y}h.01`).join("");
    if (dots) parts.push(s("path.dot-casing", { d: dots }), s("path.dot", { d: dots }));
    const angle = grainAngle(piece);
    if (angle !== null) parts.push(...grainArrow(piece, angle));
    return parts;
  }

  /** @param {Piece | undefined} piece @param {string | null} edgeId */
  #chosenEdge(piece, edgeId) {
    const k = piece?.edges.findIndex((edge) => edge.id === edgeId) ?? -1;
    this.over.replaceChildren(...(piece && k >= 0 ? cased(path(edgesPx(piece)[k]), "chosen") : []));
  }

  /** @param {Piece} piece @param {string | null} chosen @param {Unit} unit */
  #labels(piece, chosen, unit) {
    const lines = edgesPx(piece);
    return piece.edges.map((edge, k) => {
      const { at, normal } = halfWay(lines[k]);
      const name = edgeName(piece, edge.id);
      const button = h(`button.chip${edge.id === chosen ? ".chosen" : ""}`, {
        type: "button", "data-edge": edge.id, "aria-label": `Edge ${name}, ${spoken(edge.length, unit)}`, "aria-pressed": String(edge.id === chosen),
        onclick: () => this.onSelect({ piece: piece.id, edge: edge.id }),
      }, h("b", {}, name), h("span", {}, format(edge.length, unit)));
      // the normal may point into the cloth: the label stands on the other side
      const way = isInside([at[0] + normal[0], at[1] + normal[1]], piece.outline_px) ? -1 : 1;
      return { element: button, at, away: /** @type {Point} */ ([way * normal[0], way * normal[1]]), room: length(lines[k]), chosen: edge.id === chosen };
    });
  }
}

/** @param {Piece} piece @param {number} angle */
function grainArrow(piece, angle) {
  const [a, b] = directionPx(piece, angle);
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const head = (/** @type {Point} */ p, /** @type {number} */ way) => path([
    [p[0] - way * (0.12 * dx + 0.07 * dy), p[1] - way * (0.12 * dy - 0.07 * dx)], p,
    [p[0] - way * (0.12 * dx - 0.07 * dy), p[1] - way * (0.12 * dy + 0.07 * dx)]]);
  return cased(path([a, b]) + head(b, 1) + head(a, -1), "grain");
}

/** The part of the photo that shows pieces, with room for labels. @param {Piece[]} pieces @param {number} share of their extent that is left free all round */
export function frameOf(pieces, share = 0.16) {
  const box = bounds(pieces.flatMap((piece) => piece.outline_px));
  const margin = share * Math.max(box.width, box.height);
  return { x: box.x - margin, y: box.y - margin, width: box.width + 2 * margin, height: box.height + 2 * margin };
}
