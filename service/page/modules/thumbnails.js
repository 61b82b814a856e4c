/** Small pictures that are fetched when they come into sight. */

import { picture } from "./api.js";
import { h } from "./dom.js";

const seen = new IntersectionObserver((entries) => {
  for (const { isIntersecting, target } of entries) {
    if (!isIntersecting) continue;
    seen.unobserve(target);
    const image = /** @type {HTMLImageElement} */ (target);
    picture(/** @type {string} */ (image.dataset.path)).then((url) => { image.src = url; }, () => image.classList.add("missing"));
  }
}, { rootMargin: "200px" });

/** @param {string} path @param {string} alt */
export function lazyPicture(path, alt) {
  const image = h("img.thumbnail", { alt, "data-path": path, decoding: "async" });
  seen.observe(image);
  return image;
}
