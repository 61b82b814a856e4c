/** The fourth tab: take the measures elsewhere, print, older versions, delete. */

import { download, remove } from "./api.js";
import { confirmed } from "./confirm.js";
import { announce, field, h, notice, put } from "./dom.js";
import { prefs, remember } from "./prefs.js";

/** @typedef {import("./types.js").Resource} Resource */

const FILES = [
  { path: "report.html", title: "Report", kind: "HTML", about: "photo, figures and notes on one page" },
  { path: "table.csv", title: "Table", kind: "CSV", about: "for a spreadsheet" },
  { path: "outline.svg", title: "Outline", kind: "SVG", about: "to draw on, true size" },
  { path: "outline.dxf", title: "Outline", kind: "DXF", about: "for pattern programs" },
  { path: "pattern.pdf", title: "Pattern", kind: "PDF", about: "to print in true size" },
];

/**
 * @param {Resource} resource
 * @param {(revision: number) => void} open
 */
export function keepTab(resource, open) {
  const message = h("div");
  const paper = h("select", { onchange: () => remember({ paper: paper.value }) }, [["a4", "A4"], ["letter", "US Letter"]].map(([value, title]) => h("option", { value, selected: prefs().paper === value }, title)));
  const tiled = h("input", { type: "checkbox", checked: true });
  const ids = resource.measurement.pieces.map(({ id }) => encodeURIComponent(`${resource.id}:${id}`));
  return [
    h("a.main", { href: `#/enough?cloth=${ids.join(",")}` }, "Is it enough for a pattern?"),
    h("section", { "aria-labelledby": "files-title" }, h("h2", { id: "files-title" }, "Files"),
      h("ul.files", {}, FILES.map((file) => h("li", {}, h("button.file", { type: "button", onclick: () => save(file.path) }, h("b", {}, `${file.title} `, h("span.kind", {}, file.kind)), h("span", {}, file.about))))),
      h("div.pair", {}, field("Paper of the PDF", paper), h("label.check", {}, tiled, h("span", {}, "Several sheets to join"))),
      h("button.plain", { type: "button", onclick: () => window.print() }, "Print this page"), message),
    versions(resource, open),
    h("section", { "aria-labelledby": "delete-title" }, h("h2", { id: "delete-title" }, "Delete"), h("button.danger", { type: "button", onclick: erase }, "Delete photo and measures")),
  ];

  /** @param {string} path */
  async function save(path) {
    const query = new URLSearchParams({ unit: prefs().unit, revision: String(resource.revision) });
    if (path === "pattern.pdf") query.set("paper", prefs().paper);
    if (path === "pattern.pdf") query.set("tiled", String(tiled.checked));
    const stem = resource.name.replace(/\.[a-z]{3,4}$/i, "").replace(/[^\p{L}\p{N}_-]+/gu, "-") || "flatmeasure";
    put(message);
    try {
      await download(`/v1/measurements/${resource.id}/${path}?${query}`, `${stem}.${path.split(".")[1]}`);
      announce(`${path.split(".")[1].toUpperCase()} saved.`);
    } catch (problem) {
      put(message, notice("error", /** @type {Error} */ (problem).message));
    }
  }

  async function erase() {
    if (!(await confirmed(`Delete ${resource.name}?`, "The photo, its measures and all their versions are removed for good.", "Delete"))) return;
    try {
      await remove(`/v1/measurements/${resource.id}`);
      location.hash = "#/";
      announce("Deleted.");
    } catch (problem) {
      put(message, notice("error", /** @type {Error} */ (problem).message));
    }
  }
}

/** @param {Resource} resource @param {(revision: number) => void} open */
function versions(resource, open) {
  const latest = Math.max(...resource.revisions.map(({ revision }) => revision));
  const rows = [...resource.revisions].sort((a, b) => b.revision - a.revision).map(({ revision, created, what }) =>
    h("li", {}, h("div", {}, h("b", {}, `Version ${revision}`), revision === latest ? " (latest)" : "", h("span.aside", {}, `${what}, ${when(created)}`)),
      revision === resource.revision ? h("span.badge", {}, "shown") : h("button.plain.small", { type: "button", "data-key": `version-${revision}`, "aria-label": `Show version ${revision}`, onclick: () => open(revision) }, "Show")));
  return h("section", { "aria-labelledby": "versions-title" }, h("h2", { id: "versions-title" }, "Versions"), h("ol.versions", {}, rows));
}

/** @param {string} time RFC 3339 */
export function when(time) {
  return new Date(time).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
}
