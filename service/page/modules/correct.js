/** The second tab: which tool the finger is, the chosen corner, and what waits to be measured again. */

import { h, put, switchable, switchTo } from "./dom.js";
import { pieceChoice } from "./measures.js";
import { photoForm } from "./photo_form.js";

/** @typedef {import("./corners.js").CornerTool} CornerTool */
/** @typedef {import("./hints.js").HintTool} HintTool */
/** @typedef {import("./edits.js").Edits} Edits */
/** @typedef {import("./types.js").Piece} Piece */

const TOOLS = [
  { id: "move", title: "Move corner", advice: "Drag a corner to where two edges meet. Or choose one and use the arrows." },
  { id: "add", title: "Add corner", advice: "Tap the outline where a corner is missing." },
  { id: "cloth", title: "This is cloth", advice: "Draw over cloth that was left out; two fingers move the photo. The outline is then found anew. × takes a hint away." },
  { id: "not", title: "This is not cloth", advice: "Draw over what is not cloth; two fingers move the photo. The outline is then found anew. × takes a hint away." },
];

/**
 * @param {{corners: CornerTool, hints: HintTool, edits: Edits, pieces: () => Piece[], selection: () => import("./drawing.js").Selection,
 *   select: (selection: import("./drawing.js").Selection) => void, choose: (tool: string) => void, measureAgain: () => void, busy: () => boolean,
 *   options: Record<string, any>, measureWith: (corrections: Record<string, any>) => void}} parts
 */
export function correctTab(parts) {
  const { corners, hints, edits } = parts;
  let tool = "move";
  const advice = h("p.hint");
  const cornerBox = h("div.corner-box");
  const said = h("p", { role: "status" });
  const undo = switchable("plain", "Undo", () => edits.undo());
  const again = switchable("main", "Measure again", parts.measureAgain);
  const waiting = h("div.waiting", {}, said, h("div.row", {}, undo, again));

  /** @type {HTMLInputElement[]} */
  const inputs = [];
  const radios = TOOLS.map(({ id, title }) => {
    const input = h("input", { type: "radio", name: "tool", value: id, checked: id === tool, onchange: () => choose(id) });
    inputs.push(input);
    return h("label.tool", {}, input, h(`span.tool-sign.${id}`, { "aria-hidden": "true" }), h("span", {}, title));
  });

  /** @param {string} id */
  function choose(id) {
    tool = id;
    corners.adding = id === "add";
    hints.cloth = id === "cloth";
    advice.textContent = TOOLS.find((one) => one.id === id)?.advice ?? "";
    parts.choose(id);
    drawCorner();
  }

  function drawCorner() {
    const piece = parts.pieces().find((one) => one.id === parts.selection().piece);
    if (!piece || tool === "cloth" || tool === "not") return put(cornerBox);
    if (tool === "add") {
      return put(cornerBox, piece.edges.map((edge, k) => h("button.plain.small", { type: "button", onclick: () => corners.addMiddle(k) }, `Middle of ${piece.labels?.[edge.id] || edge.id}`)));
    }
    const count = Math.max(corners.count, piece.corners.length);
    const step = (/** @type {number} */ way) => corners.choose(corners.chosen === null ? 0 : (corners.chosen + way + count) % count);
    const chosen = corners.chosen;
    put(cornerBox,
      h("div.stepper", { role: "group", "aria-label": "Corner" },
        h("button.round", { type: "button", "aria-label": "Corner before", onclick: () => step(-1) }, "‹"),
        h("span", {}, chosen === null ? "No corner chosen" : `Corner ${chosen + 1} of ${count}`),
        h("button.round", { type: "button", "aria-label": "Next corner", onclick: () => step(1) }, "›")),
      chosen === null ? null : h("div.pad", { role: "group", "aria-label": `Move corner ${chosen + 1}` },
        [["Left", "←", -1, 0], ["Up", "↑", 0, -1], ["Down", "↓", 0, 1], ["Right", "→", 1, 0]].map(([name, sign, dx, dy]) =>
          h("button.round", { type: "button", "aria-label": `${name} a little`, onclick: () => corners.nudge(Number(dx), Number(dy)) }, sign)),
        h("button.plain.small", { type: "button", "aria-label": `Remove corner ${chosen + 1}`, onclick: () => corners.removeChosen() }, "Remove")));
  }

  function drawWaiting() {
    const some = edits.list.length > 0;
    for (const input of inputs) input.disabled = edits.sort !== null && edits.sort !== (["cloth", "not"].includes(input.value) ? "hints" : "corners");
    for (const button of [undo, again]) switchTo(button, some && !parts.busy());
    again.textContent = parts.busy() ? "Measuring…" : "Measure again";
    said.textContent = some ? `Changed: ${edits.summary()}.` : "Nothing changed yet.";
  }

  choose(tool);
  drawWaiting();
  return {
    content: [pieceChoice(parts.pieces(), parts.selection(), parts.select), h("fieldset.tools", {}, h("legend.unseen", {}, "What your finger does"), radios), advice, cornerBox,
      otherSettings(parts.options, parts.measureWith), waiting],
    drawCorner,
    drawWaiting,
  };
}

/**
 * The lengths that were said before the photo was measured, to say them otherwise. Squares shown by hand keep their place.
 * @param {Record<string, any>} options @param {(corrections: Record<string, any>) => void} measureWith
 */
function otherSettings(options, measureWith) {
  const byHand = /** @type {Record<string, any>[] | undefined} */ (options.references);
  const form = photoForm({ given: { square_mm: byHand?.[0].side_mm, ...options }, isNew: false });
  const act = () => {
    const wrong = form.problem();
    form.complain(wrong);
    if (wrong) return;
    const sizes = form.options();
    const references = byHand?.map((one) => (one.side_mm && sizes.square_mm ? { ...one, side_mm: sizes.square_mm } : one));
    measureWith({ options: sizes, ...(references ? { references } : {}) });
  };
  return h("details", {}, h("summary", {}, "Other settings"), form.element,
    h("p.hint", {}, "The photo is measured anew with them; corners put right before are found anew too."),
    h("button.plain", { type: "button", onclick: act }, "Measure with these settings"));
}
