/** The first screen: take or choose a photo, what waits for the connection, and what was measured lately. */

import { getJson, measurePhoto, Problem } from "./api.js";
import { announce, h, notice, put } from "./dom.js";
import { lazyPicture } from "./thumbnails.js";
import { markSquare } from "./square.js";
import { onPrefs, prefs } from "./prefs.js";
import { photoForm } from "./photo_form.js";
import { progressBar } from "./progress.js";
import { format } from "./units.js";
import { when } from "./keep.js";

/** @typedef {import("./queue.js").Queue} Queue */

const KINDS = "image/jpeg,image/png,image/webp,image/tiff,.heic,.heif";

/** @param {HTMLElement} root @param {Queue} queue @param {import("./dom.js").Leaving} leaving */
export function homeScreen(root, queue, leaving) {
  const waiting = h("div");
  const recent = h("div");
  const work = h("div");
  /** @type {File | null} */
  let held = null;
  /** @type {ReturnType<typeof photoForm>} */
  let form = newForm();
  const formBox = h("div", {}, form.element);

  const input = (/** @type {Record<string, any>} */ more) => h("input", { type: "file", accept: KINDS, hidden: true, onchange: (/** @type {any} */ event) => {
    const [file] = event.target.files;
    event.target.value = "";
    if (file) choose(file);
  }, ...more });
  const camera = input({ capture: "environment" });
  const file = input({});
  const start = h("section.start", { "aria-labelledby": "start-title" },
    h("h1", { id: "start-title" }, "How much cloth is it?"),
    h("p.lead", {}, "Lay it flat, put a square of known side beside it, and take one photo from above."),
    formBox,
    h("div.take", {},
      h("button.main.big", { type: "button", onclick: () => camera.click() }, cameraSign(), "Take a photo"),
      h("button.plain.big", { type: "button", onclick: () => file.click() }, "Choose a photo")),
    camera, file);
  put(root, h("div.home", {}, h("div", {}, start, work), h("div", {}, waiting, recent)));

  function newForm() {
    return photoForm({ given: { square_mm: prefs().squareMm, printed_side_mm: prefs().printedMm }, isNew: true, onSide: () => held && choose(held) });
  }

  /** @param {File} photo */
  function choose(photo) {
    held = photo;
    const wrong = form.problem();
    form.complain(wrong);
    if (wrong) return;
    held = null;
    measure(photo, form.options());
  }

  /** @param {File} photo @param {Record<string, any>} options */
  async function measure(photo, options) {
    const stop = new AbortController();
    leaving.add(() => stop.abort());
    const bar = progressBar(photo, () => stop.abort());
    start.hidden = true;
    put(work, bar.element);
    bar.focus();
    try {
      const resource = await measurePhoto(photo, photo.name || "photo.jpg", options, bar.watch, stop.signal);
      location.hash = `#/m/${resource.id}`;
    } catch (problem) {
      start.hidden = false;
      put(work);
      if (!stop.signal.aborted) await failed(photo, options, problem);
    } finally {
      bar.close();
    }
  }

  /** @param {File} photo @param {Record<string, any>} options @param {any} problem */
  async function failed(photo, options, problem) {
    if (problem instanceof Problem && problem.isPassing) {
      await queue.keep(photo, photo.name || "photo.jpg", options);
      const why = problem.offline ? "There is no connection." : problem.message;
      put(work, notice("note", why, h("p", {}, "The photo is kept on this device and sent by itself.")));
      announce("The photo is kept and sent by itself.");
      return;
    }
    const byHand = () => {
      start.hidden = true;
      markSquare(work, photo, prefs().squareMm ?? 100, prefs().unit, (references) => {
        start.hidden = false;
        put(work);
        if (references) measure(photo, { ...options, references });
      });
    };
    const noSquare = problem instanceof Problem && problem.code.startsWith("reference-");
    put(work, notice("error", problem.message, h("div.row", {},
      noSquare ? h("button.plain.small", { type: "button", onclick: byHand }, "Show where the square is") : null,
      h("button.plain.small", { type: "button", onclick: () => measure(photo, options) }, "Try again"))));
    work.scrollIntoView({ block: "nearest" });
  }

  async function drawWaiting() {
    const list = await queue.list();
    put(waiting, list.length ? h("section", { "aria-labelledby": "waiting-title" }, h("h2", { id: "waiting-title" }, "Waiting for the connection"),
      h("ul.waiting-list", {}, list.map((one) => h("li", {},
        h("div", {}, h("b", {}, one.name), h("span.aside", {}, one.problem || `taken ${when(one.taken)}; sent by itself`)),
        h("button.plain.small", { type: "button", "aria-label": `Remove ${one.name}`, onclick: () => queue.drop(/** @type {number} */ (one.key)) }, "Remove"))))) : null);
  }

  async function drawRecent() {
    const list = h("ul.cards");
    const more = h("div.more");
    const load = async (/** @type {string} */ path) => {
      const { items, next } = await getJson(path);
      list.append(...items.map(card));
      put(more, next ? h("button.plain", { type: "button", onclick: () => load(next) }, "Show more") : null);
    };
    try {
      await load("/v1/measurements?limit=8");
      put(recent, h("section", { "aria-labelledby": "recent-title" }, h("h2", { id: "recent-title" }, "Measured lately"),
        list.children.length ? list : h("p.hint", {}, "Nothing yet. Your photos and their measures will stand here."), more));
    } catch (problem) {
      put(recent, notice("note", /** @type {Error} */ (problem).message));
    }
  }

  queue.onChange = (sent) => {
    if (sent) announce(`${sent.name} was sent and measured.`);
    drawWaiting();
    drawRecent();
  };
  leaving.add(() => {
    queue.onChange = () => {};
  });
  leaving.add(onPrefs((now) => {
    if (formBox.dataset.unit === now.unit) return;
    formBox.dataset.unit = now.unit;
    form = newForm();
    put(formBox, form.element);
    drawRecent();
  }));
  formBox.dataset.unit = prefs().unit;
  acceptDrops(root, choose, leaving);
  drawWaiting();
  drawRecent();
}

/** @param {any} item */
function card(item) {
  const pieces = item.pieces.length;
  const areas = item.pieces.map((/** @type {any} */ piece) => format(piece.area, prefs().unit)).slice(0, 2).join("; ");
  return h("li", {}, h("a.card", { href: `#/m/${item.id}` }, lazyPicture(item.thumbnail, ""),
    h("span.card-text", {}, h("b", {}, item.name), h("span", {}, areas || "no piece found"), pieces > 2 ? h("span.aside", {}, `and ${pieces - 2} more`) : null)));
}

/** Photos dropped from a desktop's folder. @param {HTMLElement} root @param {(file: File) => void} choose @param {import("./dom.js").Leaving} leaving */
function acceptDrops(root, choose, leaving) {
  const over = (/** @type {DragEvent} */ event) => event.preventDefault();
  const drop = (/** @type {DragEvent} */ event) => {
    event.preventDefault();
    const photo = [...(event.dataTransfer?.files ?? [])].find((one) => one.type.startsWith("image/"));
    if (photo) choose(photo);
  };
  root.addEventListener("dragover", over);
  root.addEventListener("drop", drop);
  leaving.add(() => {
    root.removeEventListener("dragover", over);
    root.removeEventListener("drop", drop);
  });
}

function cameraSign() {
  return h("span.camera-sign", { "aria-hidden": "true" });
}
