/** The stash: every measured piece, to search, look at, take to a pattern, or put away. */

import { getJson, remove } from "./api.js";
import { confirmed } from "./confirm.js";
import { announce, field, h, notice, put } from "./dom.js";
import { prefs } from "./prefs.js";
import { lazyPicture } from "./thumbnails.js";
import { format } from "./units.js";

/** @typedef {import("./types.js").StashPiece} StashPiece */

const PAGE = 24;
const TYPING_MS = 250;

/** What people call a piece of the stash. @param {StashPiece} piece */
export function stashName(piece) {
  return piece.name || `Piece ${piece.piece}`;
}

/** @param {HTMLElement} root @param {import("./dom.js").Leaving} leaving */
export function stashScreen(root, leaving) {
  /** @type {Map<string, StashPiece>} */
  const chosen = new Map();
  const message = h("div");
  const list = h("ul.pieces");
  const more = h("div.more");
  const bar = h("div.choice-bar", { hidden: true });
  let timer = 0;
  const search = h("input", { type: "search", placeholder: "name of a piece, an edge or a photo", oninput: () => {
    clearTimeout(timer);
    timer = window.setTimeout(() => load(firstPage(search.value), true), TYPING_MS);
  } });
  put(root, h("div.stash", {}, h("h1", {}, "Your stash"), field("Search", search), message, list, more, bar));
  leaving.add(() => clearTimeout(timer));
  load(firstPage(""), true);

  /** @param {string} path @param {boolean} fresh */
  async function load(path, fresh) {
    try {
      const { items, next } = await getJson(path);
      if (fresh) put(list);
      list.append(...items.map(card));
      put(message, fresh && !items.length ? h("p.hint", {}, search.value ? "Nothing of that name." : "No cloth yet. Every piece you measure is kept here.") : null);
      put(more, next ? h("button.plain", { type: "button", onclick: () => load(next, false) }, "Show more") : null);
      if (fresh && search.value) announce(`${items.length}${next ? " or more" : ""} found.`);
    } catch (problem) {
      put(message, notice("error", /** @type {Error} */ (problem).message));
    }
  }

  /** @param {StashPiece} piece */
  function card(piece) {
    const unit = prefs().unit;
    const name = stashName(piece);
    const box = h("input", { type: "checkbox", checked: chosen.has(piece.id), "aria-label": `Choose ${name}`, onchange: () => {
      if (box.checked) chosen.set(piece.id, piece);
      else chosen.delete(piece.id);
      drawBar();
    } });
    const item = h("li.piece-card", {},
      h("a", { href: `#/m/${piece.measurement}?piece=${encodeURIComponent(piece.piece)}` }, lazyPicture(piece.thumbnail, ""), h("b", {}, name)),
      h("span", {}, format(piece.area, unit)),
      h("span.aside", {}, `${format(piece.along, unit)} by ${format(piece.across, unit)}${piece.complete ? "" : "; cut off by the frame"}`),
      h("div.piece-actions", {}, h("label.check", {}, box, h("span", {}, "Choose")), h("button.quiet", { type: "button", "aria-label": `Take ${name} away`, onclick: () => takeAway(piece, item) }, "Take away")));
    return item;
  }

  function drawBar() {
    bar.hidden = chosen.size === 0;
    const ids = [...chosen.keys()].map(encodeURIComponent).join(",");
    put(bar, h("span", { role: "status" }, `${chosen.size} chosen`), h("a.main", { href: `#/enough?cloth=${ids}` }, "Is it enough?"));
  }

  /** @param {StashPiece} piece @param {HTMLElement} item */
  async function takeAway(piece, item) {
    if (!(await confirmed(`Take ${stashName(piece)} away?`, "It leaves the stash. Its photo and measures stay until you delete them there.", "Take away"))) return;
    try {
      await remove(`/v1/pieces/${encodeURIComponent(piece.id)}`);
      chosen.delete(piece.id);
      item.remove();
      drawBar();
      announce("Taken away.");
    } catch (problem) {
      put(message, notice("error", /** @type {Error} */ (problem).message));
    }
  }
}

/** @param {string} words */
function firstPage(words) {
  return `/v1/pieces?${new URLSearchParams({ limit: String(PAGE), ...(words.trim() ? { q: words.trim() } : {}) })}`;
}
