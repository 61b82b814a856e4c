/** The photo with what is drawn on it: pinch, wheel, drag, keys; marks that keep their size on the screen. */

import { h, s } from "./dom.js";
import { distance } from "./geometry.js";
import { Loupe } from "./loupe.js";

/** @typedef {import("./types.js").Point} Point */
/**
 * What one finger, the mouse or a key does while the tool is chosen.
 * @typedef {object} Tool
 * @property {(at: Point, event: PointerEvent) => boolean} [down] true: the tool takes this pointer, else it moves the photo
 * @property {(at: Point) => void} [move]
 * @property {() => void} [up]
 * @property {() => void} [cancel] a second finger came down: forget what was begun
 * @property {(at: Point) => void} [tap]
 * @property {(event: KeyboardEvent) => boolean} [key] true: done, else the photo is moved
 */

export const GRAB_PX = 28; // from a mark within which a finger takes it
const TAP_PX = 8; // a finger that moves less has tapped
const CLOSEST = 8; // screen pixels per photo pixel at most
const KEY_STEP = 48;
const PAPER_PX = 640; // of 1/96 inch: what A4 and US Letter have between their margins, and a little less

/** @type {Record<string, Point>} */
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** Which way an arrow key points in the photo; null: another key. @param {KeyboardEvent} event @returns {Point | null} */
export function arrowWay(event) {
  return ARROWS[event.key] ?? null;
}

