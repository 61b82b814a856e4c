/** Starts the page: which screen the address names, the unit, the photos that wait, the offline shell. */

import { answerScreen } from "./answer.js";
import { askToken } from "./confirm.js";
import { h, Leaving, notice, put } from "./dom.js";
import { enoughScreen } from "./enough.js";
import { homeScreen } from "./home.js";
import { prefs, remember } from "./prefs.js";
import { Queue } from "./queue.js";
import { resultScreen } from "./result.js";
import { stashScreen } from "./stash.js";

const root = /** @type {HTMLElement} */ (document.getElementById("screen"));
const unit = /** @type {HTMLSelectElement} */ (document.getElementById("unit"));
const queue = new Queue();
const leaving = new Leaving();
let visit = 0;

const TITLES = { m: "Measures", stash: "Stash", enough: "Enough?", answer: "Answer", "": "Measure" };

async function show() {
  const [where, query = ""] = location.hash.replace(/^#\/?/, "").split("?");
  const [screen, id = ""] = where.split("/");
  const asked = new URLSearchParams(query);
  leaving.run();
  visit += 1;
  const mine = visit;
  document.title = `${TITLES[/** @type {keyof typeof TITLES} */ (screen)] ?? "Measure"} · flatmeasure`;
  document.body.dataset.screen = screen || "home";
  for (const link of document.querySelectorAll("nav a")) link.toggleAttribute("aria-current", link.getAttribute("data-for")?.split(" ").includes(screen || "home"));
  for (const link of document.querySelectorAll("nav a[aria-current]")) link.setAttribute("aria-current", "page");
  const holder = h("div.holder");
  put(root, holder);
  window.scrollTo(0, 0);
  try {
    if (screen === "m" && id) await resultScreen(holder, id, { revision: Number(asked.get("revision")) || null, piece: asked.get("piece") }, leaving);
    else if (screen === "stash") stashScreen(holder, leaving);
    else if (screen === "enough") await enoughScreen(holder, (asked.get("cloth") ?? "").split(",").filter(Boolean), leaving);
    else if (screen === "answer" && id) await answerScreen(holder, id, leaving);
    else homeScreen(holder, queue, leaving);
  } catch (problem) {
    if (mine === visit) failed(holder, problem);
  }
}

/** @param {HTMLElement} holder @param {any} problem */
function failed(holder, problem) {
  put(holder, notice("error", problem.message ?? String(problem), h("div.row", {}, h("button.plain.small", { type: "button", onclick: show }, "Try again"), h("a.plain.small", { href: "#/" }, "To the start"))));
}

let asking = false;
async function unlock() {
  if (asking) return;
  asking = true;
  const token = await askToken();
  asking = false;
  if (!token) return;
  remember({ token });
  show();
  queue.send();
}

unit.value = prefs().unit;
unit.addEventListener("change", () => remember({ unit: /** @type {any} */ (unit.value) }));
window.addEventListener("hashchange", () => {
  root.focus({ preventScroll: true }); // a screen reader goes on at the new screen
  show();
});
window.addEventListener("flatmeasure-locked", unlock);
document.getElementById("skip")?.addEventListener("click", (event) => {
  event.preventDefault();
  root.focus();
});
show();
queue.start();
if ("serviceWorker" in navigator) navigator.serviceWorker.register("worker.js").catch(() => {}); // without it the page works, only not offline
