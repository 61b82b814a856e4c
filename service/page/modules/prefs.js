/** What this device remembers: the unit, the square's side, the paper, the token. */

/** @typedef {import("./types.js").Unit} Unit */

/** @typedef {{unit: Unit, squareMm: number | null, printedMm: number | null, token: string, paper: "a4" | "letter"}} Prefs */

const KEY = "flatmeasure.prefs";
/** @type {Prefs} */
const DEFAULTS = { unit: "mm", squareMm: null, printedMm: null, token: "", paper: "a4" };

/** @type {Set<(prefs: Prefs) => void>} */
const listeners = new Set();
let current = load();

/** @returns {Prefs} */
function load() {
  try {
    return { ...DEFAULTS, ...JSON.parse(localStorage.getItem(KEY) ?? "{}") };
  } catch {
    return { ...DEFAULTS };
  }
}

/** @returns {Readonly<Prefs>} */
export function prefs() {
  return current;
}

/** @param {Partial<Prefs>} change */
export function remember(change) {
  current = { ...current, ...change };
  try {
    localStorage.setItem(KEY, JSON.stringify(current));
  } catch {
    // a private window may refuse: then it holds for this visit only
  }
  for (const listener of listeners) listener(current);
}

/** Told of every change until the returned function is called. @param {(prefs: Prefs) => void} listener */
export function onPrefs(listener) {
  listeners.add(listener);
  return () => {
    listeners.delete(listener);
  };
}
