/** Lengths as people type and read them; everything else on this page is in millimetres. */

/** @typedef {import("./types.js").Quantity} Quantity */
/** @typedef {import("./types.js").Unit} Unit */

const MM_PER_UNIT = { mm: 1, cm: 10, in: 25.4 }; // an inch is 25.4 mm exactly (yard and pound agreement, 1959)

/** @param {number} mm @param {Unit} unit */
export function fromMm(mm, unit) {
  return mm / MM_PER_UNIT[unit];
}

/**
 * A length somebody typed into a field that stands beside its unit: decimals with point or comma, and fractions
 * such as 5/8 or 1 1/2. NaN when it is none.
 * @param {string} text
 * @param {Unit} unit
 */
export function parseMm(text, unit) {
  const plain = text.trim().replace(",", ".");
  const mixed = /^(?:(\d+)\s+)?(\d+)\/([1-9]\d*)$/.exec(plain);
  if (mixed) return (Number(mixed[1] ?? 0) + Number(mixed[2]) / Number(mixed[3])) * MM_PER_UNIT[unit];
  return /^\d+(\.\d+)?$/.test(plain) ? Number(plain) * MM_PER_UNIT[unit] : NaN;
}

/** A length for a field, without its unit: up to four digits. @param {number} mm @param {Unit} unit */
export function plainLength(mm, unit) {
  return String(Number(fromMm(mm, unit).toPrecision(4)));
}

/** A length that was given, not measured, such as an allowance. @param {number} mm @param {Unit} unit */
export function givenLength(mm, unit) {
  return `${plainLength(mm, unit)} ${unit}`;
}

/**
 * Value, expanded uncertainty U = 2 u and symbol, rounded alike: U keeps two digits where they lie between 10 and 35,
 * else one (Particle Data Group, Review of Particle Physics, introduction, 5.3).
 * @param {Quantity} quantity
 * @param {Unit} unit
 * @returns {{value: string, plusMinus: string, symbol: string}}
 */
export function rounded(quantity, unit) {
  const [scale, symbol] = scaleOf(quantity, unit);
  const value = quantity.value * scale;
  const expanded = 2 * quantity.u * scale;
  if (!Number.isFinite(value) || !Number.isFinite(expanded)) return { value: "unknown", plusMinus: "unknown", symbol };
  const digits = decimals(expanded);
  return { value: fixed(value, digits), plusMinus: fixed(expanded, digits), symbol };
}

/** A quantity for people, such as "702.3 ± 0.6 mm", that no line break parts. @param {Quantity} quantity @param {Unit} unit */
export function format(quantity, unit) {
  const { value, plusMinus, symbol } = rounded(quantity, unit);
  return `${value}\u00a0±\u00a0${plusMinus}${symbol === "°" ? "" : "\u00a0"}${symbol}`;
}

/** The same in words that read aloud well. @param {Quantity} quantity @param {Unit} unit */
export function spoken(quantity, unit) {
  const { value, plusMinus, symbol } = rounded(quantity, unit);
  const words = { mm: "millimetres", cm: "centimetres", in: "inches", "cm²": "square centimetres", "m²": "square metres",
    "in²": "square inches", "°": "degrees" };
  return `${value} plus or minus ${plusMinus} ${words[/** @type {keyof typeof words} */ (symbol)] ?? symbol}`;
}

/** The millimetres of a sentence of the service in the unit chosen, with as many digits. @param {string} text @param {Unit} unit */
export function sentence(text, unit) {
  if (unit === "mm") return text;
  return text.replace(/(\d+(?:\.\d+)?)\s?mm\b/g, (_, mm) => `${Number(fromMm(Number(mm), unit).toPrecision(Math.max(mm.replace(".", "").length, 2)))}\u00a0${unit}`);
}

/** Inches to the nearest sixteenth, such as "27 5/8". @param {number} mm */
export function sixteenths(mm) {
  const total = Math.round((mm / 25.4) * 16);
  const whole = Math.floor(total / 16);
  let over = total % 16;
  let under = 16;
  if (over === 0) return String(whole);
  while (over % 2 === 0) {
    over /= 2;
    under /= 2;
  }
  return `${whole ? `${whole} ` : ""}${over}/${under}`;
}

/** @param {Quantity} quantity @param {Unit} unit @returns {[number, string]} */
function scaleOf(quantity, unit) {
  if (quantity.unit === "deg") return [1, "°"];
  if (quantity.unit === "mm") return [1 / MM_PER_UNIT[unit], unit];
  if (unit === "in") return [25.4 ** -2, "in²"];
  return quantity.value >= 1e6 ? [1e-6, "m²"] : [1e-2, "cm²"];
}

/** @param {number} uncertainty */
function decimals(uncertainty) {
  if (uncertainty <= 0) return 3;
  const exponent = Math.floor(Math.log10(uncertainty));
  const leading = Math.round((uncertainty / 10 ** exponent) * 100) / 100;
  return leading >= 3.55 ? -exponent : 1 - exponent;
}

/** @param {number} value @param {number} digits negative: tens, hundreds */
function fixed(value, digits) {
  const step = 10 ** -digits;
  return (digits < 0 ? Math.round(value / step) * step : value).toFixed(Math.max(digits, 0));
}
