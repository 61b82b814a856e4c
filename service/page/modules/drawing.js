/** The measured pieces drawn on the photo: outlines, corners, and each edge's name with its length. */

import { h, s } from "./dom.js";
import { bounds, directionPx, edgeAngle, edgesPx, halfWay, isInside, length, nearest, path } from "./geometry.js";
import { format, spoken } from "./units.js";

/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./types.js").Measurement} Measurement */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./view.js").PhotoView} PhotoView */
/** @typedef {{piece: string, edge: string | null}} Selection */

const WEAK_SHARE = 0.15; // of an edge without a clear step: drawn dashed
const REACH_PX = 26; // a tap this near an edge means it
const APART_PX = 4;

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
  return "edge" in piece.grain ? edgeAngle(piece, piece.grain.edge) : piece.grain.angle_deg;
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
    /** @type {any[]} */
    this.chips = [];
    this.labelled = true;
    view.onScale = () => this.arrange();
  }

  /** @param {Measurement} measurement @param {Selection} selection @param {Unit} unit */
  draw(measurement, selection, unit) {
    this.measurement = measurement;
    this.base.replaceChildren(...measurement.rectification.references.filter((one) => one.kind !== "grid").flatMap((one) => cased(path(one.corners_px, true), "reference")));
    for (const piece of measurement.pieces) this.base.append(...this.#piece(piece, piece.id === selection.piece));
    const piece = measurement.pieces.find((one) => one.id === selection.piece);
    this.#chosenEdge(piece, selection.edge);
    for (const chip of this.chips) chip.remove();
    this.chips = this.labelled && piece ? this.#chips(piece, selection.edge, unit) : [];
    this.arrange();
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

  /** Shows as many labels as fit: in full, else the name only, else none; the chosen one always. */
  arrange() {
    /** @type {DOMRect[]} */
    const taken = [.../** @type {any} */ (this.view.element.querySelectorAll(".zoom button"))].map((one) => one.getBoundingClientRect());
    for (const chip of this.chips) {
      chip.hidden = false;
      chip.classList.remove("short");
      let box = chip.firstChild.getBoundingClientRect();
      if (!chip.chosen && (overlaps(box, taken) || box.width > chip.room / this.view.k + 40)) {
        chip.classList.add("short");
        box = chip.firstChild.getBoundingClientRect();
        chip.hidden = overlaps(box, taken);
      }
      if (!chip.hidden) taken.push(box);
    }
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
  #chips(piece, chosen, unit) {
    const lines = edgesPx(piece);
    const order = piece.edges.map((edge, k) => ({ edge, k, room: length(lines[k]) }));
    order.sort((a, b) => Number(b.edge.id === chosen) - Number(a.edge.id === chosen) || b.room - a.room);
    return order.map(({ edge, k, room }) => {
      const { at, normal } = halfWay(lines[k]);
      const name = edgeName(piece, edge.id);
      const chip = h("div.pin", {}, h(`button.chip${edge.id === chosen ? ".chosen" : ""}`, {
        type: "button", "aria-label": `Edge ${name}, ${spoken(edge.length, unit)}`, "aria-pressed": String(edge.id === chosen),
        onclick: () => this.onSelect({ piece: piece.id, edge: edge.id }),
      }, h("b", {}, name), h("span", {}, format(edge.length, unit))));
      // outside is to the right of the way in the photo's y-down axes or to the left: the side that is not cloth
      const away = isInside([at[0] + normal[0], at[1] + normal[1]], piece.outline_px) ? -1 : 1;
      chip.firstChild.style.translate = `${(-50 + 58 * away * normal[0]).toFixed(0)}% ${(-50 + 75 * away * normal[1]).toFixed(0)}%`;
      Object.assign(chip, { room, chosen: edge.id === chosen });
      return this.view.pin(chip, at);
    });
  }
}

/** @param {Piece} piece @param {number} angle */
export function grainArrow(piece, angle) {
  const [a, b] = directionPx(piece, angle);
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const head = (/** @type {Point} */ p, /** @type {number} */ way) => path([
    [p[0] - way * (0.12 * dx + 0.07 * dy), p[1] - way * (0.12 * dy - 0.07 * dx)], p,
    [p[0] - way * (0.12 * dx - 0.07 * dy), p[1] - way * (0.12 * dy + 0.07 * dx)]]);
  return cased(path([a, b]) + head(b, 1) + head(a, -1), "grain");
}

/** @param {DOMRect} box @param {DOMRect[]} taken */
function overlaps(box, taken) {
  return taken.some((other) => box.left < other.right + APART_PX && other.left < box.right + APART_PX && box.top < other.bottom + APART_PX && other.top < box.bottom + APART_PX);
}

/** The part of the photo that shows a piece, with room for labels. @param {Piece} piece */
export function pieceFrame(piece) {
  const box = bounds(piece.outline_px);
  const margin = 0.14 * Math.max(box.width, box.height);
  return { x: box.x - margin, y: box.y - margin, width: box.width + 2 * margin, height: box.height + 2 * margin };
}