export class PhotoView {
  /**
   * @param {number} width of the photo, px
   * @param {number} height
   * @param {string} label for screen readers
   */
  constructor(width, height, label) {
    this.size = { width, height };
    this.image = s("image", { x: -0.5, y: -0.5, width, height, preserveAspectRatio: "none" });
    this.shapes = s("g");
    this.svg = s("svg.photo", { "aria-hidden": "true" }, this.image, this.shapes);
    this.pins = h("div.pins");
    this.loupe = new Loupe();
    this.stage = h("div.stage", { tabindex: 0, role: "application", "aria-label": label, "aria-roledescription": "photo" }, this.svg, this.pins);
    this.element = h("div.view", {}, this.stage, this.#buttons(), this.loupe.element);
    /** @type {Tool} */
    this.tool = {};
    /** @type {(at: Point) => void} */
    this.onTap = () => {};
    /** @type {(photoPxPerScreenPx: number) => void} */
    this.onScale = () => {};
    /** Told how wide the whole photo would be on the screen, in device pixels. @type {(pixels: number) => void} */
    this.onNeed = () => {};
    /** The part that is to fill the view, until a person moves it. @type {{x: number, y: number, width: number, height: number} | null} */
    this.fitted = { x: -0.5, y: -0.5, width, height };
    this.k = 1; // photo pixels per screen pixel
    /** @type {Point} */
    this.centre = [width / 2, height / 2];
    /** @type {Map<number, Point>} */
    this.pointers = new Map();
    this.#listen();
    this.observer = new ResizeObserver(() => this.#resized());
    this.observer.observe(this.stage);
    this.beforePrint = () => this.#print();
    window.addEventListener("beforeprint", this.beforePrint);
  }

  close() {
    this.observer.disconnect();
    window.removeEventListener("beforeprint", this.beforePrint);
  }

  /** On paper the view keeps its size in px, so that labels stay where they belong, and is made smaller as a whole. */
  #print() {
    const { clientWidth, clientHeight } = this.element;
    const style = this.element.style;
    style.setProperty("--width", `${clientWidth}px`);
    style.setProperty("--height", `${clientHeight}px`);
    style.setProperty("--shrink", String(Math.min(1, PAPER_PX / clientWidth)));
  }

  /** @param {string} url */
  show(url) {
    this.image.setAttribute("href", url);
    this.loupe.picture(url, this.size);
  }

  /**
   * An HTML element that stays at a place of the photo.
   * @param {any} element @param {Point} at
   */
  pin(element, at) {
    element.at = at;
    this.pins.append(element);
    this.#placePin(element);
    return element;
  }

  unpinAll() {
    this.pins.replaceChildren();
  }

  /** Shows a part of the photo, or all of it. @param {{x: number, y: number, width: number, height: number}} [part] */
  fit(part = { x: -0.5, y: -0.5, ...this.size }) {
    const [w, hgt] = this.#screen();
    this.fitted = part;
    this.k = Math.max(part.width / w, part.height / hgt, 1 / CLOSEST);
    this.centre = [part.x + part.width / 2, part.y + part.height / 2];
    this.#draw();
  }

  /** @param {number} factor above 1: closer @param {Point} [about] a place of the photo that stays where it is */
  zoom(factor, about = this.centre) {
    const [w, hgt] = this.#screen();
    const widest = 1.6 * Math.max(this.size.width / w, this.size.height / hgt);
    const k = Math.min(widest, Math.max(1 / CLOSEST, this.k / factor));
    const share = k / this.k;
    this.fitted = null;
    this.centre = [about[0] + (this.centre[0] - about[0]) * share, about[1] + (this.centre[1] - about[1]) * share];
    this.k = k;
    this.#draw();
  }

  /** @param {number} dx screen px @param {number} dy */
  pan(dx, dy) {
    this.fitted = null;
    const clamp = (/** @type {number} */ v, /** @type {number} */ most) => Math.min(most, Math.max(0, v));
    this.centre = [clamp(this.centre[0] - dx * this.k, this.size.width), clamp(this.centre[1] - dy * this.k, this.size.height)];
    this.#draw();
  }

  /** Moves the photo so that a place of it is in sight. @param {Point} at */
  reveal(at) {
    const [w, hgt] = this.#screen();
    const margin = 40 * this.k;
    const [dx, dy] = [at[0] - this.centre[0], at[1] - this.centre[1]];
    const [mx, my] = [(w / 2) * this.k - margin, (hgt / 2) * this.k - margin];
    if (Math.abs(dx) > mx || Math.abs(dy) > my) this.centre = [...at];
    this.#draw();
  }

  /** Shows a place enlarged, for as long as a finger is on it. @param {Point} at */
  enlarge(at) {
    this.loupe.copy(this.shapes);
    this.loupe.show(at, this.onStage(at), this.k);
  }

  /** @param {{clientX: number, clientY: number}} event @returns {Point} */
  place(event) {
    const box = this.stage.getBoundingClientRect();
    return [this.centre[0] + (event.clientX - box.left - box.width / 2) * this.k, this.centre[1] + (event.clientY - box.top - box.height / 2) * this.k];
  }

  /** @param {Point} at @returns {Point} px of the stage */
  onStage(at) {
    const [w, hgt] = this.#screen();
    return [(at[0] - this.centre[0]) / this.k + w / 2, (at[1] - this.centre[1]) / this.k + hgt / 2];
  }

  /** Where the buttons over the photo are, px of the stage. @returns {{left: number, top: number, right: number, bottom: number}[]} */
  controls() {
    const { left, top } = this.stage.getBoundingClientRect();
    return [...this.element.querySelectorAll(".zoom button")].map((one) => {
      const box = one.getBoundingClientRect();
      return { left: box.left - left, top: box.top - top, right: box.right - left, bottom: box.bottom - top };
    });
  }

  #buttons() {
    const button = (/** @type {string} */ label, /** @type {string} */ sign, /** @type {() => void} */ act) =>
      h("button.round", { type: "button", "aria-label": label, title: label, onclick: act }, h("span", { "aria-hidden": "true" }, sign));
    return h("div.zoom", { role: "group", "aria-label": "Zoom" },
      button("Closer", "+", () => this.zoom(1.5)), button("Further away", "−", () => this.zoom(1 / 1.5)), button("Whole photo", "⤢", () => this.fit()));
  }

