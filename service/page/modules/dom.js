/** Elements without a framework, and the words a screen reader says. */

const SVG_NAMESPACE = "http://www.w3.org/2000/svg";

/** @typedef {Node | string | number | null | undefined | false | any[]} Child */

/**
 * An HTML element. Attributes starting with "on" are listeners; true sets an empty attribute, false and null none.
 * @param {string} tag such as "button" or "div.card.wide"
 * @param {Record<string, any>} [attributes]
 * @param {...Child} children
 * @returns {any}
 */
export function h(tag, attributes = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  return fill(document.createElement(name), classes, attributes, children);
}

/**
 * An SVG element, otherwise like `h`.
 * @param {string} tag
 * @param {Record<string, any>} [attributes]
 * @param {...Child} children
 * @returns {any}
 */
export function s(tag, attributes = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  return fill(document.createElementNS(SVG_NAMESPACE, name), classes, attributes, children);
}

/**
 * @param {any} element
 * @param {string[]} classes
 * @param {Record<string, any>} attributes
 * @param {Child[]} children
 */
function fill(element, classes, attributes, children) {
  if (classes.length) element.setAttribute("class", classes.join(" "));
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "value") element.value = value;
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  append(element, children);
  return element;
}

/** @param {any} parent @param {Child[]} children */
function append(parent, children) {
  for (const child of children) {
    if (Array.isArray(child)) append(parent, child);
    else if (child !== null && child !== undefined && child !== false) parent.append(child instanceof Node ? child : String(child));
  }
}

/** Replaces what an element holds. @param {Element} element @param {...Child} children */
export function put(element, ...children) {
  element.replaceChildren();
  append(element, children);
}

let unique = 0;

/** An id no other element has. @param {string} stem */
export function newId(stem) {
  unique += 1;
  return `${stem}-${unique}`;
}

/**
 * A labelled field.
 * @param {string} label
 * @param {any} control an input or select
 * @param {Child} [hint] a line under it
 * @param {Child} [after] beside the control, such as a unit
 */
export function field(label, control, hint = null, after = null) {
  control.id ||= newId("field");
  const described = hint ? h("p.hint", { id: `${control.id}-hint` }, hint) : null;
  if (described) control.setAttribute("aria-describedby", described.id);
  const row = after ? h("div.with-unit", {}, control, after) : control;
  return h("div.field", {}, h("label", { for: control.id }, label), row, described);
}

/**
 * A button that can be switched off without losing the focus, which a disabled one would.
 * @param {string} kind its classes, such as "main"
 * @param {string} title
 * @param {() => void} act
 */
export function switchable(kind, title, act) {
  const button = h(`button.${kind}`, { type: "button", onclick: () => button.getAttribute("aria-disabled") !== "true" && act() }, title);
  return button;
}

/** @param {HTMLElement} button @param {boolean} on */
export function switchTo(button, on) {
  button.setAttribute("aria-disabled", String(!on));
}

/** Says a sentence to screen readers without moving the focus. @param {string} text */
export function announce(text) {
  const region = document.getElementById("live");
  if (region && region.textContent !== text) region.textContent = text;
}

/**
 * A message that stands in the page and is read at once.
 * @param {"error" | "note" | "good"} kind
 * @param {string} title
 * @param {...Child} rest
 */
export function notice(kind, title, ...rest) {
  const sign = { error: "!", note: "i", good: "✓" }[kind];
  return h(`div.notice.${kind}`, { role: kind === "error" ? "alert" : null },
    h("span.sign", { "aria-hidden": "true" }, sign), h("div", {}, h("p.notice-title", {}, title), rest));
}

/** Where a screen wants to end things when it is left. */
export class Leaving {
  /** @type {(() => void)[]} */
  #ends = [];
  /** @param {() => void} end */
  add(end) {
    this.#ends.push(end);
  }
  run() {
    for (const end of this.#ends.splice(0)) end();
  }
}
