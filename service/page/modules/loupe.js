/** A round enlargement of the place under the finger, in the corner of the view away from it. */

import { h, s } from "./dom.js";

/** @typedef {import("./types.js").Point} Point */

const SIDE_PX = 132;
const TIMES = 3;

export class Loupe {
  constructor() {
    this.image = s("image", { x: -0.5, y: -0.5, preserveAspectRatio: "none" });
    this.shapes = s("g");
    this.svg = s("svg", { width: SIDE_PX, height: SIDE_PX }, this.image, this.shapes);
    this.element = h("div.loupe", { hidden: true, "aria-hidden": "true" }, this.svg, h("div.cross"));
  }

  /** @param {SVGElement} drawn what is on the photo, copied: a reference to it would lose its style */
  copy(drawn) {
    this.shapes.replaceChildren(...drawn.cloneNode(true).childNodes);
  }

  /** @param {string} url @param {{width: number, height: number}} size */
  picture(url, size) {
    this.image.setAttribute("href", url);
    this.image.setAttribute("width", String(size.width));
    this.image.setAttribute("height", String(size.height));
  }

  /**
   * @param {Point} at of the photo
   * @param {Point} onStage the same place, px of the view
   * @param {number} k photo pixels per screen pixel
   */
  show(at, onStage, k) {
    const side = (SIDE_PX * k) / TIMES;
    this.svg.setAttribute("viewBox", `${at[0] - side / 2} ${at[1] - side / 2} ${side} ${side}`);
    const width = this.element.parentElement?.clientWidth ?? 0;
    const near = onStage[0] < SIDE_PX + 60 && onStage[1] < SIDE_PX + 60;
    this.element.classList.toggle("right", near || (onStage[1] < SIDE_PX + 60 && onStage[0] < width / 2));
    this.element.hidden = false;
  }

  hide() {
    this.element.hidden = true;
  }
}