  /** @returns {[number, number]} */
  #screen() {
    return [this.stage.clientWidth || 1, this.stage.clientHeight || 1];
  }

  #resized() {
    if (window.matchMedia("print").matches) return;
    if (this.fitted) this.fit(this.fitted);
    else this.#draw();
  }

  #draw() {
    const [w, hgt] = this.#screen();
    this.svg.setAttribute("viewBox", `${this.centre[0] - (w / 2) * this.k} ${this.centre[1] - (hgt / 2) * this.k} ${w * this.k} ${hgt * this.k}`);
    for (const pin of this.pins.children) this.#placePin(pin);
    this.onScale(this.k);
    this.onNeed((this.size.width / this.k) * (window.devicePixelRatio || 1) * 0.7);
  }

  /** @param {any} pin */
  #placePin(pin) {
    const [x, y] = this.onStage(pin.at);
    pin.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
  }

  #listen() {
    const stage = this.stage;
    stage.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => this.#down(event));
    stage.addEventListener("pointermove", (/** @type {PointerEvent} */ event) => this.#move(event));
    for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, (/** @type {PointerEvent} */ event) => this.#up(event));
    stage.addEventListener("wheel", (/** @type {WheelEvent} */ event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0015)), this.place(event));
    }, { passive: false });
    stage.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => this.#key(event));
  }

  /** @param {PointerEvent} event */
  #down(event) {
    if (event.button !== 0) return;
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    if (this.pointers.size === 1) {
      this.begun = { at: /** @type {Point} */ ([event.clientX, event.clientY]), moved: false };
      this.taken = this.tool.down?.(this.place(event), event) ?? false;
      if (this.taken) this.stage.setPointerCapture(event.pointerId);
    } else {
      if (this.taken) this.tool.cancel?.();
      this.taken = false;
      if (this.begun) this.begun.moved = true;
    }
  }

  /** @param {PointerEvent} event */
  #move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before || !this.begun) return;
    /** @type {Point} */
    const now = [event.clientX, event.clientY];
    if (!this.begun.moved && distance(now, this.begun.at) > TAP_PX) {
      this.begun.moved = true;
      this.stage.setPointerCapture(event.pointerId);
    }
    if (this.taken) this.tool.move?.(this.place(event));
    else if (this.pointers.size === 2) this.#pinch(event.pointerId, before, now);
    else if (this.begun.moved) this.pan(now[0] - before[0], now[1] - before[1]);
    if (this.begun.moved || this.pointers.size > 1) this.pointers.set(event.pointerId, now);
  }

  /** @param {number} id @param {Point} before @param {Point} now */
  #pinch(id, before, now) {
    const other = [...this.pointers].find(([key]) => key !== id)?.[1];
    if (!other) return;
    const middle = { clientX: (before[0] + other[0]) / 2, clientY: (before[1] + other[1]) / 2 };
    this.zoom(Math.max(distance(now, other), 1) / Math.max(distance(before, other), 1), this.place(middle));
    this.pan((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
  }

  /** @param {PointerEvent} event */
  #up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    if (this.pointers.size) return;
    const onButton = event.target instanceof Element && event.target.closest("button");
    if (this.taken) this.tool.up?.();
    else if (this.begun && !this.begun.moved && event.type === "pointerup" && !onButton) {
      const at = this.place(event);
      if (this.tool.tap) this.tool.tap(at);
      else this.onTap(at);
    }
    this.taken = false;
    this.begun = null;
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const way = arrowWay(event);
    const zooms = { "+": 1.25, "=": 1.25, "-": 0.8 };
    if (this.tool.key?.(event)) event.preventDefault();
    else if (way) {
      this.pan(-KEY_STEP * way[0], -KEY_STEP * way[1]);
      event.preventDefault();
    } else if (event.key in zooms) this.zoom(zooms[/** @type {keyof typeof zooms} */ (event.key)]);
    else if (event.key === "0") this.fit();
  }
}
