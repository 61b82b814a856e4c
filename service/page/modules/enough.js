/** The question whether the cloth is enough: cloth, pattern, rules. */

import { ask, getJson } from "./api.js";
import { announce, field, h, notice, put } from "./dom.js";
import { patternForm, pieceList } from "./pattern.js";
import { lengthField } from "./photo_form.js";
import { prefs } from "./prefs.js";
import { parseMm } from "./units.js";

/** @typedef {import("./types.js").StashPiece} StashPiece */

/** @param {HTMLElement} root @param {string[]} preset ids of cloth chosen in the stash @param {import("./dom.js").Leaving} leaving */
export async function enoughScreen(root, preset, leaving) {
  /** @type {StashPiece[]} */
  let stash = [];
  const chosen = new Set(preset);
  const cloth = h("div", {}, h("p.loading", {}, "Opening the stash…"));
  const pattern = patternForm(() => stash);
  const unit = prefs().unit;
  const clearance = lengthField(null);
  const tolerance = h("input", { type: "text", inputmode: "decimal", value: "0" });
  const face = select([["right", "right side"], ["wrong", "wrong side"], ["both", "both sides look alike"]]);
  const effort = select([["quick", "quickly"], ["normal", "well"], ["long", "for long"]], "normal");
  const message = h("div");
  const button = h("button.main.big", { type: "submit" }, "Is it enough?");
  put(root, h("form.enough", { novalidate: true, onsubmit: (/** @type {Event} */ event) => { event.preventDefault(); send(); } },
    h("h1", {}, "Is there enough cloth?"),
    h("fieldset", {}, h("legend", {}, "The cloth you have"), cloth), pattern.element,
    h("details", {}, h("summary", {}, "Rules"), h("div.rules", {},
      field("Kept free between pieces", clearance, null, h("span.unit", {}, unit)), field("Off the grain, at most", tolerance, null, h("span.unit", {}, "°")),
      field("The photo shows the cloth's", face), field("Search", effort))),
    message, button));

  try {
    ({ items: stash } = await getJson("/v1/pieces?limit=100"));
    put(cloth, pieceList(stash, chosen, "cloth"));
    pattern.redraw();
  } catch (problem) {
    put(cloth, notice("error", /** @type {Error} */ (problem).message));
  }

  async function send() {
    const stop = new AbortController();
    let left = false;
    leaving.add(() => {
      left = true;
      stop.abort();
    });
    try {
      if (!chosen.size) throw new Error("Choose the cloth you have first.");
      const { pattern: pieces, file } = pattern.wanted();
      const rules = { tolerance_deg: Number(tolerance.value.replace(",", ".")) || 0, clearance_mm: parseMm(clearance.value, unit) || 0, face: face.value };
      const question = { cloth: [...chosen], rules, effort: effort.value, unit, ...(pieces ? { pattern: pieces } : {}) };
      button.disabled = true;
      const bar = h("progress", { max: 1, value: 0, "aria-label": "Progress" });
      const step = h("p", { role: "status" }, "Laying the pieces on the cloth…");
      put(message, h("div.searching", {}, step, bar, h("button.plain.small", { type: "button", onclick: () => stop.abort() }, "Take the best so far")));
      const answer = await ask(question, file, (share, what) => { bar.value = share; if (what) step.textContent = `Laying the pieces: ${what}…`; }, stop.signal);
      if (left) return;
      announce(answer.verdict);
      location.hash = `#/answer/${answer.id}`;
    } catch (problem) {
      put(message, notice("error", /** @type {Error} */ (problem).message));
    } finally {
      button.disabled = false;
    }
  }
}

/** @param {string[][]} options @param {string} [chosen] */
function select(options, chosen) {
  return h("select", {}, options.map(([value, title]) => h("option", { value, selected: value === chosen }, title)));
}
