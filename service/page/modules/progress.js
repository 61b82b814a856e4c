/** What is seen while a photo is sent and measured: the photo itself, how far it is, and a way to stop. */

import { announce, h } from "./dom.js";

/** @param {Blob} photo @param {() => void} stop */
export function progressBar(photo, stop) {
  const url = URL.createObjectURL(photo);
  const bar = h("progress", { max: 1, value: 0, "aria-label": "Progress" });
  const step = h("p.step", { tabindex: -1 }, "Sending the photo");
  let said = "";
  return {
    element: h("section.progress", { "aria-label": "Measuring" }, h("img.preview", { src: url, alt: "The photo being measured" }),
      h("div.progress-text", {}, step, bar, h("button.plain.small", { type: "button", onclick: stop }, "Stop"))),
    focus: () => step.focus(),
    /** @param {number} share @param {string} what */
    watch(share, what) {
      bar.value = share;
      if (!what || what === said) return;
      said = what;
      step.textContent = `${what[0].toUpperCase()}${what.slice(1)}…`;
      announce(step.textContent);
    },
    close: () => URL.revokeObjectURL(url),
  };
}
