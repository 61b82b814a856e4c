/** What is said about a photo before it is sent: the square's side, and what else is known. */

import { field, h } from "./dom.js";
import { prefs, remember } from "./prefs.js";
import { parseMm, plainLength } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */

const SHEETS = { "": null, a4: [210, 297], letter: [215.9, 279.4] }; // ISO 216; ANSI/ASME Y14.1

/** The fields, and what they say. @param {() => void} onSide called when the side has become a length */
export function photoForm(onSide) {
  const unit = prefs().unit;
  const side = lengthField(prefs().squareMm, () => {
    const mm = parseMm(side.value, unit);
    if (Number.isFinite(mm) && mm > 0) remember({ squareMm: mm });
  });
  side.addEventListener("change", onSide);
  const error = h("p.field-error", { role: "alert", id: "side-error" });
  const printed = lengthField(prefs().printedMm, () => {
    const mm = parseMm(printed.value, unit);
    remember({ printedMm: Number.isFinite(mm) && mm > 0 ? mm : null });
  });
  const thickness = lengthField(null);
  const grid = lengthField(null);
  const sheet = h("select", {}, [["", "a square"], ["a4", "a sheet of A4 paper"], ["letter", "a sheet of US Letter paper"]].map(([value, title]) => h("option", { value }, title)));
  const name = h("input", { type: "text", maxlength: 80, placeholder: "such as navy coat, gore", autocomplete: "off" });
  const withUnit = (/** @type {any} */ control, /** @type {string} */ label, /** @type {string} */ hint) => field(label, control, hint, h("span.unit", {}, unit));
  const element = h("div.photo-form", {},
    withUnit(side, "Side of your square", "Measure it with a ruler once; it is remembered."), error,
    h("details", {}, h("summary", {}, "More about this photo"),
      field("Its name", name),
      field("Beside the cloth lies", sheet),
      withUnit(printed, "Side of the printed square by a calliper", "If you have measured it: every length becomes surer."),
      h("div.pair", {}, withUnit(thickness, "Thickness of the cloth", "Thick cloth looks larger."), withUnit(grid, "Lines on the mat, apart", "If it has a grid."))));

  /** What is wrong, or null. @returns {string | null} */
  function problem() {
    const wrong = [printed, thickness, grid].find((control) => control.value.trim() !== "" && !Number.isFinite(parseMm(control.value, unit)));
    wrong?.setAttribute("aria-invalid", "true");
    if (wrong) return `"${wrong.value}" is not a length. Write a number, such as ${plainLength(1.5, unit)}.`;
    if (sheet.value || (Number.isFinite(parseMm(side.value, unit)) && parseMm(side.value, unit) > 0)) return null;
    return `Say how long the side of your square is, in ${unit}: without it nothing can be measured.`;
  }

  /** @returns {Record<string, any>} as the service takes them */
  function options() {
    const given = { thickness_mm: parseMm(thickness.value, unit), grid_mm: parseMm(grid.value, unit), ...(sheet.value ? {} : { printed_side_mm: parseMm(printed.value, unit) }) };
    return {
      ...(sheet.value ? { rectangle_mm: SHEETS[/** @type {keyof typeof SHEETS} */ (sheet.value)] } : { square_mm: parseMm(side.value, unit) }),
      ...Object.fromEntries(Object.entries(given).filter(([, mm]) => Number.isFinite(mm) && mm > 0)),
      ...(name.value.trim() ? { name: name.value.trim() } : {}),
    };
  }

  /** @param {string | null} message */
  function complain(message) {
    error.textContent = message ?? "";
    side.setAttribute("aria-invalid", String(Boolean(message)));
    if (message) side.focus();
  }

  return { element, problem, options, complain };
}

/** @param {number | null} mm @param {() => void} [changed] */
export function lengthField(mm, changed) {
  return h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: mm === null ? "" : plainLength(mm, prefs().unit), oninput: changed });
}
