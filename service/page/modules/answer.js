/** The answer: its sentence first, then the layout drawn on the photo of the cloth. */

import { download, getJson, getMeasurement, picture } from "./api.js";
import { h, notice, put, s } from "./dom.js";
import { cased, frameOf } from "./drawing.js";
import { bounds, centroid, path } from "./geometry.js";
import { Labels } from "./labels.js";
import { prefs } from "./prefs.js";
import { PhotoView } from "./view.js";

/** @typedef {import("./types.js").Answer} Answer */
/** @typedef {import("./types.js").Placed} Placed */
/** @typedef {import("./types.js").Point} Point */

const SIGNS = { enough: "✓", "not enough": "✕" };

/** @param {HTMLElement} root @param {string} id @param {import("./dom.js").Leaving} leaving */
export async function answerScreen(root, id, leaving) {
  put(root, h("p.loading", { role: "status" }, "Opening the answer…"));
  /** @type {Answer} */
  const answer = await getJson(`/v1/answers/${encodeURIComponent(id)}`);
  const [verdict, ...rest] = paragraphs(answer.text);
  const stage = h("div.layout-stage");
  const message = h("div");
  /** @type {string[]} */
  const names = (answer.layout.cloths ?? []).map((/** @type {{name: string}} */ { name }) => name);
  const choices = answer.cloth.length > 1 ? h("div.choices", { role: "group", "aria-label": "Cloth" }, answer.cloth.map((cloth, k) =>
    h("button.choice", { type: "button", "aria-pressed": "false", onclick: () => show(cloth) }, names.length === answer.cloth.length ? names[k] : `Cloth ${k + 1}`))) : null;
  const measures = h("a.plain", {}, "Measures of this cloth");
  put(root, h("div.answer", {},
    h("section", { class: `verdict is-${answer.verdict.replace(/ /g, "-")}`, "aria-labelledby": "verdict" },
      h("span.verdict-sign", { "aria-hidden": "true" }, SIGNS[/** @type {keyof typeof SIGNS} */ (answer.verdict)] ?? "?"),
      h("h1", { id: "verdict", tabindex: -1 }, verdict.head), verdict.line ? h("p", {}, verdict.line) : null, verdict.items.map((item) => h("p.aside", {}, item))),
    choices, stage,
    h("p.caution", {}, h("b", {}, "Before you cut: "), "check the layout with a ruler. Blades are sharp: cut away from your hand, and close the cutter after each cut."),
    rest.map(({ head, line, items }) => h("section", {}, h("p", {}, line ? [h("b", {}, head), " ", line] : h("b", {}, head)), items.length ? h("ul.plain-list", {}, items.map((item) => h("li", {}, item))) : null)),
    answer.warnings.map((warning) => notice("note", warning)),
    h("div.row.wrap", {}, [["layout.pdf", "Layout, PDF in true size"], ["layout.svg", "Layout, SVG"], ["pieces.json", "Pieces, JSON"]].map(([file, title]) =>
      h("button.plain", { type: "button", onclick: () => save(file) }, title)), h("button.plain", { type: "button", onclick: () => window.print() }, "Print"), measures, h("a.plain", { href: `#/enough?cloth=${answer.cloth.map(encodeURIComponent).join(",")}` }, "Ask again")), message));
  /** @type {PhotoView | null} */
  let view = null;
  let shown = answer.cloth[0];
  leaving.add(() => view?.close());
  await show(shown);
  document.getElementById("verdict")?.focus({ preventScroll: true });

  /** @param {string} file */
  async function save(file) {
    const query = new URLSearchParams({ unit: prefs().unit, ...(file === "layout.svg" ? { cloth: shown } : {}) });
    try {
      await download(`/v1/answers/${answer.id}/${file}?${query}`, file);
    } catch (problem) {
      put(message, notice("error", /** @type {Error} */ (problem).message));
    }
  }

  /** @param {string} cloth */
  async function show(cloth) {
    shown = cloth;
    choices?.querySelectorAll("button").forEach((/** @type {Element} */ button, /** @type {number} */ k) => button.setAttribute("aria-pressed", String(answer.cloth[k] === cloth)));
    const [measurementId, pieceId] = cloth.split(":");
    measures.setAttribute("href", `#/m/${measurementId}?piece=${pieceId}`);
    try {
      const [{ placed }, resource] = await Promise.all([getJson(`/v1/answers/${answer.id}/placed?cloth=${encodeURIComponent(cloth)}`), getMeasurement(measurementId)]);
      const piece = resource.measurement.pieces.find(({ id: one }) => one === pieceId);
      const { width_px, height_px } = resource.measurement.photo;
      view?.close();
      view = new PhotoView(width_px, height_px, "Photo of the cloth with the pieces laid on it");
      put(stage, view.element, legend(placed));
      if (piece) view.shapes.append(...cased([piece.outline_px, ...piece.holes_px].map((ring) => path(ring, true)).join(""), "board"));
      drawPlaced(view, placed);
      view.fit(piece ? frameOf([piece], 0.04) : undefined);
      view.show(await picture(`/v1/measurements/${measurementId}/photo?width=1280`));
    } catch (problem) {
      put(stage, notice("error", /** @type {Error} */ (problem).message));
    }
  }
}

/**
 * The text's lines: indented ones belong to the line before; what stands before a colon is the head.
 * @param {string} text
 * @returns {{head: string, line: string, items: string[]}[]}
 */
function paragraphs(text) {
  /** @type {{head: string, line: string, items: string[]}[]} */
  const found = [];
  const unbroken = text.replace(/ ± /g, "\u00a0±\u00a0").replace(/(\d) (mm|cm|in)\b/g, "$1\u00a0$2");
  for (const line of unbroken.split("\n")) {
    if (line.startsWith(" ") && found.length) found[found.length - 1].items.push(line.trim());
    else {
      const [, head, after] = /^([^:;.]{3,40}[:;.])\s+(.+)$/.exec(line) ?? [null, line, ""];
      found.push({ head: after ? head.replace(/[:;]$/, ".") : head, line: after && after[0].toUpperCase() + after.slice(1), items: [] });
    }
  }
  return found;
}

/** @param {PhotoView} view @param {Placed[]} placed */
function drawPlaced(view, placed) {
  for (const one of placed) {
    view.shapes.append(s("path.placed", { d: path(one.outline_px, true) }), ...cased(path(one.outline_px, true), "cut"));
    if (one.grain_px) view.shapes.append(...cased(path(one.grain_px), "thread"));
  }
  new Labels(view).show(placed.map((one, k) => ({
    element: h("span.chip.name", { "aria-hidden": "true" }, h("b", {}, k + 1), h("span", {}, one.piece)),
    at: centroid(one.outline_px), away: /** @type {Point} */ ([0, 0]), room: bounds(one.outline_px).width,
  })));
}

/** What the numbers on the photo are, copies together. @param {Placed[]} placed */
function legend(placed) {
  /** @type {Map<string, number[]>} */
  const numbers = new Map();
  placed.forEach((one, k) => {
    const name = one.mirrored ? `${one.piece}, mirrored` : one.piece;
    numbers.set(name, [...(numbers.get(name) ?? []), k + 1]);
  });
  return h("ul.legend", { "aria-label": "Pieces on this cloth" }, [...numbers].map(([name, them]) => h("li", {}, h("b", {}, them.join(", ")), ` ${name}`)));
}
