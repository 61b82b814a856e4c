/** Labels on the photo that keep their size, stay in sight, and give way to each other. */

import { h } from "./dom.js";

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./view.js").PhotoView} PhotoView */
/** @typedef {{left: number, top: number, right: number, bottom: number}} Box */
/**
 * @typedef {object} Label
 * @property {HTMLElement} element its first child says most, the rest is left out where there is no room
 * @property {Point} at of the photo
 * @property {Point} away which way of that point it stands; [0, 0]: on it
 * @property {number} room photo pixels of what it names; the roomiest are placed first
 * @property {boolean} [chosen] placed before all others
 */

const GAP_PX = 7; // between a label and its line
const APART_PX = 4; // between labels
const BEYOND_PX = 60; // by which a label beside a line may be longer than that
const EDGE_PX = 6; // between a label and the border of the view

export class Labels {
  /** @param {PhotoView} view */
  constructor(view) {
    this.view = view;
    /** @type {(Label & {pin: HTMLElement, full: Point, brief: Point})[]} */
    this.labels = [];
    view.onScale = () => this.arrange();
  }

  /** @param {Label[]} labels */
  show(labels) {
    const focused = document.activeElement instanceof HTMLElement ? document.activeElement.dataset.edge : undefined;
    for (const { pin } of this.labels) pin.remove();
    const pinned = labels.map((label) => ({ ...label, pin: this.view.pin(h("div.pin", {}, label.element), label.at) }));
    const size = (/** @type {HTMLElement} */ element) => /** @type {Point} */ ([element.offsetWidth, element.offsetHeight]);
    const full = pinned.map(({ element }) => size(element));
    for (const { pin } of pinned) pin.classList.add("short");
    this.labels = pinned.map((label, k) => ({ ...label, full: full[k], brief: size(label.element) }));
    this.labels.sort((a, b) => Number(b.chosen ?? false) - Number(a.chosen ?? false) || b.room - a.room);
    this.arrange();
    if (focused) this.labels.find(({ element }) => element.dataset.edge === focused)?.element.focus({ preventScroll: true });
  }

  /** Shows as many as fit: in full, else their name only, else not at all; the chosen one always. */
  arrange() {
    const { clientWidth: width, clientHeight: height } = this.view.stage;
    /** @type {Box[]} */
    const taken = this.view.controls();
    for (const label of this.labels) {
      const on = this.view.onStage(label.at);
      const inSight = on[0] >= 0 && on[1] >= 0 && on[0] <= width && on[1] <= height;
      const sizes = [label.full, label.brief];
      const fit = sizes.map((size) => box(label, on, size, width, height)).findIndex((place, k) =>
        !overlaps(place, taken) && (k === 1 || label.chosen || label.full[0] < label.room / this.view.k + (isOn(label) ? 0 : BEYOND_PX)));
      const k = fit < 0 && label.chosen ? 0 : fit;
      label.pin.hidden = k < 0 || !inSight;
      if (label.pin.hidden) continue;
      const place = box(label, on, sizes[k], width, height);
      label.pin.classList.toggle("short", k === 1);
      label.element.style.translate = `${(place.left - on[0]).toFixed(1)}px ${(place.top - on[1]).toFixed(1)}px`;
      taken.push(place);
    }
  }
}

/** Whether a label stands on what it names. @param {Label} label */
function isOn({ away }) {
  return away[0] === 0 && away[1] === 0;
}

/** @param {Label} label @param {Point} on @param {Point} size @param {number} width @param {number} height @returns {Box} */
function box({ away }, on, size, width, height) {
  const clear = (Math.abs(away[0]) * size[0]) / 2 + (Math.abs(away[1]) * size[1]) / 2 + GAP_PX; // the whole label beyond the line
  const place = (/** @type {number} */ axis, /** @type {number} */ most) => {
    const wished = on[axis] + away[axis] * clear - size[axis] / 2;
    return Math.min(Math.max(wished, EDGE_PX), most - size[axis] - EDGE_PX);
  };
  const [left, top] = [place(0, width), place(1, height)];
  return { left, top, right: left + size[0], bottom: top + size[1] };
}

/** @param {Box} one @param {Box[]} taken */
function overlaps(one, taken) {
  return taken.some((other) => one.left < other.right + APART_PX && other.left < one.right + APART_PX && one.top < other.bottom + APART_PX && other.top < one.bottom + APART_PX);
}
