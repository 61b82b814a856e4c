/** What is said about a photo: the square's side, and what else is known. */

import { field, h } from "./dom.js";
import { prefs, remember } from "./prefs.js";
import { givenLength, parseMm, plainLength } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */

const SHEETS = { a4: [210, 297], letter: [215.9, 279.4] }; // ISO 216; ANSI/ASME Y14.1

/**
 * The fields, and what they say.
 * @param {{given: Record<string, any>, isNew: boolean, onSide?: () => void}} asked what is known already, as the service takes
 *   it; isNew: for a photo still to be sent, when sides are remembered; onSide is called when the side has become a length
 */
export function photoForm({ given, isNew, onSide = () => {} }) {
  const unit = prefs().unit;
  const keep = (/** @type {"squareMm" | "printedMm"} */ name, /** @type {any} */ control) => {
    const mm = lengthOf(control, unit);
    if (isNew && (mm || name === "printedMm")) remember({ [name]: mm });
  };
  const side = lengthField(given.square_mm, () => keep("squareMm", side));
  side.addEventListener("change", onSide);
  const error = h("p.field-error", { role: "alert" });
  const printed = lengthField(given.printed_side_mm, () => keep("printedMm", printed));
  const thickness = lengthField(given.thickness_mm || null);
  const grid = lengthField(given.grid_mm);
  const sheets = sheetChoices(given.rectangle_mm, unit);
  const sheet = h("select", {}, sheets.map(({ title, chosen }, k) => h("option", { value: k, selected: chosen }, title)));
  const name = h("input", { type: "text", maxlength: 80, placeholder: "such as navy coat, gore", autocomplete: "off" });
  const withUnit = (/** @type {any} */ control, /** @type {string} */ label, /** @type {string} */ hint) => field(label, control, hint, h("span.unit", {}, unit));
  const more = [
    field("Beside the cloth lies", sheet),
    withUnit(printed, "Side of the printed square by a calliper", "If you have measured it: every length becomes surer."),
    h("div.pair", {}, withUnit(thickness, "Thickness of the cloth", "Thick cloth looks larger."), withUnit(grid, "Lines on the mat, apart", "Without a square these will do.")),
  ];
  const element = h("div.photo-form", {},
    withUnit(side, "Side of your square", isNew ? "Measure it with a ruler once; it is remembered." : ""), error,
    isNew ? h("details", {}, h("summary", {}, "More about this photo"), field("Its name", name), more) : more);

  /** What is wrong, or null. @returns {string | null} */
  function problem() {
    const controls = [side, printed, thickness, grid];
    for (const control of controls) control.removeAttribute("aria-invalid");
    const wrong = controls.find((control) => control.value.trim() !== "" && !Number.isFinite(parseMm(control.value, unit)));
    wrong?.setAttribute("aria-invalid", "true");
    if (wrong) return `"${wrong.value}" is not a length. Write a number, such as ${plainLength(1.5, unit)}.`;
    if (sheets[sheet.value].sides || lengthOf(side, unit) || lengthOf(grid, unit)) return null;
    return `Say how long the side of your square is, in ${unit}: without it nothing can be measured.`;
  }

  /** @returns {Record<string, any>} as the service takes them */
  function options() {
    const { sides } = sheets[sheet.value];
    const said = { ...(sides ? { rectangle_mm: sides } : { square_mm: lengthOf(side, unit), printed_side_mm: lengthOf(printed, unit) }), thickness_mm: lengthOf(thickness, unit), grid_mm: lengthOf(grid, unit) };
    return { ...Object.fromEntries(Object.entries(said).filter(([, mm]) => mm)), ...(name.value.trim() ? { name: name.value.trim() } : {}) };
  }

  /** @param {string | null} message */
  function complain(message) {
    error.textContent = message ?? "";
    if (!message) return;
    const wrong = element.querySelector("[aria-invalid='true']") ?? side;
    wrong.setAttribute("aria-invalid", "true");
    const details = wrong.closest("details");
    if (details) details.open = true;
    wrong.focus();
  }

  return { element, problem, options, complain };
}

/** @param {[number, number] | undefined} given @param {Unit} unit */
function sheetChoices(given, unit) {
  const is = (/** @type {number[]} */ sides) => Boolean(given && Math.min(...given) === sides[0] && Math.max(...given) === sides[1]);
  const known = [{ title: "a sheet of A4 paper", sides: SHEETS.a4, chosen: is(SHEETS.a4) }, { title: "a sheet of US Letter paper", sides: SHEETS.letter, chosen: is(SHEETS.letter) }];
  const other = given && !known.some(({ chosen }) => chosen) ? [{ title: `a sheet of ${given.map((mm) => givenLength(mm, unit)).join(" by ")}`, sides: given, chosen: true }] : [];
  return [{ title: "a square", sides: null, chosen: !given }, ...known, ...other];
}

/** @param {any} control @param {Unit} unit @returns {number | null} mm above 0 */
function lengthOf(control, unit) {
  const mm = control.value === control.dataset.shown ? Number(control.dataset.mm) : parseMm(control.value, unit); // not rounded by being shown
  return Number.isFinite(mm) && mm > 0 ? mm : null;
}

/** @param {number | null | undefined} mm @param {() => void} [changed] */
export function lengthField(mm, changed) {
  const shown = mm ? plainLength(mm, prefs().unit) : "";
  return h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: shown, "data-shown": shown, "data-mm": mm || "", oninput: changed });
}
